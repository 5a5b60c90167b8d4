"""Writes a trip as a FHIR R4 Bundle of the type collection.

The same record gives the same bytes: ids are made from the hash of the trip's first entry, the
order is that of the entries, and no clock is read.

- Patient is a pseudonym: no name, no birth date. Weight and gestation are observations.
- What is about the incubator's own surroundings has the incubator as its subject.
- A value that a device told names its DeviceMetric, and no encounter, as the published profile
  for such observations wants it.
- A correction makes an observation "corrected"; what was struck out is "entered-in-error".
- Rows of a trend with even spacing are one observation with sampled data, "E" where nothing was
  read; a trend with gaps is several.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any

from warmhold.exchange.codes import LOINC, UCUM, Code, Coding
from warmhold.exchange.fhir import names
from warmhold.exchange.outgoing import STRUCK, Outgoing, Series, Value, code_for, tidy

Resource = dict[str, Any]
_SPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:warmhold:trip")
_PLAIN = {"Cel": "°C", "/min": "/min", "mm[Hg]": "mmHg", "{division}": "divisions"}
VITAL = {"system": names.CATEGORY, "code": "vital-signs", "display": "Vital Signs"}
LABORATORY = {"system": names.CATEGORY, "code": "laboratory", "display": "Laboratory"}
_MEASURED_IN_BLOOD = ("glucose_mmol_l",)
_INCUBATOR = ""  # the teller of what is about the room and a person read off


def bundle_of(out: Outgoing, memory: bool = False) -> Resource:
    """Return the trip as a FHIR R4 Bundle.

    memory : also use codes that were recalled and not read, see `codes`
    """
    return _Writer(out, memory).bundle()


def to_text(bundle: Resource) -> str:
    """Write a Bundle as JSON, each time the same way."""
    return json.dumps(bundle, indent=1, ensure_ascii=True, allow_nan=False) + "\n"


class Ids:
    """Ids of the resources of one trip: the same each time."""

    def __init__(self, out: Outgoing) -> None:
        """Found them on the trip's first entry."""
        self._base = f"{out.first} {out.trip}"

    def id(self, *parts: object) -> str:
        """Return the id of one resource."""
        text = "\x1f".join([self._base, *map(str, parts)])
        return str(uuid.uuid5(_SPACE, text.encode("utf-8", "replace").decode("utf-8")))

    def refer(self, *parts: object) -> dict[str, str]:
        """Return a reference to it."""
        return {"reference": f"urn:uuid:{self.id(*parts)}"}


class _Writer:
    def __init__(self, out: Outgoing, memory: bool) -> None:
        self.out = out
        self.memory = memory
        self.ids = Ids(out)

    def bundle(self) -> Resource:
        head = self.out.head[1]
        stamps = [self.out.planned, *(one.saved for one in self.out.values)]
        stamps += [one.saved for one in self.out.series]
        stamps += [one.saved for one in self.out.others]
        return {
            "resourceType": "Bundle",
            "id": self.ids.id("Bundle"),
            "identifier": {"system": names.FINGERPRINT, "value": f"{head} {self.out.trip}"},
            "type": "collection",
            "timestamp": self.moment(max(stamps)),
            "entry": [
                {"fullUrl": f"urn:uuid:{resource['id']}", "resource": resource}
                for resource in self.resources()
            ],
        }

    def resources(self) -> Iterator[Resource]:
        yield self.patient()
        yield self.encounter()
        yield from self.devices()
        yield from self.baby()
        for value in self.out.values:
            yield self.observation(value)
        for series in self.out.series:
            for run in series.runs():
                # rows that are closer than the moments they are written in are told one by one
                if len(run) > 1 and run[1].at > run[0].at:
                    yield self.sampled(run)
                else:
                    yield from map(self.observation, run)
        yield from self.flags()

    def moment(self, moment: datetime) -> str:
        return self.out.local(moment).isoformat(timespec="microseconds")

    # --- who, where and with what ---------------------------------------------------------------

    def patient(self) -> Resource:
        return {
            "resourceType": "Patient",
            "id": self.ids.id("Patient"),
            "identifier": [
                {
                    "use": "secondary",
                    "type": {"text": "pseudonym"},
                    "system": names.PSEUDONYM,
                    "value": self.out.pseudonym or "unknown",
                }
            ],
        }

    def encounter(self) -> Resource:
        started = self.out.start is not None
        state = "finished" if self.out.handed_over else "in-progress" if started else "planned"
        found: Resource = {
            "resourceType": "Encounter",
            "id": self.ids.id("Encounter"),
            "identifier": [{"system": names.TRIP, "value": self.out.trip}],
            "status": state,
            "class": {"system": names.ENCOUNTER_CLASS, "code": "FLD", "display": "field"},
            "type": [{"text": "transport between hospitals in an incubator"}],
            "subject": self.ids.refer("Patient"),
        }
        period = {
            name: self.moment(moment)
            for name, moment in (("start", self.out.start), ("end", self.out.end))
            if moment is not None
        }
        if period and (self.out.start is None or self.out.end is None or
                       self.out.start <= self.out.end):  # fmt: skip
            found["period"] = period
        return found

    def teller(self, value: Value | Series) -> str | None:
        """Return the device of a value: the one that told it, the incubator, or none."""
        if value.told_by:
            return value.told_by
        return _INCUBATOR if code_for(value).about == "room" else None

    def devices(self) -> Iterator[Resource]:
        tellers: dict[str, dict[str, Code]] = {_INCUBATOR: {}}
        every: list[Value | Series] = [*self.out.values, *self.out.series]
        for value in every:
            teller = self.teller(value)
            if teller is not None:
                tellers.setdefault(teller, {}).setdefault(value.quantity, code_for(value))
        for teller in tellers:
            name = teller or self.out.unit or "transport incubator"
            yield {
                "resourceType": "Device",
                "id": self.ids.id("Device", teller),
                "identifier": [{"system": names.TELLER, "value": name}],
                "deviceName": [{"name": name, "type": "user-friendly-name"}],
                "type": {"text": "device that told values" if teller else "transport incubator"},
            }
        for teller, metrics in tellers.items():
            for quantity, code in metrics.items():
                yield self.metric(teller, quantity, code)

    def metric(self, teller: str, quantity: str, code: Code) -> Resource:
        found: Resource = {
            "resourceType": "DeviceMetric",
            "id": self.ids.id("DeviceMetric", teller, quantity),
            "identifier": [{"system": names.METRIC, "value": quantity}],
            "type": self.concept(code, quantity),
            "source": self.ids.refer("Device", teller),
            "category": "setting" if "_set_" in quantity else "measurement",
        }
        if code.ucum:
            unit = {"system": UCUM, "code": code.ucum, "display": _plain_unit(code.ucum)}
            found["unit"] = {"coding": [unit]}
        return found

    # --- values ---------------------------------------------------------------------------------

    def concept(self, code: Code, quantity: str) -> Resource:
        title = code.title
        if quantity != code.key:
            title = f"{title}: {quantity.partition(':')[2]}"
        return {"coding": [_coding(one) for one in code.codings(self.memory)], "text": title}

    def head_of(self, value: Value, parts: Sequence[object], sampled: bool = False) -> Resource:
        """Return what an observation has whatever its value is."""
        code = code_for(value)
        teller = self.teller(value)
        baby = code.about == "baby"
        category = [{"coding": [{"system": names.KIND, "code": value.kind}]}]
        if baby:
            category.insert(
                0, {"coding": [LABORATORY if code.key in _MEASURED_IN_BLOOD else VITAL]}
            )
        place = f"{value.entry}.{value.row}" if value.row else f"{value.entry}"
        found: Resource = {"resourceType": "Observation", "id": self.ids.id("Observation", *parts)}
        if code.loinc == "59408-5" and not sampled:  # the profile wants a single quantity
            found["meta"] = {"profile": [names.OXYGEN_SATURATION]}
        found |= {
            "identifier": [{"system": names.ENTRY, "value": f"{place} {value.quantity}"}],
            "status": value.status,
            "category": category,
            "code": self.concept(code, value.quantity),
            "subject": self.ids.refer("Patient") if baby else self.ids.refer("Device", _INCUBATOR),
        }
        if teller is None:
            found["encounter"] = self.ids.refer("Encounter")
        found["effectiveDateTime"] = self.moment(value.at)
        found["issued"] = self.moment(value.saved)
        if code.body_site:
            found["bodySite"] = {"text": code.body_site}
        if teller is not None:
            found["device"] = self.ids.refer("DeviceMetric", teller, value.quantity)
        return found

    def observation(self, value: Value) -> Resource:
        parts = (value.entry, value.row, value.quantity)
        found = self.head_of(value, parts)
        code = code_for(value)
        if value.value is None:
            found["dataAbsentReason"] = _absent(names.UNREAD)
        elif isinstance(value.value, str):
            if value.value.strip():
                found["valueString"] = value.value
            else:
                found["dataAbsentReason"] = _absent(names.EMPTY)
        else:
            found["valueQuantity"] = _quantity(value.value, code.ucum)
        notes = []
        if value.flag:
            notes.append({"text": f"{names.FLAGGED}{value.flag}"})
        if value.was is not None:
            notes.append({"text": f"{names.WAS}{_shown(value.was)}"})
        if notes:
            found["note"] = notes
        return found

    def sampled(self, run: Sequence[Value]) -> Resource:
        """Return one observation for rows of a trend with the same time between any two."""
        first = run[0]
        found = self.head_of(first, (first.entry, first.row, first.quantity), sampled=True)
        found["valueSampledData"] = {
            "origin": _quantity(0.0, code_for(first).ucum),
            "period": (run[1].at - first.at) // timedelta(microseconds=1) / 1000,
            "dimensions": 1,
            "data": " ".join("E" if one.value is None else repr(one.value) for one in run),
        }
        return found

    def baby(self) -> Iterator[Resource]:
        """Yield weight and gestation as the plan states them."""
        weight = {"system": LOINC, "code": "29463-7", "display": "Body weight"}
        for key, value, ucum, title, more in (
            ("weight", self.out.weight_g, "g", "Weight in the plan", [weight]),
            ("gestation", self.out.gestation_weeks, "wk", "Weeks of gestation in the plan", []),
        ):
            if value is None:
                continue
            found: Resource = {
                "resourceType": "Observation",
                "id": self.ids.id("Observation", "baby", key),
                "status": "final",
                "code": {"coding": [*more, {"system": names.BABY, "code": key}], "text": title},
                "subject": self.ids.refer("Patient"),
                "encounter": self.ids.refer("Encounter"),
                "effectiveDateTime": self.moment(self.out.planned),
                "valueQuantity": _quantity(value, ucum),
            }
            if more:
                found["category"] = [{"coding": [VITAL]}]
            yield found

    def flags(self) -> Iterator[Resource]:
        """Yield what the watch named: R4 has no resource for alerts, so these are flags."""
        for one in self.out.others:
            if one.kind != "noticed":
                continue
            body = json.loads(one.detail)
            status = "inactive" if self.out.handed_over else "active"
            words = tidy(f"{body['title']}. {body['evidence']}".strip())
            yield {
                "resourceType": "Flag",
                "id": self.ids.id("Flag", one.entry),
                "identifier": [{"system": names.ENTRY, "value": f"{one.entry}"}],
                "status": "entered-in-error" if one.status == STRUCK else status,
                "category": [
                    {
                        "coding": [{"system": names.PRIORITY, "code": body["priority"]}],
                        "text": "Named by a watch that supports decisions; not a medical device",
                    }
                ],
                "code": {
                    "coding": [{"system": names.NOTICED, "code": "-".join(one.what.split())}],
                    "text": words,
                },
                "subject": self.ids.refer("Patient"),
                "period": {"start": self.moment(one.at)},
                "encounter": self.ids.refer("Encounter"),
            }


def _coding(one: Coding) -> Resource:
    return {"system": one.system, "code": one.code, "display": one.title}


def _plain_unit(ucum: str) -> str:
    return _PLAIN.get(ucum, ucum)


def _quantity(value: float, ucum: str) -> Resource:
    return {"value": value, "unit": _plain_unit(ucum), "system": UCUM, "code": ucum}


def _absent(why: str) -> Resource:
    return {
        "coding": [{"system": names.ABSENT, "code": "unknown", "display": "Unknown"}],
        "text": why,
    }


def _shown(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"
