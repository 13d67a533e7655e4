"""Whatever is sent to the maker's page, it answers: no 500, no traceback, song.toml in order."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from listening.maker.actions import ACTIONS
from render.song.song import load_song
from tests.maker import MakerPage, maker_page
from tests.songs import make_study

SLOW = frozenset(
    {"begin", "suggest", "ideas", "render", "host", "packet", "own_round"}
)  # tried once, by name
NAMES = [
    "section", "form", "name", "part", "entry", "bar", "bars", "by", "pickup", "title", "tempo", "factor",
    "start", "at_s", "beats", "by_s", "meter", "listener", "prior_listens", "weight", "rounds", "days",
    "index", "which", "first", "last", "times", "mode", "stems",
    "silence", "job", "folder", "idea", "ending", "renew",
    "free_s",
]  # fmt: skip
VALUES = st.one_of(
    st.sampled_from(["verse", "refrain", "twice", "refrain first", "ana", "bo", "1-4", "refrain x2", "4/4"]),
    st.integers(-5, 500), st.floats(allow_nan=True, allow_infinity=True), st.text(max_size=40), st.booleans(),
    st.none(), st.lists(st.integers(0, 9), max_size=3),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)  # fmt: skip


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakerPage]:
    """The page of a small study with stems."""
    with maker_page(
        make_study(tmp_path_factory.mktemp("maker") / "study", stems=("drums", "voice"))
    ) as running:
        yield running


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    action=st.sampled_from(sorted(ACTIONS.keys() - SLOW)),
    args=st.dictionaries(st.sampled_from(NAMES), VALUES, max_size=6),
)
def test_every_action_is_taken_or_refused(page: MakerPage, action: str, args: dict[str, Any]) -> None:
    body = json.dumps({"args": args, "version": page.work.version(), "sheet": "forms", "shown": {}})
    answer = page.ask(
        "POST", f"/api/do/{action}", content=body.encode("utf-8", "surrogatepass"),
        headers={"Content-Type": "application/json"},
    )  # fmt: skip
    assert answer.status_code in (200, 409, 422, 403, 404), (answer.status_code, answer.text)
    load_song(page.folder)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    kind=st.sampled_from(["song", "join", "as-it-was", "step", "x"]),
    asked=st.dictionaries(
        st.sampled_from(["from", "frames", "click", "form", "index"]),
        st.one_of(
            st.integers(-9, 10**15).map(str), st.text(max_size=9), st.sampled_from(["twice", "1", "0"])
        ),
    ),
)
def test_every_sound_is_given_or_refused(page: MakerPage, kind: str, asked: dict[str, str]) -> None:
    answer = page.ask("GET", f"/api/sound/{kind}", params=asked)
    assert answer.status_code in (200, 403, 404, 422), (answer.status_code, answer.text)


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"null", b'{"args": []}', b"\xff\xfe", b'{"args": {}, "shown": 3}', b"{"]
)
@pytest.mark.parametrize("action", sorted(ACTIONS))
def test_bodies_that_are_none(page: MakerPage, action: str, body: bytes) -> None:
    answer = page.ask("POST", f"/api/do/{action}", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422, answer.text
