"""From the song's project to the page: tempo, meter and markers of its map."""

from __future__ import annotations

from pathlib import Path

import soundfile

from render.song.song import load_song
from tests.invented_songs import SONGS, play
from tests.maker import maker_page
from tests.smf import map_bytes, marker, meter, tempo


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
        loaded = load_song(tmp_path)
        assert loaded.map is not None and [s.bars for s in loaded.sections] == [p.bars for p in song.passages]
        answer = page.try_("tempo", {"tempo": 100})
        assert answer.status_code == 422 and "comes from the map" in answer.json()["text"]
        refused = page.try_("begin", {"bounce": "band.wav", "map": "../x.mid"})
        assert refused.status_code in (409, 422)
