"""Turn what pydantic refuses into faults that say where, what, what is allowed, what to do."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from warmhold.model.base import SPREAD, Between, Cited, Known, Stated
from warmhold.model.fault import Fault
from warmhold.model.locate import KeyPath, line_of
from warmhold.model.words import (
    key_text,
    nearest,
    number_advice,
    other_unit,
    plain,
    range_text,
    unit_of,
    value_text,
)


@dataclass(frozen=True)
class Problem:
    """A fault before it has a file and a line."""

    path: KeyPath
    found: str
    allowed: str
    todo: str

    def fault(self, file: str, lines: Mapping[KeyPath, int]) -> Fault:
        """Place the problem in its file."""
        line = line_of(lines, self.path)
        return Fault(file, 1 if line is None else line, key_text(self.path), *self._texts())

    def _texts(self) -> tuple[str, str, str]:
        return self.found, self.allowed, self.todo


def value_at(raw: Any, path: KeyPath) -> Any:
    """Return what stands at a key path, ``None`` where nothing does."""
    for part in path:
        if isinstance(part, int):
            if not isinstance(raw, tuple) or part >= len(raw):
                return None
        elif not isinstance(raw, Mapping) or part not in raw:
            return None
        raw = raw[part]
    return raw


def keys_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the keys that a table may have in a file, with what they hold."""
    return {
        field.alias or name: field
        for name, field in model.model_fields.items()
        if name != "offset"  # made from ``now``, never written
    }


def _inside(annotation: Any) -> Iterator[Any]:
    yield annotation
    for one in get_args(annotation):
        yield from _inside(one)


def _table_of(field: FieldInfo) -> type[BaseModel] | None:
    for one in _inside(field.annotation):
        if isinstance(one, type) and issubclass(one, BaseModel) and keys_of(one):
            return None if _between(field) is not None else one
    return None


def _between(field: FieldInfo) -> Between | None:
    for one in (*field.metadata, *_inside(field.annotation)):
        if isinstance(one, Between):
            return one
    return None


def _words(field: FieldInfo) -> list[str]:
    return [one for one in _inside(field.annotation) if isinstance(one, str)]


def table_at(model: type[BaseModel], path: KeyPath) -> type[BaseModel] | None:
    """Return the model of the table at a key path."""
    table: type[BaseModel] | None = model
    for part in path:
        if isinstance(part, int):
            continue
        if table is None or part not in keys_of(table):
            return None
        table = _table_of(keys_of(table)[part])
    return table


def _tables(model: type[BaseModel], path: KeyPath = ()) -> Iterator[tuple[KeyPath, list[str]]]:
    keys = keys_of(model)
    yield path, list(keys)
    for key, field in keys.items():
        table = _table_of(field)
        if table is not None:
            yield from _tables(table, (*path, key))


def allowed_at(field: FieldInfo, key: str) -> str:
    """Say what a key may hold."""
    between = _between(field)
    if isinstance(between, Known):
        return (
            "{ value, spread, provenance }, provenance one of measured, manual, published, "
            f"assumed; value {range_text(between, key)}"
        )
    if isinstance(between, Cited):
        return (
            "{ value, mark, source }, mark one of verified, memory, practice, derived, own; "
            f"value {range_text(between, key)}"
        )
    if between is not None:
        return range_text(between, key)
    words = _words(field)
    if words:
        return _one_of(words)
    if field.annotation is bool:
        return "true or false"
    if field.annotation is datetime:
        return "date and time with offset, such as 2026-01-14T02:40:00+00:00"
    if _table_of(field) is not None:
        return "repeated tables" if "tuple" in str(field.annotation) else "a table"
    return "format 1" if key == "format" else "text in quotes"


def _one_of(words: list[str]) -> str:
    return "one of " + ", ".join(f'"{word}"' for word in words)


def explain(
    model: type[BaseModel], raw: Mapping[str, Any], error: ValidationError
) -> list[Problem]:
    """Turn every error of one validation into a problem; one slip makes one problem."""
    errors = [one for one in error.errors(include_url=False) if not _echo(raw, one)]
    missing = {tuple(one["loc"]) for one in errors if one["type"] == "missing"}
    unknown = [_unknown(model, raw, tuple(one["loc"]), missing) for one in errors if _stray(one)]
    problems = [problem for problem, _ in unknown]
    missing -= {meant for _, meant in unknown if meant is not None}
    problems += [_missing(model, path) for path in missing]
    problems += [
        _wrong(model, raw, one) for one in errors if one["type"] != "missing" and not _stray(one)
    ]
    return problems


def _echo(raw: Mapping[str, Any], error: Any) -> bool:
    """Whether a list only counts as short because rows in it have faults, told by themselves."""
    return error["type"] == "too_short" and bool(value_at(raw, tuple(error["loc"])))


def _stray(error: Any) -> bool:
    return bool(error["type"] == "extra_forbidden" or error["loc"][-1:] == ("offset",))


def _unknown(
    model: type[BaseModel], raw: Mapping[str, Any], path: KeyPath, missing: set[KeyPath]
) -> tuple[Problem, KeyPath | None]:
    table = table_at(model, path[:-1])
    if table is None or not isinstance(path[-1], str):
        return _stray_part(model, path, missing)
    key = str(path[-1])
    keys = list(keys_of(table))
    value = value_at(raw, path)
    allowed = "the keys " + ", ".join(keys)

    def problem(todo: str) -> Problem:
        return Problem(path, f"an unknown key, {plain(key)}", allowed, todo)

    turned = other_unit(key, keys, value)
    if turned is not None:
        return problem(turned[1]), (*path[:-1], turned[0])
    near = nearest(key, keys)
    if near is not None:
        there = value_at(raw, (*path[:-1], near))
        if there is None or (isinstance(there, tuple) and isinstance(value, tuple)):
            return problem(f"write {near}"), (*path[:-1], near)
    for place, names in _tables(model):
        if key in names:
            name = f"in [{key_text(place)}]" if place else "at the top, above the first [table]"
            return problem(f"{key} belongs {name}: move it there"), (*place, key)
    if near is not None:
        return problem(f"{near} is there already: remove one of the two"), None
    return problem("remove it, or check the spelling"), None


def _stray_part(
    model: type[BaseModel], path: KeyPath, missing: set[KeyPath]
) -> tuple[Problem, KeyPath | None]:
    between = _between_at(model, path[:-1])
    parts: tuple[str, ...] = ("value", "spread")
    if isinstance(between, Known):
        parts = ("value", "spread", "provenance", "note")
    if isinstance(between, Cited):
        parts = ("value", "mark", "source")
    near = nearest(str(path[-1]), parts)
    meant = (*path[:-1], near) if near is not None else None
    todo = f"write {near}" if meant in missing else "remove it"
    found, allowed = f"an unknown part, {plain(str(path[-1]))}", "the parts " + ", ".join(parts)
    return Problem(path, found, allowed, todo), meant


def _field_at(model: type[BaseModel], path: KeyPath) -> FieldInfo | None:
    path = tuple(part for part in path if isinstance(part, str))
    table = table_at(model, path[:-1])
    return None if table is None or not path else keys_of(table).get(str(path[-1]))


def _between_at(model: type[BaseModel], path: KeyPath) -> Between | None:
    field = _field_at(model, path)
    return None if field is None else _between(field)


def _missing(model: type[BaseModel], path: KeyPath) -> Problem:
    key = str(path[-1])
    if isinstance(path[-1], int):  # one number of a pair
        return Problem(path[:-1], "one number", "two numbers, low and high", "write [low, high]")
    field = _field_at(model, path)
    if field is None:  # a part of a number
        part = {"provenance": "measured, manual, published or assumed", "spread": "from 0"}
        between = _between_at(model, path[:-1])
        todo = f"add {key}"
        if isinstance(between, Stated) and key == "spread":
            todo += ", or write the number alone to take policy's spread"
        part |= {"mark": "verified, memory, practice, derived or own", "source": "text in quotes"}
        return Problem(path, "nothing", part.get(key, "a number"), todo)
    table = _table_of(field)
    if table is not None:
        many = "tuple" in str(field.annotation)
        head = f"[[{key_text(path)}]]" if many else f"[{key_text(path)}]"
        return Problem(path, "nothing", allowed_at(field, key), f"add a table {head}")
    inside = re.sub(r"\[\d+\]$", "", key_text(path[:-1]))
    row = isinstance(path[-2] if len(path) > 1 else None, int)
    where = f" to this [[{inside}]]" if row else f" to [{inside}]" if inside else " at the top"
    return Problem(path, "nothing", allowed_at(field, key), f"add {key} = ...{where}")


def _wrong(model: type[BaseModel], raw: Mapping[str, Any], error: Any) -> Problem:
    path = tuple(error["loc"])
    if path[-1:] == ("value",) and not isinstance(value_at(raw, path[:-1]), Mapping):
        path = path[:-1]
    value = value_at(raw, path)
    found = value_text(value)
    kind = error["type"]
    named = [str(part) for part in path if isinstance(part, str)]
    key = named[-2] if named[-1] in {"value", "spread"} and len(named) > 1 else named[-1]
    between: Between | None = error.get("ctx", {}).get("range")
    field = _field_at(model, path)
    allowed = allowed_at(field, key) if field is not None else ""

    if kind in {"number", "range"} and between is not None:
        if path[-1] == "spread" and between == SPREAD:
            todo = "a spread is one standard deviation, in the unit of the value"
            return Problem(path, found, "0 or more", todo)
        return Problem(path, found, range_text(between, key), number_advice(key, value, between))
    if kind == "wide":
        spread = value_at(raw, (*path, "spread"))
        return Problem(
            (*path, "spread"),
            value_text(spread),
            f"0 to the value itself, {value_text(value_at(raw, (*path, 'value')))}",
            f"the spread is one standard deviation, in {unit_of(key) or 'the same unit'}",
        )
    if kind in {"known", "cited"}:
        return Problem(path, found, allowed, "write the parts in braces")
    if kind == "literal_error":
        words = re.findall(r"'([^']*)'", error["ctx"]["expected"])
        return _wrong_word(path, value, words)
    if kind in {"moment", "offset", "year"}:
        return Problem(path, found, allowed, _moment_advice(kind, value))
    if kind == "bool_type":
        return Problem(path, found, "true or false", _bool_advice(value))
    if kind == "tuple_type":
        if isinstance(value, Mapping):
            head = key_text(path)
            todo = f"write [[{head}]] with double brackets, once for each"
            return Problem(path, f"[{head}]", "repeated tables", todo)
        return Problem(path, found, "a list in brackets", f"write [{found}]")
    if kind == "too_short":
        return Problem(path, found, "at least one", "write at least one")
    if kind in {"missing_tuple", "too_long"}:
        return Problem(path, found, "two numbers, low and high", "write [low, high]")
    if kind in {"model_type", "dict_type", "model_attributes_type"}:
        head = key_text(path)
        if isinstance(value, tuple):
            todo = f"write [{head}] with single brackets, once"
            return Problem(path, f"[[{head}]]", "one table", todo)
        return Problem(path, found, "a table", f"write a table [{head}]")
    if kind in {"text", "string_type", "string_too_short"}:
        todo = "write some words" if isinstance(value, str) else "write it in quotes"
        return Problem(path, found, "1 to 200 printable characters in quotes", todo)
    return Problem(path, found, allowed, str(error["msg"]))


def _wrong_word(path: KeyPath, value: object, words: list[str]) -> Problem:
    if not words:  # the format number
        return Problem(path, value_text(value), "1", "write 1: newer formats are not known here")
    todo = "write one of the words allowed"
    if isinstance(value, str):
        near = nearest(value, words)
        if near is not None:
            todo = f'write "{near}"'
    return Problem(path, value_text(value), _one_of(words), todo)


def _moment_advice(kind: str, value: object) -> str:
    if kind == "year":
        return "check the date"
    if isinstance(value, datetime):
        return f"add the offset from UTC, such as {value.isoformat()}+00:00 (Z for UTC)"
    if isinstance(value, str):
        return "write it without quotes"
    if isinstance(value, date):
        return f"add the time and its offset, such as {value.isoformat()}T02:40:00+00:00"
    if isinstance(value, time):
        return "add the date and the offset"
    return "write date, time and offset"


def _bool_advice(value: object) -> str:
    text = str(value).strip().lower()
    if text in {"true", "yes", "y", "1", "on"}:
        return "write true, without quotes"
    if text in {"false", "no", "n", "0", "off"}:
        return "write false, without quotes"
    return "write true or false, without quotes"
