"""The plan: a form for all that a trip file holds, with its margins beside it.

Everything works by sending the form. With the script, a changed field brings fresh margins, and
only these: no field is ever replaced.
"""

from __future__ import annotations

import hashlib
import itertools
import threading
import tomllib
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timezone
from functools import cache
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.model import Case, FaultyInput, parse_case, template
from warmhold.plan.quick import FEWEST, Quick, quick_margins
from warmhold.web.access import user_of
from warmhold.web.form_fields import CABIN, DOOR, DOORS, HEAD, ROWS, TABLES, ZONES, Field
from warmhold.web.forms import (
    ORIGIN,
    FieldFault,
    Fields,
    Reading,
    changed,
    fields_of_toml,
    label_of,
    read,
    rows,
    tidy,
)
from warmhold.web.posted import Posted, posted
from warmhold.web.rendering import new_form_id, render
from warmhold.web.service import NoSuchTrip, NotSaved

if TYPE_CHECKING:
    from warmhold.web.service import Service, Trip

LONGEST_FILE = 200_000  # characters of a pasted trip file


def routes(service: Service) -> list[Route]:
    """Return the routes of the plan."""

    def show(request: Request) -> Response:
        name, trip = request.query_params.get("trip"), request.query_params.get("plan")
        if name:
            text = service.library.text("trips", name)
            if text is None:
                raise HTTPException(404)
            return _started(request, text, _words_of(text))
        if trip:
            plans = _found(trip).view.plans
            text = str(plans[-1].body.get("trip_toml", ""))
            return _started(request, text, _words_of(text))
        threading.Thread(target=_get_ready, daemon=True).start()
        return _page(request, read(_fresh(service), build), checked=False, empty_form=True)

    def begin(request: Request) -> Response:
        text = posted(request).get("toml", "")[:LONGEST_FILE]
        try:
            fields = fields_of_toml(text)
        except (tomllib.TOMLDecodeError, RecursionError, ValueError):
            faults = _faults_of_text(text)
            return _page(
                request, read(_fresh(service), build), checked=False, pasted=text,
                pasted_faults=faults, empty_form=True, status=422,
            )  # fmt: skip
        return _page(request, read(_pairs(fields), build), told="Filled in from the text.")

    def change(request: Request) -> Response:
        form = posted(request)
        what = form.text("do")
        if what == "plan":
            return _plan_in_full(request, form)
        if what in ("work", ""):
            reading = read(form.pairs, build)
            return _page(request, reading, status=422 if reading.faults else 200, summary=True)
        if what == "again":  # what was typed and not sent, kept by the browser
            return _page(request, read(form.pairs, build), checked=False)
        fields, place = changed(tidy(form.pairs), what)
        return _page(request, read(_pairs(fields), build), checked=False, focus=_focus(what, place))

    newest = _Newest()

    def margins(request: Request) -> Response:
        form = posted(request)
        with newest.of(form.get("form_id", "")) as is_newest:
            if not is_newest:  # whoever asked has typed on, and asked anew
                return Response(status_code=204)
            return render(request, "plan_margins.html", **_told(read(form.pairs, build)))

    def _found(key: str) -> Trip:
        try:
            return service.trip(key)
        except NoSuchTrip as error:
            raise HTTPException(404) from error

    def build(text: str) -> Case:
        raw = tomllib.loads(text)
        named = (raw.get("unit"), raw.get("policy"))
        if named[0] in service.library.names("units") and named[1] in service.library.names(
            "policies"
        ):
            return service.case_of(text)
        return parse_case(text, ORIGIN)  # tells what is wrong with the names and all the rest

    def _started(request: Request, text: str, title: str) -> Response:
        fields = fields_of_toml(text)
        moved = _moved_to(fields, service)
        words = f"Started from “{title}”."
        if moved:
            words += " Its times were moved: now is now, and the wait before the baby goes in kept."
        words += " Every other value is as it was: check each one."
        return _page(request, read(_pairs(fields), build), told=words)

    def _plan_in_full(request: Request, form: Posted) -> Response:
        reading = read(form.pairs, build)
        if reading.case is None:
            return _page(request, reading, status=422, summary=True)
        # the same form with other values is another plan; sent twice it is the same one
        key = hashlib.sha256(f"{form.form_id} {reading.toml}".encode()).hexdigest()[:32]
        try:
            job = service.plan_trip(user_of(request), key, reading.toml)
        except FaultyInput:
            return _page(request, reading, status=422, summary=True)
        return RedirectResponse(f"/plan/working/{job.key}", 303)

    def _page(
        request: Request,
        reading: Reading,
        told: str = "",
        checked: bool = True,
        focus: str = "",
        summary: bool = False,
        pasted: str = "",
        pasted_faults: Sequence[str] = (),
        empty_form: bool = False,
        status: int = 200,
    ) -> Response:
        shown = reading.faults if checked else ()
        options = {
            "unit": _names(service, "units"),
            "policy": _names(service, "policies"),
            "leg": tuple(
                (name, name)
                for row in rows(reading.fields, "leg")
                if (name := "".join(row.get("name", ("",))[-1:]))
            ),
        }
        return render(
            request,
            "plan.html",
            status,
            **_told(reading),
            checked=checked,
            summary=summary,
            told=told,
            focus=focus,
            form=_Form(reading, shown, options),
            pasted=pasted,
            pasted_faults=pasted_faults,
            empty_form=empty_form,
            toml=reading.toml,
            trips=[(name, _title(service, name)) for name in service.library.names("trips")],
            plans=_plans(service),
            rules=_rules(service, "".join(reading.fields.get("policy", ("",))[-1:])),
            form_id=new_form_id(),
        )

    return [
        Route("/plan", show, methods=["GET"]),
        Route("/plan", change, methods=["POST"]),
        Route("/plan/open", begin, methods=["POST"]),
        Route("/plan/margins", margins, methods=["POST"]),
    ]


class _Newest:
    """Of the questions that one form asks, only the newest is worked out."""

    MOST = 200  # forms that are remembered

    def __init__(self) -> None:
        self._tickets = itertools.count()
        self._last: OrderedDict[str, int] = OrderedDict()
        self._lock, self._turn = threading.Lock(), threading.Lock()

    @contextmanager
    def of(self, form_id: str) -> Iterator[bool]:
        """Wait for a turn; say whether nothing newer was asked meanwhile."""
        with self._lock:
            mine = self._last[form_id] = next(self._tickets)
            self._last.move_to_end(form_id)
            while len(self._last) > self.MOST:
                self._last.popitem(last=False)
        with self._turn:  # margins are worked out one at a time anyway
            yield self._last.get(form_id, mine) == mine


@cache
def _get_ready() -> None:
    """Compile the equations while the first fields are typed, so that margins come at once."""
    quick_margins(parse_case(template("trip"), ORIGIN), members=FEWEST)


# --- what is shown -------------------------------------------------------------------------------


@dataclass(frozen=True)
class FieldView:
    """One field as it stands on the page."""

    field: Field
    name: str
    values: tuple[str, ...]
    spread: str
    words: tuple[tuple[str, str], ...]
    faults: tuple[FieldFault, ...]
    understood: str

    @property
    def id(self) -> str:
        """Return the id of its input."""
        return id_of(self.name)

    @property
    def value(self) -> str:
        """Return what stands in it."""
        return self.values[-1] if self.values else ""

    @property
    def title(self) -> str:
        """Return its label with the row, for those who hear it."""
        return label_of(self.name)


@dataclass(frozen=True)
class RowView:
    """One row of a repeated table."""

    name: str
    number: int
    word: str
    title: str
    summary: str
    fields: tuple[FieldView, ...]
    doors: tuple[RowView, ...] = ()
    open: bool = field(default=False)

    @property
    def id(self) -> str:
        """Return the id of its place on the page."""
        return id_of(self.name)


# What is said of a row while it is shut: key, and the words round its value.
_SUMMARY: Mapping[str, tuple[tuple[str, str], ...]] = {
    "Leg": (
        ("minutes", "{} min"), ("place", "{}"), ("ambient_c", "{} °C"), ("power", "{} power"),
        ("gas", "gas from {}"),
    ),
    "Opening": (),
    "Delay": (("minutes", "{} min"), ("leg", "on {}"), ("chance_percent", "{} %")),
    "Cylinder": (("gas", "{}"), ("gauge_bar", "{} bar")),
    "In the store": (("gas", "{}"), ("gauge_bar", "{} bar"), ("count", "{} there")),
    "Spare packs": (("owned", "{} owned"), ("carried", "{} taken along")),
}  # fmt: skip


def _said(value: str, words: str) -> str:
    sign = value.replace("-", "−") if value.startswith("-") else value
    return words.format(sign) if value else ""


def id_of(name: str) -> str:
    """Return the id of the input of a field, or of the part of the page that a name stands for."""
    return "f-" + name.replace(".", "-")


class _Form:
    """The form, ready for the template."""

    def __init__(
        self,
        reading: Reading,
        faults: Sequence[FieldFault],
        options: Mapping[str, tuple[tuple[str, str], ...]],
    ) -> None:
        self._fields = reading.fields
        self._understood = reading.understood
        self._faults = faults
        self._options = options

    def table(self, prefix: str) -> tuple[FieldView, ...]:
        """Return the fields of one table; the head's for an empty prefix."""
        return self._views(TABLES.get(prefix, HEAD), prefix)

    def faults(self, name: str) -> tuple[FieldFault, ...]:
        """Return what is wrong with a part that is no single field."""
        return tuple(fault for fault in self._faults if fault.name == name)

    def row_views(self, prefix: str) -> tuple[RowView, ...]:
        """Return the rows of a repeated table."""
        spec, word, _ = ROWS[prefix]
        return tuple(
            self._row(spec, f"{prefix}.{number}", number, word)
            for number in range(1, len(rows(self._fields, prefix)) + 1)
        )

    def _row(self, spec: Sequence[Field], name: str, number: int, word: str) -> RowView:
        doors = tuple(
            self._row(DOOR, f"{name}.{DOORS}.{one}", one, "Opening")
            for one in range(1, len(rows(self._fields, f"{name}.{DOORS}")) + 1)
        )
        one = self._one
        title = one(f"{name}.name") or one(f"{name}.what")
        parts = [_said(one(f"{name}.{key}"), words) for key, words in _SUMMARY[word]]
        if one(f"{name}.cabin"):
            unit = dict(CABIN).get(one(f"{name}.cabin.in"), "")
            parts.append(f"cabin {one(f'{name}.cabin')} {unit}".strip())
        inside = f"{name}."
        faulty = any(fault.name == name or fault.name.startswith(inside) for fault in self._faults)
        empty = not any("".join(values) for key, values in self._fields.items() if key.startswith(
            inside))  # fmt: skip
        return RowView(
            name, number, word, title, ", ".join(part for part in parts if part),
            self._views(spec, name), doors, faulty or empty,
        )  # fmt: skip

    def _one(self, name: str) -> str:
        return "".join(self._fields.get(name, ("",))[-1:])

    def _views(self, spec: Sequence[Field], prefix: str) -> tuple[FieldView, ...]:
        return tuple(self._view(one, f"{prefix}.{one.key}" if prefix else one.key) for one in spec)

    def _view(self, one: Field, name: str) -> FieldView:
        values = self._fields.get(name, ())
        if one.kind == "pair":
            values = (self._one(f"{name}.1"), self._one(f"{name}.2"))
        words = one.words or self._options.get(one.key, ())
        known = {word for word, _ in words}
        if one.kind in ("choice", "offset"):  # what was sent stays to be seen, known or not
            words = (*words, *((value, value) for value in values if value and value not in known))
        own = (name, f"{name}.spread", f"{name}.1", f"{name}.2")
        understood = "; ".join(self._understood[part] for part in own if part in self._understood)
        return FieldView(
            one,
            name,
            values,
            self._one(f"{name}.spread"),
            words,
            tuple(fault for fault in self._faults if fault.name in own),
            understood,
        )


def _told(reading: Reading) -> dict[str, Any]:
    """Margins and faults, for the page and for its part that is fetched alone."""
    quick: Quick | None = quick_margins(reading.case) if reading.case is not None else None
    return {
        "quick": quick,
        "faults": reading.faults,
        "empty": sum(fault.found == "nothing" for fault in reading.faults),
        "wrong": [fault for fault in reading.faults if fault.found != "nothing"],
        "understood": reading.understood,
        "id_of": id_of,
    }


def _focus(what: str, place: str) -> str:
    """Return the id of what is looked at after a row was added, removed or moved."""
    if not place:
        return ""
    verb = what.rpartition(".")[2]
    return f"{id_of(place)}-{verb}" if verb in ("up", "down") else id_of(place)


# --- where a form starts from --------------------------------------------------------------------


def _fresh(service: Service) -> list[tuple[str, str]]:
    """Fill in what is known of any trip: the time, and the policy where there is but one."""
    now = service.clock.now().astimezone()
    policies = service.library.names("policies")
    pairs = [("start.now", _minute(now)), ("start.offset", _zone_of(now))]
    return [*pairs, ("policy", policies[0])] if len(policies) == 1 else pairs


def _minute(moment: datetime) -> str:
    return moment.replace(tzinfo=None).isoformat(timespec="minutes")


def _zone_of(moment: datetime) -> str:
    text = f"{moment:%z}"
    zone = f"{text[:3]}:{text[3:5]}"
    return zone if zone in {value for value, _ in ZONES} else "+00:00"


def _moved_to(fields: Fields, service: Service) -> bool:
    """Move both times of a form so that now is now; the wait between them stays."""
    reading = {name: "".join(fields.get(f"start.{name}", ())) for name in ("now", "baby_in")}
    try:
        before = {name: datetime.fromisoformat(text) for name, text in reading.items()}
    except ValueError:
        return False
    zone = "".join(fields.get("start.offset", ("",))[-1:])
    now = service.clock.now()
    try:
        now = now.astimezone(datetime.fromisoformat(f"2000-01-01T00:00{zone}").tzinfo or None)
    except ValueError:
        now = now.astimezone(timezone.utc)  # noqa: UP017
    now = now.replace(tzinfo=None, second=0, microsecond=0)
    fields["start.now"] = (_minute(now),)
    fields["start.baby_in"] = (_minute(now + (before["baby_in"] - before["now"])),)
    return True


def _pairs(fields: Mapping[str, tuple[str, ...]]) -> Iterable[tuple[str, str]]:
    return [(name, value) for name, values in fields.items() for value in values]


def _faults_of_text(text: str) -> list[str]:
    try:
        parse_case(text, "the text")
    except FaultyInput as error:
        return [str(fault) for fault in error.faults]
    return ["The text could not be read."]


def _names(service: Service, kind: Any) -> tuple[tuple[str, str], ...]:
    own = set(service.library.own(kind))
    return tuple(
        (name, f"{name} (own)" if name in own else f"{name} (shipped example)")
        for name in service.library.names(kind)
    )


def _title(service: Service, name: str) -> str:
    return _words_of(service.library.text("trips", name) or "") or name


def _words_of(text: str) -> str:
    try:
        title = tomllib.loads(text).get("title", "")
    except tomllib.TOMLDecodeError:
        return ""
    return title if isinstance(title, str) else ""


def _plans(service: Service) -> list[tuple[str, str]]:
    """Return the trips in the record, the latest first; none when it cannot be read."""
    try:
        return [(trip.key, trip.title) for trip in service.trips()[:50]]
    except NotSaved:
        return []


_RULES: tuple[tuple[str, str, str, str], ...] = (
    ("verdict", "probability_percent", "A margin holds when kept in", "% of simulated trips"),
    ("temperature", "low_c", "Baby not below", "°C"),
    ("temperature", "high_c", "Baby not above", "°C"),
    ("temperature", "cooled_low_c", "Cooled baby not below", "°C"),
    ("temperature", "cooled_high_c", "Cooled baby not above", "°C"),
    ("battery", "factor", "Battery for", "times the expected time"),
    ("gas", "factor", "Gas for", "times the expected use"),
    ("oxygen", "highest_percent", "Oxygen given at most", "%"),
)


def _rules(service: Service, name: str) -> list[tuple[str, str, str, str]]:
    """Return the policy's main numbers: what, value, mark, source."""
    text = service.library.text("policies", name) if name else None
    if text is None:
        return []
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return []
    found = []
    for table, key, words, unit in _RULES:
        holder = raw.get(table)
        rule = holder.get(key) if isinstance(holder, dict) else None
        if isinstance(rule, dict) and "value" in rule:
            source = (str(rule.get("mark", "")), str(rule.get("source", "")))
            found.append((words, f"{rule['value']} {unit}", *source))
    return found
