"""What each kind of entry holds, and every fault of one that does not.

Nothing here knows what is plausible: an odd value is kept as it was entered, with its flag.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from warmhold.record.chain import canonical
from warmhold.record.clock import moment_of

NUMBERS = (
    "skin_c", "axillary_c", "rectal_c", "pulse_per_min", "saturation_pre_percent",
    "saturation_post_percent", "breaths_per_min", "pressure_mean_mmhg", "glucose_mmol_l",
    "air_c", "air_set_c", "heater_percent", "hood_humidity_percent", "oxygen_percent",
    "battery_divisions", "flow_lpm", "oxygen_set_percent",
)  # fmt: skip
WORDS = ("power_source", "vent_text")
GAUGE = "gauge_bar:"  # followed by the name of the cylinder; a number [bar]

HAPPENINGS = (
    "port opened", "port closed", "front opened", "front closed", "power source changed",
    "cylinder changed", "leg started", "leg ended", "delay", "alarm silenced", "note",
)  # fmt: skip
JUDGED = ("good", "care", "stop", "not judged")
SETS = ("regular", "extra", "device")  # device: told by a machine, never a regular set
CORRECTABLE = (
    "trip-started", "check", "observation", "happening", "limits", "handover",
    "round", "bench-test", "task", "fault", "fault-closed", "moment", "facts", "equipment",
    "trend",
)  # fmt: skip
OF_A_UNIT = ("round", "bench-test", "task", "fault", "fault-closed", "profile")
EFFECTS = ("not ready", "with limits")
MOMENTS = (
    "call", "accepted", "vehicle", "departs", "arrives", "ready", "leaves", "at_hospital",
    "at_bed", "handed_over", "at_base", "ready_again",
)  # fmt: skip
FACTS: dict[str, tuple[str, ...]] = {
    "urgency": ("time-critical", "urgent", "planned"),
    "reason": ("medical", "surgical", "cardiac", "neurological"),
    "purpose": ("uplift", "capacity", "back-transfer", "out-patient", "palliative", "other"),
    "wrapped": ("yes", "no"),
    "equipment": ("nothing failed", "something failed"),
}
EQUIPMENT = ("gas", "power", "heat", "monitor", "pump", "vehicle", "other")
HARM = ("none", "trivial", "harm", "unknown")
VERDICTS = ("pass", "fail", "invalid", "cannot tell")  # of a bench test
ROOM = ("pressure_hpa", "room_c", "humidity_percent")
SOURCE_DID = ("joined", "left")
LONGEST_TEXT = 20_000
LARGEST_BODY = 4_000_000  # characters of canonical JSON

Faults = Iterator[str]


def valid_body(kind: str, body: Any) -> tuple[str, ...]:
    """Return every fault of a body; none when it is sound.

    kind : one of `KINDS`
    """
    check = _CHECKS.get(kind) if isinstance(kind, str) else None
    if check is None:
        return (f"kind: found {_show(kind)}; allowed {', '.join(_CHECKS)}",)
    if not isinstance(body, Mapping):
        return (f"body: found {_show(body)}; allowed a table of names and values",)
    try:
        text = canonical(body)
    except (ValueError, RecursionError) as error:
        return (f"body: {error}; allowed only what JSON can hold",)
    if len(text) > LARGEST_BODY:
        return (f"body: {len(text)} characters; allowed up to {LARGEST_BODY}",)
    return tuple(check(body))


def _show(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _keys(body: Mapping[str, Any], needed: tuple[str, ...], others: tuple[str, ...] = ()) -> Faults:
    for key in needed:
        if key not in body:
            yield f"{key}: missing"
    for key in body:
        if key not in needed and key not in others:
            names = ", ".join((*needed, *others)) or "nothing"
            yield f"{_show(key)}: not known here; allowed {names}"


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _number(path: str, value: Any) -> Faults:
    if not _is_number(value):
        yield f"{path}: found {_show(value)}; allowed a number"


def _text(path: str, value: Any, blank: bool = False, longest: int = LONGEST_TEXT) -> Faults:
    if not isinstance(value, str):
        yield f"{path}: found {_show(value)}; allowed text"
    elif not blank and not value.strip():
        yield f"{path}: empty; write something"
    elif len(value) > longest:
        yield f"{path}: {len(value)} characters; allowed up to {longest}"


def _one_of(path: str, value: Any, allowed: tuple[str, ...]) -> Faults:
    if value not in allowed:
        yield f"{path}: found {_show(value)}; allowed {', '.join(allowed)}"


def _moment(path: str, value: Any) -> Faults:
    try:
        moment_of(value)
    except (TypeError, ValueError):
        yield (
            f"{path}: found {_show(value)}; allowed a time with its zone, "
            "such as 2026-01-14T03:05:00Z"
        )


def _plain_value(path: str, value: Any) -> Faults:
    """Check a number, a text or nothing."""
    if value is not None and not _is_number(value):
        yield from _text(path, value, blank=True)


def _given(body: Mapping[str, Any], key: str, check: Callable[..., Faults], *more: Any) -> Faults:
    if key in body:
        yield from check(key, body[key], *more)


def _planned(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("trip_toml", "unit_toml", "policy_toml", "sheet"))
    for key in ("trip_toml", "unit_toml", "policy_toml"):
        yield from _given(body, key, _text, False, LARGEST_BODY)
    if "sheet" in body and not isinstance(body["sheet"], Mapping):
        yield f"sheet: found {_show(body['sheet'])}; allowed the sheet as JSON"


def _started(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ())


def _check(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("item", "done", "value", "judged"), ("reason",))
    yield from _given(body, "item", _text, False, 200)
    yield from _given(body, "value", _plain_value)
    yield from _given(body, "judged", _one_of, JUDGED)
    done, reason = body.get("done"), body.get("reason")
    if "done" in body and not isinstance(done, bool):
        yield f"done: found {_show(done)}; allowed true, false"
    if done is False:
        if reason is None:
            yield "reason: missing; a skipped item needs one"
        else:
            yield from _text("reason", reason)
    elif reason is not None:
        yield from _text("reason", reason, blank=True)


def _quantity(path: str, name: str, value: Any) -> Faults:
    if name in WORDS:
        yield from _text(f"{path}.{name}", value, longest=2000)
    elif name in NUMBERS or (name.startswith(GAUGE) and name[len(GAUGE) :].strip()):
        yield from _number(f"{path}.{name}", value)
    else:
        names = ", ".join((*NUMBERS, *WORDS, f"{GAUGE}NAME"))
        yield f"{path}: found {_show(name)}; allowed {names}"


def _observation(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("values", "set"), ("flags", "source"))
    yield from _given(body, "set", _one_of, SETS)
    yield from _given(body, "source", _text, False, 200)
    if body.get("set") == "device" and "source" not in body:
        yield "source: missing; what a device told says which one"
    values, flags = body.get("values", {}), body.get("flags", {})
    if not isinstance(values, Mapping):
        yield f"values: found {_show(values)}; allowed a table of quantities"
        values = {}
    elif "values" in body and not values:
        yield "values: empty; enter at least one"
    for name, value in values.items():
        yield from _quantity("values", name, value)
    if not isinstance(flags, Mapping):
        yield f"flags: found {_show(flags)}; allowed a table of quantities"
        return
    for name, why in flags.items():
        if name not in values:
            yield f"flags: {_show(name)} has no value in this set"
        yield from _text(f"flags.{name}", why)


def _happening(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("what",), ("detail",))
    yield from _given(body, "what", _one_of, HAPPENINGS)
    detail = body.get("detail")
    if isinstance(detail, Mapping):
        for key, value in detail.items():
            yield from _plain_value(f"detail.{key}", value)
    elif detail is not None:
        yield from _text("detail", detail, blank=True)
    if body.get("what") == "note" and not (detail.strip() if isinstance(detail, str) else detail):
        yield "detail: empty; a note says something"


def _limits(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("limit", "from", "to"))
    yield from _given(body, "limit", _text, False, 200)
    yield from _given(body, "from", _plain_value)
    yield from _given(body, "to", _plain_value)


def _correction(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("corrects", "body"))
    seq, new = body.get("corrects"), body.get("body")
    if "corrects" in body and (not isinstance(seq, int) or isinstance(seq, bool) or seq < 1):
        yield f"corrects: found {_show(seq)}; allowed the number of an entry, from 1"
    if new is not None and not isinstance(new, Mapping):
        yield f"body: found {_show(new)}; allowed the whole new body, or nothing to strike it out"


def _handover(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("to", "at", "texts"))
    yield from _given(body, "to", _text, False, 200)
    yield from _given(body, "at", _moment)
    texts = body.get("texts", {})
    if not isinstance(texts, Mapping):
        yield f"texts: found {_show(texts)}; allowed a table of headings and texts"
        return
    for name, text in texts.items():
        yield from _text(f"texts.{name}", text, blank=True)


def _clock_jump(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("seconds", "before", "after"))
    yield from _given(body, "seconds", _number)
    yield from _given(body, "before", _moment)
    yield from _given(body, "after", _moment)


def _noticed(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("key", "title", "priority", "evidence"))
    for key in ("key", "title"):
        yield from _given(body, key, _text, False, 300)
    yield from _given(body, "priority", _one_of, ("high", "medium", "low"))
    yield from _given(body, "evidence", _text, True)


def _moment_of(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("moment", "at"))
    yield from _given(body, "moment", _one_of, MOMENTS)
    yield from _given(body, "at", _moment)


def _facts(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, (), ("team", *FACTS))
    if not body:
        yield "facts: empty; write at least one"
    yield from _given(body, "team", _text, False, 100)
    for name, allowed in FACTS.items():
        yield from _given(body, name, _one_of, allowed)


def _equipment(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("what", "class", "harm"))
    yield from _given(body, "what", _text, False, 2000)
    yield from _given(body, "class", _one_of, EQUIPMENT)
    yield from _given(body, "harm", _one_of, HARM)


def _access(body: Mapping[str, Any]) -> Faults:
    yield from _keys(body, ("did", "from"))
    yield from _given(body, "did", _text, False, 200)
    yield from _given(body, "from", _text, False, 200)


def _unit(body: Mapping[str, Any], needed: tuple[str, ...], others: tuple[str, ...] = ()) -> Faults:
    """Check what every entry about a unit has: the unit's name in the library."""
    yield from _keys(body, ("unit", *needed), others)
    yield from _given(body, "unit", _text, False, 100)


def _round(body: Mapping[str, Any]) -> Faults:
    yield from _unit(body, ("round", "title", "answers", "signed"))
    for key in ("round", "title", "signed"):
        yield from _given(body, key, _text, False, 200)
    answers = body.get("answers", ())
    if not isinstance(answers, (list, tuple)) or not answers:
        yield f"answers: found {_show(answers)}; allowed a list of answers, at least one"
        return
    for number, answer in enumerate(answers):
        for fault in _answer(answer):
            yield f"answers.{number}: {fault}"


def _answer(answer: Any) -> Faults:
    if not isinstance(answer, Mapping):
        yield f"found {_show(answer)}; allowed a table of names and values"
        return
    yield from _keys(answer, ("item", "title", "value", "judged", "says"), ("reason", "room"))
    for key in ("item", "title"):
        yield from _given(answer, key, _text, False, 200)
    value = answer.get("value")
    if not isinstance(value, bool):
        yield from _given(answer, "value", _plain_value)
    left = value is None or value is False
    if "value" in answer and left and not str(answer.get("reason", "")).strip():
        yield "reason: missing; what is not good or was left out needs one"
    yield from _given(answer, "judged", _one_of, JUDGED)
    yield from _given(answer, "says", _text, True)
    yield from _given(answer, "reason", _text, True)
    room = answer.get("room", {})
    if not isinstance(room, Mapping):
        yield f"room: found {_show(room)}; allowed a table of {', '.join(ROOM)}"
        return
    for name, number in room.items():
        if name not in ROOM:
            yield f"room: {_show(name)} not known; allowed {', '.join(ROOM)}"
        elif number is not None:
            yield from _number(f"room.{name}", number)


def _bench_test(body: Mapping[str, Any]) -> Faults:
    yield from _unit(body, ("results", "log", "signed"), ("profile",))
    for key in ("log", "signed", "profile"):
        yield from _given(body, key, _text, key != "signed", 500)
    results = body.get("results", ())
    if not isinstance(results, (list, tuple)) or not results:
        yield f"results: found {_show(results)}; allowed a list of results, at least one"
        return
    for number, result in enumerate(results):
        if not isinstance(result, Mapping):
            yield f"results.{number}: found {_show(result)}; allowed a table of names and values"
            continue
        for key in ("test", "reason"):
            yield from _given(result, key, _text, key == "reason")
        if result.get("verdict") not in VERDICTS:
            yield f"results.{number}.verdict: found {_show(result.get('verdict'))}; allowed " + (
                ", ".join(VERDICTS)
            )
        if "test" not in result:
            yield f"results.{number}.test: missing"


def _task(body: Mapping[str, Any]) -> Faults:
    yield from _unit(body, ("task", "state", "says"))
    yield from _given(body, "task", _text, False, 100)
    yield from _given(body, "state", _one_of, JUDGED)
    yield from _given(body, "says", _text, True)


def _fault(body: Mapping[str, Any]) -> Faults:
    yield from _unit(body, ("what", "effect"))
    yield from _given(body, "what", _text, False, 2000)
    yield from _given(body, "effect", _one_of, EFFECTS)


def _fault_closed(body: Mapping[str, Any]) -> Faults:
    yield from _unit(body, ("fault", "how"))
    seq = body.get("fault")
    if "fault" in body and (not isinstance(seq, int) or isinstance(seq, bool) or seq < 1):
        yield f"fault: found {_show(seq)}; allowed the number of the entry of the fault, from 1"
    yield from _given(body, "how", _text, False, 2000)


def _profile(body: Mapping[str, Any]) -> Faults:
    yield from _unit(body, ("toml", "from"))
    yield from _given(body, "toml", _text, False, LARGEST_BODY)
    yield from _given(body, "from", _text, True)


def _source(body: Mapping[str, Any]) -> Faults:
    """Check who told, and whether its values go to this trip from now on."""
    yield from _keys(body, ("source", "did"))
    yield from _given(body, "source", _text, False, 200)
    yield from _given(body, "did", _one_of, SOURCE_DID)


def _trend(body: Mapping[str, Any]) -> Faults:
    """Check a recorded trend: rows of one start, a list for each quantity, null where unread."""
    yield from _keys(
        body, ("source", "start", "seconds", "numbers"), ("file", "noticed", "doubtful")
    )
    yield from _given(body, "source", _text, False, 200)
    yield from _given(body, "start", _moment)
    yield from _given(body, "file", _text, True, 500)
    noticed = body.get("noticed", ())
    if not isinstance(noticed, (list, tuple)):
        yield f"noticed: found {_show(noticed)}; allowed a list of texts"
    else:
        for number, one in enumerate(noticed):
            yield from _text(f"noticed.{number}", one)
    seconds, numbers = body.get("seconds", ()), body.get("numbers", {})
    if not isinstance(seconds, (list, tuple)) or not seconds or not all(map(_is_number, seconds)):
        yield f"seconds: found {_show(seconds)}; allowed a list of numbers, at least one"
        return
    if any(after <= before for before, after in itertools.pairwise(seconds)):
        yield "seconds: not strictly rising; each row needs a later moment than the row before"
    if not isinstance(numbers, Mapping) or not numbers:
        yield f"numbers: found {_show(numbers)}; allowed a table of quantities, at least one"
        return
    for name, values in numbers.items():
        if name not in NUMBERS:
            yield f"numbers: found {_show(name)}; allowed {', '.join(NUMBERS)}"
        elif not isinstance(values, (list, tuple)) or len(values) != len(seconds):
            yield f"numbers.{name}: found {_show(values)}; allowed a value or null for each row"
        elif not all(value is None or _is_number(value) for value in values):
            yield f"numbers.{name}: allowed numbers, and null where nothing was read"
    doubtful = body.get("doubtful", {})
    if not isinstance(doubtful, Mapping):
        yield f"doubtful: found {_show(doubtful)}; allowed a table of quantities"
        return
    for name, rows in doubtful.items():
        if name not in numbers:
            yield f"doubtful: {_show(name)} is not among the numbers"
        elif not isinstance(rows, (list, tuple)) or not all(
            isinstance(row, int) and not isinstance(row, bool) and 0 <= row < len(seconds)
            for row in rows
        ):
            yield f"doubtful.{name}: found {_show(rows)}; allowed numbers of rows, from 0"


_CHECKS: dict[str, Callable[[Mapping[str, Any]], Faults]] = {
    "trip-planned": _planned,
    "trip-started": _started,
    "check": _check,
    "observation": _observation,
    "happening": _happening,
    "limits": _limits,
    "correction": _correction,
    "handover": _handover,
    "clock-jump": _clock_jump,
    "access": _access,
    "noticed": _noticed,
    "moment": _moment_of,
    "facts": _facts,
    "equipment": _equipment,
    "round": _round,
    "bench-test": _bench_test,
    "task": _task,
    "fault": _fault,
    "fault-closed": _fault_closed,
    "profile": _profile,
    "source": _source,
    "trend": _trend,
}
KINDS = tuple(_CHECKS)
