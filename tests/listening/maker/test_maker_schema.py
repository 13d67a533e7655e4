"""The maker's page under requests that a description of its API allows, and many it does not: never a 500."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import Case, GenerationMode

from listening.maker.actions import ACTIONS
from listening.maker.html import SHEETS
from listening.maker.uploads import KINDS
from render.song.song import load_song
from tests.maker import MakerPage, maker_page
from tests.songs import make_study

CALM = settings(
    max_examples=25, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
LONG = {
    "begin",
    "suggest",
    "ideas",
    "render",
    "host",
    "packet",
    "own_round",
}  # jobs, tried elsewhere
ANSWERS = {str(status): {"description": ""} for status in (200, 400, 401, 403, 404, 405, 409, 413, 415, 422)}


def named(name: str, values: list[str], where: str = "path") -> dict[str, Any]:
    schema = {"type": "string", "enum": values}
    return {"name": name, "in": where, "required": where == "path", "schema": schema}


def whole(name: str, most: int) -> dict[str, Any]:
    return {"name": name, "in": "query", "schema": {"type": "integer", "minimum": 0, "maximum": most}}


def asked(properties: dict[str, Any]) -> dict[str, Any]:
    schema = {"type": "object", "properties": properties}
    return {"required": True, "content": {"application/json": {"schema": schema}}}


def described() -> dict[str, Any]:
    """The API in OpenAPI 3.1: a closed list of sheets, actions, sounds and kinds of file."""
    text, anything = {"type": "string"}, {"type": "object"}
    action = {"args": anything, "version": text, "sheet": text, "shown": {"type": "object"}}
    sound = [named("kind", ["song", "join", "as-it-was"]), named("form", ["twice", "refrain first"], "query"),
             whole("from", 2_000_000), whole("frames", 40_000), whole("index", 9),
             named("click", ["0", "1"], "query")]  # fmt: skip
    upload = {"required": True, "content": {"application/octet-stream": {"schema": {"type": "string"}}}}
    actions = named("action", sorted(ACTIONS.keys() - LONG))
    tickets = named("what", ["report", "packet", "way-back"])
    files = [named("kind", sorted(KINDS)), named("name", ["a.wav", "a.mid", "a.json"], "query")]
    operations: dict[str, dict[str, Any]] = {
        "/api/sheet/{name}": {"get": {"parameters": [named("name", [*SHEETS, "first"])]}},
        "/api/pulse": {"get": {}},
        "/api/enter": {"post": {"requestBody": asked({"key": text})}},
        "/api/key": {"post": {"requestBody": asked({})}},
        "/api/do/{action}": {"post": {"parameters": [actions], "requestBody": asked(action)}},
        "/api/sound/{kind}": {"get": {"parameters": sound}},
        "/api/ticket/{what}": {"post": {"parameters": [tickets], "requestBody": asked({"name": text})}},
        "/api/upload/{kind}": {"put": {"parameters": files, "requestBody": upload}},
    }
    for item in operations.values():
        for operation in item.values():
            operation["responses"] = ANSWERS
    return {"openapi": "3.1.0", "info": {"title": "maker", "version": "1"}, "paths": operations}


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakerPage]:
    """The page of a small study with stems."""
    folder = make_study(tmp_path_factory.mktemp("schema") / "study", stems=("drums", "voice"))
    with maker_page(folder) as running:
        yield running


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_no_request_makes_the_page_fail(page: MakerPage, mode: GenerationMode) -> None:
    seen: dict[str, set[int]] = {}
    for result in schemathesis.openapi.from_dict(described()).get_all_operations():
        operation = result.ok()  # type: ignore[union-attr]  # an Err would fail here
        if mode is GenerationMode.NEGATIVE and operation.path == "/api/pulse":
            continue  # it takes nothing that could be wrong

        @CALM
        @given(case=operation.as_strategy(generation_mode=mode))
        def send(case: Case) -> None:
            if case.path_parameters and case.path_parameters.get("action") in LONG:
                return
            try:
                answer = case.call(
                    base_url=page.base, headers={"Authorization": f"Bearer {page.token}"}, timeout=60
                )
            except (httpx.InvalidURL, ValueError):
                return  # the client itself cannot send it
            seen.setdefault(f"{case.method} {case.path}", set()).add(answer.status_code)
            assert answer.status_code < 500, (case.method, case.path, case.body, answer.text)

        send()
        load_song(page.folder)
    assert len(seen) >= 7
    if mode is GenerationMode.POSITIVE:
        for action in sorted(ACTIONS.keys() - LONG):  # what is drawn may leave out those that ask for nothing
            answer = page.try_(action)
            seen["POST /api/do/{action}"].add(answer.status_code)
            assert answer.status_code < 500, (action, answer.text)
        assert sum(200 in codes for codes in seen.values()) >= 5, seen
