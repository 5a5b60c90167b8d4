"""Read a trip with its unit and policy, and gather every fault of the three."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ValidationError

from warmhold.model.checks import Values, check_policy, check_rounds, check_trip, check_unit
from warmhold.model.explain import Problem, explain, keys_of
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.locate import KeyPath
from warmhold.model.policy import Policy
from warmhold.model.rounds import Rounds
from warmhold.model.syntax import Source, parse
from warmhold.model.trip import Trip
from warmhold.model.unit import Unit
from warmhold.model.vessels import resolve
from warmhold.model.words import nearest, plain, value_text

Kind = Literal["units", "policies", "trips", "rounds"]

DATA = Path(__file__).resolve().parent.parent / "data"
LARGEST_FILE = 1_000_000  # bytes; a trip file has a few thousand

_Model = TypeVar("_Model", bound=BaseModel)


@dataclass(frozen=True)
class Case:
    """One trip with the unit and the policy that it names."""

    trip: Trip
    unit: Unit
    policy: Policy
    trip_file: str


def shipped(kind: Kind) -> tuple[str, ...]:
    """Return the names of the files that ship with warmhold."""
    return tuple(sorted(path.stem for path in (DATA / kind).glob("*.toml")))


def shipped_path(kind: Kind, name: str) -> Path:
    """Return where a shipped file is.

    Raises ``KeyError`` when no such file ships.
    """
    if name not in shipped(kind):
        raise KeyError(name)
    return DATA / kind / f"{name}.toml"


def template(kind: Literal["trip", "unit", "policy", "rounds"]) -> str:
    """Return the text that a new file starts from; it is valid as it stands."""
    path = {
        "trip": DATA / "templates" / "trip.toml",
        "unit": DATA / "units" / "alder-single.toml",
        "policy": DATA / "policies" / "cautious.toml",
        "rounds": DATA / "rounds" / "usual.toml",
    }[kind]
    return path.read_text("utf-8")


def load_case(path: Path) -> Case:
    """Read one trip file with the unit and policy that it names.

    Raises ``FaultyInput`` with all faults of the three files.
    """
    text = _read(path)
    if isinstance(text, Fault):
        raise FaultyInput((text,))
    return parse_case(text, str(path), path.parent)


def parse_case(text: str, origin: str, folder: Path | None = None) -> Case:
    """Read a trip from text; ``origin`` names it in faults.

    folder : where units and policies that are named by path lie; without it only the names of
        shipped ones are allowed, so that a text from elsewhere opens no file

    Raises ``FaultyInput`` with all faults.
    """
    case, faults = _case(text, origin, folder)
    if case is None:
        raise FaultyInput(faults)
    return case


def parse_unit(text: str, origin: str) -> Unit:
    """Read a unit from text; ``origin`` names it in faults.

    Raises ``FaultyInput`` with all faults.
    """
    return _alone(text, origin, "unit", _unit)


def parse_rounds(text: str, origin: str) -> Rounds:
    """Read a service's rounds from text; ``origin`` names them in faults.

    Raises ``FaultyInput`` with all faults.
    """
    return _alone(text, origin, "rounds", _rounds)


def check_file(path: Path) -> tuple[Fault, ...]:
    """Return every fault of a trip, unit, policy or rounds file.

    Of a trip, also those of the unit and the policy that it names. The kind is told by the keys.
    Bad content never raises.
    """
    text = _read(path)
    if isinstance(text, Fault):
        return (text,)
    source = parse(text, str(path))
    if isinstance(source, Fault):
        return (source,)
    kind = _kind(source.raw)
    if kind == "trip":
        return _case(text, str(path), path.parent)[1]
    if kind == "unit":
        return _unit(source)[1]
    if kind == "policy":
        return _policy(source)[1]
    if kind == "rounds":
        return _rounds(source)[1]
    return (_unlike_any(source),)


def _read(path: Path) -> str | Fault:
    def fault(found: str, todo: str, line: int | None = None) -> Fault:
        return Fault(str(path), line, "", found, "a text file in UTF-8", todo)

    try:
        if path.is_dir():
            return fault("a folder", "name a file")
        if not path.exists():
            return fault("no such file", _look_alike(path))
        if not path.is_file():
            return fault("something that is not a file", "name a file")
        if path.stat().st_size > LARGEST_FILE:
            return fault("a file above 1 MB", "check that this is the file you mean")
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "cannot be opened"
        return fault(f"a file that cannot be read ({reason})", "check its rights")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        todo = "save the file as UTF-8 in the editor"
        if content.startswith((b"\xff\xfe", b"\xfe\xff")):
            todo += "; it looks like UTF-16"
        return fault("bytes that are not UTF-8", todo, line)


def _look_alike(path: Path) -> str:
    others = [other.name for other in sorted(path.parent.glob("*.toml"))[:200]]
    near = nearest(path.name, others)
    return f"there is {near} in that folder" if near else "check the name and the folder"


_MODELS: dict[str, type[BaseModel]] = {
    "trip": Trip, "unit": Unit, "policy": Policy, "rounds": Rounds,
}  # fmt: skip


def _kind(raw: Mapping[str, Any]) -> str | None:
    keys = {name: set(keys_of(model)) for name, model in _MODELS.items()}
    score = {name: len(keys[name] & set(raw)) for name in keys}
    shared = {"format", "name", "battery", "unit", "limits"}  # told apart by the other keys first
    own = {name: len((keys[name] - shared) & set(raw)) for name in keys}
    best = max(keys, key=lambda name: (own[name], score[name]))
    ties = [name for name in keys if (own[name], score[name]) == (own[best], score[best])]
    return best if own[best] > 0 and len(ties) == 1 else None


def _unlike_any(source: Source) -> Fault:
    found = plain(", ".join(list(source.raw)[:5]))[:100]
    return Fault(
        source.file,
        1,
        "",
        f"the keys {found}" if found else "no keys",
        "a trip ([baby], [start], [[leg]]), a unit ([hood]), a policy ([verdict]) or rounds "
        "([[round]])",
        "start from a template: warmhold new",
    )


def _validate(
    model: type[_Model],
    raw: Mapping[str, Any],
    checks: Callable[[Values], Iterator[Problem]],
    context: Mapping[str, Any],
    first: list[Problem] | None = None,
    told: set[KeyPath] | None = None,
) -> tuple[_Model | None, list[Problem]]:
    problems = list(first or ())
    result: _Model | None = None
    try:
        result = model.model_validate(raw, context=dict(context))
    except ValidationError as error:
        found = explain(model, raw, error)
        problems += [one for one in found if one.path not in (told or set())]
    faulty = {one.path for one in problems}
    problems += [one for one in checks(Values(raw, faulty)) if one.path not in faulty]
    return (None if problems else result), problems


def _faults(source: Source, problems: list[Problem]) -> tuple[Fault, ...]:
    faults = [problem.fault(source.file, source.lines) for problem in problems]
    return tuple(sorted(faults, key=lambda fault: (fault.line or 0, fault.key)))


def _unit(source: Source) -> tuple[Unit | None, tuple[Fault, ...]]:
    unit, problems = _validate(Unit, source.raw, check_unit, {})
    return unit, _faults(source, problems)


def _policy(source: Source) -> tuple[Policy | None, tuple[Fault, ...]]:
    policy, problems = _validate(Policy, source.raw, check_policy, {})
    return policy, _faults(source, problems)


def _rounds(source: Source) -> tuple[Rounds | None, tuple[Fault, ...]]:
    rounds, problems = _validate(Rounds, source.raw, check_rounds, {})
    return rounds, _faults(source, problems)


def _alone(
    text: str,
    origin: str,
    kind: str,
    build: Callable[[Source], tuple[_Model | None, tuple[Fault, ...]]],
) -> _Model:
    """Read a file that names no other; raises ``FaultyInput``."""
    source = parse(text, origin)
    if isinstance(source, Fault):
        raise FaultyInput((source,))
    found = _kind(source.raw)
    if found is None:
        raise FaultyInput((_unlike_any(source),))
    if found != kind:
        todo = f"name a {kind} file"
        raise FaultyInput((Fault(origin, 1, "", f"a {found} file", f"a {kind} file", todo),))
    built, faults = build(source)
    if built is None:
        raise FaultyInput(faults)
    return built


def _case(text: str, origin: str, folder: Path | None) -> tuple[Case | None, tuple[Fault, ...]]:
    source = parse(text, origin)
    if isinstance(source, Fault):
        return None, (source,)
    kind = _kind(source.raw)
    if kind != "trip":
        return None, (_not_a_trip(source, kind),)
    raw, problems, told = resolve(source.raw)
    others: list[Fault] = []
    unit = _named(raw, "unit", "units", folder, _unit, problems, others)
    policy = _named(raw, "policy", "policies", folder, _policy, problems, others)
    spread = policy.spread.by_key() if policy is not None else {}
    trip, problems = _validate(
        Trip,
        raw,
        lambda values: check_trip(values, unit),
        {"spread": spread},
        problems,
        told,
    )
    faults = (*_faults(source, problems), *others)
    if trip is None or unit is None or policy is None or faults:
        return None, faults
    return Case(trip, unit, policy, origin), ()


def _not_a_trip(source: Source, kind: str | None) -> Fault:
    if kind is None:
        return _unlike_any(source)
    return Fault(
        source.file, 1, "", f"a {kind} file", "a trip file", f"name the trip that uses this {kind}"
    )


def _named(
    raw: Mapping[str, Any],
    key: str,
    kind: Kind,
    folder: Path | None,
    build: Callable[[Source], tuple[_Model | None, tuple[Fault, ...]]],
    problems: list[Problem],
    others: list[Fault],
) -> _Model | None:
    """Read the unit or policy that a trip names; add what is wrong to the two lists."""
    name = raw.get(key)
    if not isinstance(name, str) or not name.strip():
        return None  # told where the trip's keys are checked
    path = _find(name, kind, folder)
    if path is None:
        names = shipped(kind)
        near = nearest(name, names)
        where = ", or a path beside the trip file, ending in .toml" if folder else ""
        problems.append(
            Problem(
                (key,),
                value_text(name),
                f"a shipped {key} ({', '.join(names)}){where}",
                f'write "{near}"' if near else "check the name",
            )
        )
        return None
    text = _read(path)
    if isinstance(text, Fault):
        problems.append(
            Problem((key,), f"{value_text(name)}: {text.found}", text.allowed, text.todo)
        )
        return None
    source = parse(text, str(path))
    if isinstance(source, Fault):
        others.append(source)
        return None
    if _kind(source.raw) not in {key, None}:
        found = f"{value_text(name)}: a {_kind(source.raw)} file"
        problems.append(Problem((key,), found, f"a {key} file", "check the name"))
        return None
    built, faults = build(source)
    others += faults
    return built


def _find(name: str, kind: Kind, folder: Path | None) -> Path | None:
    if name in shipped(kind):
        return shipped_path(kind, name)
    if folder is not None and (name.endswith(".toml") or "/" in name or "\\" in name):
        return folder / name
    return None
