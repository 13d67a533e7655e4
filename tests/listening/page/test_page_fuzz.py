"""The API under requests that its own OpenAPI description allows, and many it does not: never a 500."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis import Case, GenerationMode

from listening.page.server import Endpoint, endpoints
from tests.clocks import SetClock
from tests.openapi import description
from tests.page_api import Bench, Caller, bench
from tests.page_study import EVENING, make_study

EXAMPLES = 15
CALM = settings(
    max_examples=EXAMPLES, deadline=None, database=None, derandomize=True,
    suppress_health_check=list(HealthCheck),
)  # fmt: skip


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    study = make_study(tmp_path_factory.mktemp("fuzz") / "study", SetClock(EVENING))
    with bench(study) as made:
        yield made


@pytest.fixture(scope="module")
def ana(at: Bench) -> Caller:
    return at.caller("ana")


@pytest.fixture(scope="module")
def api(at: Bench) -> list[Endpoint]:
    return endpoints(at.served.app.state.sessions)


def test_the_description_is_of_every_route(at: Bench, api: list[Endpoint]) -> None:
    api_description = description(api)
    described = {(method.upper(), path) for path, item in api_description["paths"].items() for method in item}
    routes = {(e.method, e.path) for e in api}
    assert described == routes and len(routes) == 14
    schemathesis.openapi.from_dict(api_description).validate()


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_no_request_makes_the_server_fail(
    at: Bench, ana: Caller, api: list[Endpoint], mode: GenerationMode
) -> None:
    """Every operation, with data the description allows and with data it does not (schemathesis)."""
    api_description = description(api)
    schema = schemathesis.openapi.from_dict(api_description)
    seen: dict[str, set[int]] = {}
    heard = at.study.log.contents("ana").listens or [ana.hear(at.longest_s())]
    code = getattr(heard[-1], "code", heard[-1])
    for result in schema.get_all_operations():
        operation = result.ok()  # type: ignore[union-attr]  # an Err would fail here

        @CALM
        @given(case=operation.as_strategy(generation_mode=mode), lucky=st.booleans())
        def send(case: Case, lucky: bool) -> None:
            at.ticks.now += 61  # or nobody would be let in after ten requests without a token
            if lucky and "code" in (case.path_parameters or {}):
                case.path_parameters["code"] = code
            if lucky and isinstance(case.body, dict) and "sitting" in case.body:
                case.body["sitting"] = ana.sitting
            try:
                response = case.call(
                    base_url=at.served.base, headers={"Authorization": f"Bearer {ana.token}"}, timeout=60
                )
            except (httpx.InvalidURL, ValueError):
                return  # the client itself cannot send it
            label = f"{case.method} {case.path}"
            seen.setdefault(label, set()).add(response.status_code)
            assert response.status_code < 500, (label, case.body, response.text)
            if case.method.upper() == response.request.method and response.status_code != 405:
                documented = set(api_description["paths"][case.path][case.method.lower()]["responses"])
                assert str(response.status_code) in documented | {"400"}, (label, response.text)

        send()
    assert len(seen) >= 14
    if mode is GenerationMode.POSITIVE:
        good = {label for label, found in seen.items() if 200 in found}
        assert len(good) >= 5, "some requests must be good ones"
