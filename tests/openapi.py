"""The API as an OpenAPI 3.1 description, for whoever tests it. It is not served."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from listening.page.messages import Trouble
from listening.page.server import ZONE_HEADER, Endpoint
from listening.page.sound import KIND

_REF = "#/components/schemas/{model}"
_REFUSALS = {
    401: "The token is unknown", 403: "No listener any more", 404: "It is not there",
    409: "It is not its time", 413: "The body is too large", 415: "The body is not JSON",
    422: "The body has another shape", 503: "The study is being changed",
}  # fmt: skip


def description(endpoints: Iterable[Endpoint]) -> dict[str, Any]:
    """The description of these endpoints."""
    table = list(endpoints)
    models: list[type[BaseModel]] = [Trouble]
    models += [m for e in table for m in (e.asked, e.answer) if m is not None]
    _, schemas = models_json_schema([(m, "validation") for m in dict.fromkeys(models)], ref_template=_REF)
    paths: dict[str, dict[str, Any]] = {}
    for endpoint in table:
        paths.setdefault(endpoint.path, {})[endpoint.method.lower()] = _operation(endpoint)
    return {
        "openapi": "3.1.0",
        "info": {"title": "fairhearing: the listening page", "version": "1"},
        "paths": paths,
        "components": {
            "schemas": schemas["$defs"],
            "securitySchemes": {"link": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{"link": []}],
    }


def _operation(endpoint: Endpoint) -> dict[str, Any]:
    content: dict[str, Any] = {KIND: {"schema": {"type": "string", "format": "binary"}}}
    if endpoint.answer is not None:
        content = _json(endpoint.answer)
    summary = (endpoint.does.__doc__ or "").strip().partition("\n")[0]
    responses: dict[str, Any] = {"200": {"description": summary, "content": content}}
    if endpoint.answer is None:
        responses |= {"206": {"description": "A part of it"}, "416": {"description": "No such part"}}
    for status, says in _REFUSALS.items():
        responses[str(status)] = {"description": says, "content": _json(Trouble)}
    operation: dict[str, Any] = {
        "summary": summary,
        "parameters": [_path(name) for name in re.findall(r"{(\w+)}", endpoint.path)] + [_zone()],
        "responses": responses,
    }
    if endpoint.asked is not None:
        operation["requestBody"] = {"required": True, "content": _json(endpoint.asked)}
    return operation


def _json(model: type[BaseModel]) -> dict[str, Any]:
    return {"application/json": {"schema": {"$ref": _REF.format(model=model.__name__)}}}


def _path(name: str) -> dict[str, Any]:
    schema: dict[str, Any] = {"type": "string", "minLength": 1}
    if name == "code":
        schema = {"type": "integer", "minimum": 100, "maximum": 999_999_999}
    return {"name": name, "in": "path", "required": True, "schema": schema}


def _zone() -> dict[str, Any]:
    says = "The listener's time zone in minutes east of UTC; their clock's time is never asked for."
    return {"name": ZONE_HEADER, "in": "header", "description": says, "schema": {"type": "integer"}}
