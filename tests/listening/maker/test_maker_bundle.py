"""The whole study as one download: asked for twice while it is sealed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from sessions.bundle_check import check_bundle
from tests.maker import MakerPage, maker_page
from tests.page_study import copied, rendered_short

__all__ = ["rendered_short"]


@pytest.fixture
def page(rendered_short: Path, tmp_path: Path) -> Iterator[MakerPage]:
    study = copied(rendered_short, tmp_path / "study")
    with maker_page(study.folder) as running:
        yield running


def test_a_sealed_study_is_taken_away_when_it_is_asked_for_twice(page: MakerPage, tmp_path: Path) -> None:
    _ = page.study.log
    asked = page.ask("POST", "/api/ticket/bundle", json={})
    assert asked.status_code == 409 and "seed" in asked.json()["text"]
    ticket = page.ask("POST", "/api/ticket/bundle", json={"name": "sealed too"}).json()["ticket"]
    taken = page.client.get(f"/file/{ticket}")
    assert taken.status_code == 200
    (tmp_path / "a.zip").write_bytes(taken.content)
    assert check_bundle(tmp_path / "a.zip").is_whole
