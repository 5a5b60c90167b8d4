"""The HTTP interface told to people, out of its own OpenAPI document."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from warmhold.web.access import ROLE_MEANING, user_of
from warmhold.web.interface.openapi import document
from warmhold.web.interface.operations import KEY_HEADER, OPERATIONS, ROOT
from warmhold.web.interface.schemas import MOST
from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service

_REF = "#/components/schemas/"
_CODE = re.compile(r"`([^`]+)`")


@dataclass(frozen=True)
class Told:
    """One field of a request or answer."""

    name: str
    holds: Markup
    says: str
    place: str = ""


@dataclass(frozen=True)
class ToldModel:
    """One model of the document with its fields."""

    name: str
    says: str
    fields: tuple[Told, ...]


@dataclass(frozen=True)
class ToldOperation:
    """One operation of the document."""

    key: str
    method: str
    address: str
    title: str
    says: str
    role: str
    takes: tuple[Told, ...]
    answers: tuple[Told, ...]


def routes(service: Service) -> list[Route]:
    """Return the routes of the interface's own page."""

    def page(request: Request) -> Response:
        written = document()
        return render(
            request, "interface_docs.html", operations=tuple(_operations(written)),
            models=tuple(_models(written)), roles=ROLE_MEANING, root=ROOT, key_header=KEY_HEADER,
            here_at=str(request.base_url).rstrip("/"), code=in_code,
            folder=shlex.quote(str(service.folder)) if user_of(request).may("lead") else "",
        )  # fmt: skip

    def as_json(_request: Request) -> Response:
        return JSONResponse(document())

    return [
        Route("/exchange/interface", page, methods=["GET"]),
        Route("/exchange/interface/openapi.json", as_json, methods=["GET"]),
    ]


def _operations(written: Mapping[str, Any]) -> Iterator[ToldOperation]:
    role_of = {one.key: one.role for one in OPERATIONS}
    for path, methods in written["paths"].items():
        for method, one in methods.items():
            takes = [
                Told(p["name"], holds(p["schema"]), p.get("description", ""), p["in"])
                for p in one.get("parameters", ())
            ]
            if "requestBody" in one:
                schema = one["requestBody"]["content"]["application/json"]["schema"]
                takes.append(Told("", holds(schema), "JSON", "body"))
            key = one["operationId"]
            yield ToldOperation(
                key, method.upper(), f"{ROOT}{path}", one["summary"],
                one["description"].split(" For the role ")[0], role_of.get(key, "look"),
                tuple(takes), tuple(_answers(one["responses"])),
            )  # fmt: skip


def _answers(responses: Mapping[str, Any]) -> Iterator[Told]:
    for status, one in responses.items():
        schema = next(iter(one["content"].values()))["schema"]
        yield Told(status, holds(schema), one["description"])


def _models(written: Mapping[str, Any]) -> Iterator[ToldModel]:
    for name, schema in sorted(written["components"]["schemas"].items()):
        needed = schema.get("required", ())
        fields = [
            Told(
                field, holds(inside), inside.get("description", ""),
                "" if field in needed else "may be left out",
            )
            for field, inside in schema.get("properties", {}).items()
        ]  # fmt: skip
        for pattern, inside in schema.get("patternProperties", {}).items():
            fields.append(Told(f"like {pattern}", holds(inside), "", "may be left out"))
        yield ToldModel(name, schema.get("description", ""), tuple(fields))


def in_code(text: str) -> Markup:
    """Write what stands between backticks as code."""
    return Markup(_CODE.sub(r"<code>\1</code>", str(escape(text))))


def holds(schema: Mapping[str, Any]) -> Markup:
    """Say in words what a schema allows, with links to the models it names."""
    if "$ref" in schema:
        name = str(schema["$ref"]).removeprefix(_REF)
        return Markup('<a href="#model-{}">{}</a>').format(name, name)
    if "anyOf" in schema:
        return Markup(" or ").join(holds(one) for one in schema["anyOf"])
    if "enum" in schema or "const" in schema:
        words = schema.get("enum", [schema.get("const")])
        return Markup(", ").join(Markup("“{}”").format(word) for word in words)
    kind = schema.get("type", "anything")
    if kind == "array":
        return Markup("list of {}").format(holds(schema.get("items", {})))
    if kind == "object" and isinstance(schema.get("additionalProperties"), Mapping):
        return Markup("by name: {}").format(holds(schema["additionalProperties"]))
    word = {"string": "text", "integer": "whole number", "boolean": "true or false"}.get(kind, kind)
    if schema.get("format") == "date-time":
        word = "moment with its zone"
    low, high = schema.get("minimum"), schema.get("maximum")
    if high is not None and high >= MOST:  # an end that no one comes to
        high = None
    if low is not None and high is not None:
        word += f", {low:g} to {high:g}"
    elif low is not None:
        word += f", from {low:g}"
    if "maxLength" in schema:
        word += f", up to {schema['maxLength']} characters"
    if "pattern" in schema:
        return Markup("{} like <code>{}</code>").format(word, schema["pattern"])
    return Markup("{}").format(word)
