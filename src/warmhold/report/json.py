"""The sheet as JSON and back.

``{"format": 1, "sheet": {...}}``: keys are the field names of ``plan/sheet.py``, times are ISO
8601 with their offset, a value that is missing, not a number or infinite is ``null``.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import math
import types
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Literal, Union, cast, get_args, get_origin, get_type_hints

from warmhold.plan.sheet import Sheet

FORMAT = 1


class NotASheet(ValueError):
    """The text is no sheet that this version can read; says where and why."""


def dumps(sheet: Sheet) -> str:
    """Write the sheet as JSON text, ending in a newline."""
    body = {"format": FORMAT, "sheet": _plain(sheet)}
    return json.dumps(body, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def loads(text: str) -> Sheet:
    """Read a sheet back. ``null`` where a number must stand becomes NaN, that is "unknown".

    Raises
    ------
    NotASheet
        The text is not JSON, of another format, or has a key or value that does not fit.
    """
    try:
        body = json.loads(text, parse_constant=_refuse)
    except ValueError as error:
        raise NotASheet(f"not JSON: {error}") from error
    if not isinstance(body, dict) or "format" not in body:
        raise NotASheet('no "format" at the top: this is not a warmhold sheet')
    if body["format"] != FORMAT or isinstance(body["format"], bool):
        raise NotASheet(f"format {body['format']!r}: this version reads format {FORMAT}")
    if set(body) != {"format", "sheet"}:
        raise NotASheet('the top must hold "format" and "sheet" and nothing else')
    return cast(Sheet, _typed(body["sheet"], Sheet, "sheet"))


def _refuse(constant: str) -> object:
    raise ValueError(f"{constant} is not allowed, null is")


def _plain(value: object) -> object:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    number = float(cast(float, value))  # also NumPy's own floats
    return number if math.isfinite(number) else None


def _typed(value: object, hint: Any, where: str) -> object:
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        options = get_args(hint)
        if value is None and type(None) in options:
            return None
        (inner,) = (option for option in options if option is not type(None))
        return _typed(value, inner, where)
    if origin is Literal:
        if value not in get_args(hint):
            raise NotASheet(f"{where}: {value!r} is none of {', '.join(get_args(hint))}")
        return value
    if origin is tuple:
        return _tuple(value, get_args(hint), where)
    if dataclasses.is_dataclass(hint):
        return _record(value, cast(type, hint), where)
    return _leaf(value, hint, where)


def _tuple(value: object, inner: tuple[Any, ...], where: str) -> tuple[object, ...]:
    if not isinstance(value, list):
        raise NotASheet(f"{where}: a list must stand here, not {value!r}")
    if len(inner) == 2 and inner[1] is Ellipsis:
        return tuple(_typed(item, inner[0], f"{where}[{i}]") for i, item in enumerate(value))
    if len(value) != len(inner):
        raise NotASheet(f"{where}: {len(inner)} entries must stand here, not {len(value)}")
    return tuple(
        _typed(item, hint, f"{where}[{i}]")
        for i, (item, hint) in enumerate(zip(value, inner, strict=True))
    )


def _record(value: object, kind: type, where: str) -> object:
    if not isinstance(value, Mapping):
        raise NotASheet(f"{where}: an object must stand here, not {value!r}")
    hints = get_type_hints(kind)
    names = {f.name for f in dataclasses.fields(kind)}
    if names != set(value):
        missing = ", ".join(sorted(names - set(value))) or "none"
        extra = ", ".join(sorted(set(value) - names)) or "none"
        raise NotASheet(f"{where}: keys missing: {missing}; keys not known: {extra}")
    return kind(**{name: _typed(value[name], hints[name], f"{where}.{name}") for name in names})


def _leaf(value: object, hint: Any, where: str) -> object:
    if hint is float:
        if value is None:
            return math.nan
        if isinstance(value, int | float) and not isinstance(value, bool):
            with contextlib.suppress(OverflowError):
                return number if math.isfinite(number := float(value)) else math.nan
    elif hint is int:
        if isinstance(value, int) and not isinstance(value, bool):
            return value
    elif hint is bool:
        if isinstance(value, bool):
            return value
    elif hint is str:
        if isinstance(value, str):
            return value
    elif hint is datetime and isinstance(value, str):
        try:
            return datetime.fromisoformat(value)
        except ValueError as error:
            raise NotASheet(f"{where}: {value!r} is no ISO time") from error
    raise NotASheet(f"{where}: {value!r} is not a {hint.__name__}")
