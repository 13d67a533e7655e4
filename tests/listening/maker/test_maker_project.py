"""From the song's project to the page, and the whole study as one download."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from render.song.song import load_song
from sessions.bundle.checking import check_bundle
from tests.invented_songs import SONGS, play
from tests.maker import MakerPage, maker_page
from tests.page_study import copied, rendered_short
from tests.smf import map_bytes, marker, meter, tempo

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


def test_a_study_begins_with_the_map_of_the_songs_project(tmp_path: Path) -> None:
    song = next(song for song in SONGS if song.name == "band")
    soundfile.write(tmp_path / "band.wav", play(song, 16_000), 16_000, subtype="PCM_24")
    events, bar = [(0, tempo(song.tempo)), (0, meter(4, 4))], 0
    for passage in song.passages:
        events.append((1920 * bar, marker(passage.name)))
        bar += passage.bars
    (tmp_path / "project.mid").write_bytes(map_bytes(events, end=1920 * bar))
    with maker_page(tmp_path) as page:
        done = page.try_("begin", {"bounce": "band.wav", "map": "project.mid"})
        assert done.status_code == 200, done.text
        page.wait("begin")
        found = load_song(tmp_path)
        assert found.map is not None and [s.bars for s in found.sections] == [p.bars for p in song.passages]
        told = page.try_("tempo", {"tempo": 100})
        assert told.status_code == 422 and "comes from the map" in told.json()["text"]
        refused = page.try_("begin", {"bounce": "band.wav", "map": "../x.mid"})
        assert refused.status_code in (409, 422)
