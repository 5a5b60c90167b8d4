"""A unit's own numbers out of its kept logs: the page of a fit, and a new version on offer."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from warmhold.bench.ageing import trends_of
from warmhold.bench.fit import Fitted, Observed, UnfitLog, characterise
from warmhold.bench.limits import USUAL, find_set
from warmhold.bench.profile import NothingToWrite, Version, new_version
from warmhold.model import Unit
from warmhold.record.whole_files import write_bytes
from warmhold.report import fit as report
from warmhold.report import words
from warmhold.web.bench_tests import PRIVATE, REPORTS, keep_page
from warmhold.web.jobs import Progress
from warmhold.web.own_files import mark_of
from warmhold.web.posted import FORM_ID

CHARGE_SPREAD: Final = 0.02  # of a battery that is said to be this full


class Unfit(Exception):
    """A log cannot drive the model; ``shown`` says why, one reason a line."""

    def __init__(self, error: UnfitLog) -> None:
        """Put it into words."""
        reasons = (f"{words.capital(reason)}." for reason in error.reasons)
        self.shown = "\n".join((f"{error.name} cannot drive the model: untick it.", *reasons))
        super().__init__(self.shown)


@dataclass(frozen=True)
class Value:
    """One value of a new version; ``was`` is empty where the file had none."""

    title: str
    unit: str
    was: str
    now: str


@dataclass(frozen=True)
class Offer:
    """What a fit offers. ``toml`` is empty when there is nothing to take.

    unit : its name in the library
    base : mark of the text that the fit began from
    logs : of which logs, as the record keeps them
    why_not : why there is no new version
    """

    unit: str
    made: str
    headline: str
    logs: tuple[str, ...]
    values: tuple[Value, ...]
    kept_back: tuple[str, ...]
    next_test: str
    base: str
    toml: str
    why_not: str = ""


def fitted_offer(
    observed: Sequence[Observed],
    unit: Unit,
    key: str,
    text: str,
    battery_percent: float,
    tell: Progress,
) -> tuple[Offer, str]:
    """Fit a unit's numbers; return what is offered, and the page of the fit.

    text : the unit's file
    battery_percent : least energy that the service allows, of a new battery's [%]

    Raises ``Unfit``.
    """
    now = datetime.now(UTC)
    try:
        found = characterise(observed, unit, tell)
    except UnfitLog as error:
        raise Unfit(error) from error
    version, why_not = _version(found, text, f"{key}.toml", now)
    row = find_set(USUAL).get("displayed_off_c")
    sensor_k = None if row is None else row.value
    trends = trends_of(observed, unit, battery_percent, sensor_k)
    page = report.page(report.Shown(found, now, version, "", (), trends))
    best = found.best
    offer = Offer(
        unit=key,
        made=now.isoformat(),
        headline=report.headline(found),
        logs=tuple(f"{one.name}, SHA-256 {one.fingerprint}" for one in found.logs),
        values=() if version is None else tuple(_values(version)),
        kept_back=() if version is None else version.kept_back,
        next_test=f"{best.title}, {best.minutes} min. {best.how}",
        base=mark_of(text),
        toml="" if version is None else version.text,
        why_not=why_not,
    )
    return offer, page


def _version(found: Fitted, text: str, name: str, now: datetime) -> tuple[Version | None, str]:
    try:
        return new_version(found, text, name, f"{now:%Y-%m-%d}"), ""
    except NothingToWrite as error:
        return None, str(error)
    except ValueError as error:
        return None, f"{error}; write the told values into a copy by hand"


def _values(version: Version) -> list[Value]:
    def shown(one: tuple[float, float, str]) -> str:
        return f"{report.value(one[0])} ± {report.value(one[1])} ({one[2]})"

    return [
        Value(
            one.title, report.unit_words(one.unit), "" if one.was is None else shown(one.was),
            shown(one.now),
        )
        for one in version.values
    ]  # fmt: skip


def keep_offer(folder: Path, form_id: str, offer: Offer, page: str) -> None:
    """Keep what is offered, and its page, under the id of the form that it came from.

    Raises ``OSError``.
    """
    keep_page(folder, form_id, page)
    text = json.dumps(asdict(offer), ensure_ascii=True, indent=1, allow_nan=False)
    write_bytes(folder / REPORTS / f"{form_id}.json", text.encode("ascii"), PRIVATE)


def offer_of(folder: Path, form_id: str) -> Offer | None:
    """Return what was offered under an id; ``None`` when there is none that can be read."""
    if not FORM_ID.fullmatch(form_id):
        return None
    path = folder / REPORTS / f"{form_id}.json"
    try:
        given: dict[str, Any] = json.loads(path.read_text("utf-8"))
        given["values"] = tuple(Value(**one) for one in given["values"])
        for name in ("logs", "kept_back"):
            given[name] = tuple(given[name])
        return Offer(**given)
    except (OSError, ValueError, TypeError, KeyError):
        return None


def offers_of(folder: Path, unit: str) -> list[tuple[str, Offer]]:
    """Return id and content of everything that was offered for a unit, the newest first."""
    found = []
    for path in (folder / REPORTS).glob("*.json"):
        offer = offer_of(folder, path.stem)
        if offer is not None and offer.unit == unit:
            found.append((path.stem, offer))
    return sorted(found, key=lambda one: one[1].made, reverse=True)
