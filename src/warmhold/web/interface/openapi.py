"""The OpenAPI 3.1 document, made from the operations and the models that check them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from http import HTTPStatus
from typing import Any, Final

from pydantic import BaseModel
from pydantic.json_schema import JsonSchemaMode, models_json_schema

from warmhold import __version__
from warmhold.plan.sheet import CAUTIONS
from warmhold.web.access import ROLE_MEANING
from warmhold.web.interface.operations import (
    KEY_HEADER,
    KEY_PATTERN,
    OPERATIONS,
    PATHS,
    ROOT,
    Operation,
)
from warmhold.web.interface.problems import MEDIA, TITLES, ProblemOut

ADDRESS: Final = "/openapi.json"
ALWAYS: Final = (401, 422, 429, 500, 503)
_REF: Final = "#/components/schemas/{model}"


@lru_cache(maxsize=1)
def document() -> dict[str, Any]:
    """Return the document; not to be changed."""
    outs, ins = _models()
    wanted: list[tuple[type[BaseModel], JsonSchemaMode]] = []
    wanted += [(one, "serialization") for one in outs]
    wanted += [(one, "validation") for one in ins]
    refs, defined = models_json_schema(wanted, ref_template=_REF)
    paths: dict[str, dict[str, Any]] = {
        ADDRESS: {
            "get": {
                "operationId": "document",
                "summary": "This document",
                "description": "OpenAPI 3.1, made from what checks the requests and answers.",
                "responses": {
                    "200": {
                        "description": "the document",
                        "content": {"application/json": {"schema": {"type": "object"}}},
                    },
                    **_problems(ALWAYS),
                },
            }
        }
    }
    for one in OPERATIONS:
        paths.setdefault(one.path, {})[one.method.lower()] = _operation(one, refs)
    made = {
        "openapi": "3.1.0",
        "info": {
            "title": "warmhold",
            "version": __version__,
            "description": _ABOUT,
        },
        "servers": [{"url": ROOT}],
        "security": [{"token": []}],
        "paths": paths,
        "components": {
            "schemas": defined["$defs"],
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "made with `warmhold exchange token add NAME --role ROLE`",
                }
            },
        },
    }
    names = {name: name.removesuffix("Out") for name in defined["$defs"]}
    if len(set(names.values())) != len(names):
        raise AssertionError("two models would have one name in the document")
    return dict(_renamed(made, {_REF.format(model=old): new for old, new in names.items()}, names))


def _renamed(given: Any, refs: Mapping[str, str], names: Mapping[str, str]) -> Any:
    """Write the models' names as the document has them."""
    if isinstance(given, Mapping):
        found = {}
        for key, inside in given.items():
            part = inside
            if key == "schemas":
                part = {names[name]: schema for name, schema in inside.items()}
            found[key] = (
                _REF.format(model=refs[part]) if key == "$ref" else _renamed(part, refs, names)
            )
        return found
    if isinstance(given, list | tuple):
        return [_renamed(inside, refs, names) for inside in given]
    return given


_ABOUT = (
    " ".join(CAUTIONS) + " Times are ISO 8601 in UTC; `local_offset` is that of the trip's own "
    "clock. A value that is null is unknown, and `unknown` of the same object says why. Every "
    "answer carries `cautions`, to be shown beside whatever is shown of it."
)


def _models() -> tuple[list[type[BaseModel]], list[type[BaseModel]]]:
    outs: list[type[BaseModel]] = list(dict.fromkeys(one.answer for one in OPERATIONS))
    ins: list[type[BaseModel]] = list(
        dict.fromkeys(one.body for one in OPERATIONS if one.body is not None)
    )
    return [*outs, ProblemOut], ins


def _operation(one: Operation, refs: Mapping[Any, Any]) -> dict[str, Any]:
    written: dict[str, Any] = {
        "operationId": one.key,
        "summary": one.title,
        "description": f"{one.says} For the role {one.role} and above: {ROLE_MEANING[one.role]}.",
        "parameters": _parameters(one),
        "responses": {
            str(one.status): {
                "description": HTTPStatus(one.status).phrase,
                "content": {"application/json": {"schema": refs[one.answer, "serialization"]}},
            },
            **_problems((*ALWAYS, *one.problems, *((403,) if one.role != "look" else ()))),
        },
    }
    if one.body is not None:
        written["requestBody"] = {
            "required": True,
            "content": {"application/json": {"schema": refs[one.body, "validation"]}},
        }
    if not written["parameters"]:
        del written["parameters"]
    return written


def _problems(statuses: tuple[int, ...]) -> dict[str, Any]:
    return {
        str(status): {
            "description": TITLES[status][2],
            "content": {MEDIA: {"schema": {"$ref": _REF.format(model="ProblemOut")}}},
        }
        for status in sorted(set(statuses))
    }


def _parameters(one: Operation) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for name, (pattern, says) in PATHS.items():
        if f"{{{name}}}" in one.path:
            found.append(
                {
                    "name": name, "in": "path", "required": True, "description": says,
                    "schema": {"type": "string", "pattern": pattern},
                }
            )  # fmt: skip
    if one.body is not None:
        found.append(
            {
                "name": KEY_HEADER, "in": "header", "required": True,
                "description": "a random key of this entry, made once and sent again with every "
                "repeat",
                "schema": {"type": "string", "pattern": KEY_PATTERN},
            }
        )  # fmt: skip
    schema = one.query.model_json_schema(mode="validation")
    for name, field in schema.get("properties", {}).items():
        found.append(
            {
                "name": name, "in": "query", "required": False,
                "description": field.pop("description", ""), "schema": _without_null(field),
            }
        )  # fmt: skip
    return found


def _without_null(schema: dict[str, Any]) -> dict[str, Any]:
    """Write a parameter that may be left out: an address holds no null."""
    inner = [one for one in schema.get("anyOf", ()) if one.get("type") != "null"]
    kept = dict(inner[0]) if len(inner) == 1 else {**schema}
    kept.pop("title", None)
    if kept.get("default", "") is None:
        del kept["default"]
    return kept
