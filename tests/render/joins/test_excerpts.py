"""Excerpts of a join against the render itself, and remedies for it."""

import time
from pathlib import Path

import numpy as np
import pytest

from render.audio.splice import Splicer
from render.audio.stems import Mixes, fit_stems, read_audio
from render.audio.timeline import lay_out
from render.edits.forms import set_form
from render.errors import SongError
from render.joins import remedies
from render.joins.excerpts import as_it_was, join_excerpt
from render.joins.finding import ReplacePart
from render.song.song import Song, load_song, song_from_text
from tests.songs import make_study

RATE = 48000
BAR = 2 * RATE
FORMS = {
    "tried": ["intro", "refrain without drums", "verse bars 1-2", "silence 1 bar", "outro"],
    "early": ["refrain x2", "verse"],
}


@pytest.fixture
def song(tmp_path: Path) -> Song:
    return load_song(make_study(tmp_path, stems=("drums", "voice"), forms=FORMS))


def whole(song: Song, name: str) -> tuple[Splicer, np.ndarray]:
    bounce = read_audio(song.audio.path)
    fit = fit_stems(bounce, song.stems, RATE)
    splicer = Splicer(lay_out(song, song.form(name)), Mixes(song, bounce, fit), song.lead_in_frames + BAR)
    return splicer, np.concatenate([*splicer.blocks()])


@pytest.mark.parametrize("name", ["tried", "early"])
def test_an_excerpt_is_the_render_sample_for_sample(song: Song, name: str) -> None:
    splicer, sound = whole(song, name)
    for index, join in enumerate(splicer.timeline.joins):
        excerpt = join_excerpt(song, song.form(name), index)
        first = splicer.lead + max(join.line - 2 * BAR, splicer.timeline.start)
        assert np.array_equal(excerpt, sound[first : first + len(excerpt)])
        last = splicer.lead + min(join.line + 2 * BAR, splicer.timeline.stop)
        assert len(excerpt) == last - first


def test_as_it_was_is_the_bounce_around_the_old_and_the_new_parts_lines(song: Song) -> None:
    bounce, form = read_audio(song.audio.path), song.form("tried")
    line = song.grid.line_frame
    new = as_it_was(song, form, 0, "new")
    assert new is not None and np.array_equal(new, bounce[line(7) - 2 * BAR : line(7) + 2 * BAR])
    old = as_it_was(song, form, 1, "old")
    assert old is not None and np.array_equal(old, bounce[line(11) - 2 * BAR : line(11) + 2 * BAR])
    assert as_it_was(song, form, 2, "new") is None  # silence follows


def test_a_join_that_is_not_there_is_named(song: Song) -> None:
    with pytest.raises(SongError, match='"tried" has joins 0 to 3, so there is no join 4'):
        join_excerpt(song, song.form("tried"), 4)


def test_an_excerpt_of_a_long_song_comes_at_once(tmp_path: Path) -> None:
    """Well under 0.3 s (the maker's page asks for that), though the song lasts four minutes."""
    forms = {"tried": ["B", "A"]}
    song = load_song(make_study(tmp_path, bars=120, sections={"A": "1-60", "B": "61-120"}, forms=forms))
    join_excerpt(song, song.form("tried"), 0)
    began = time.process_time()
    join_excerpt(song, song.form("tried"), 1)
    assert time.process_time() - began < 0.15


def test_remedies_are_parts_that_song_toml_can_hold(song: Song) -> None:
    text = (song.folder / "song.toml").read_text(encoding="utf-8")
    form = song.form("early")
    earlier = remedies.bar_earlier(song, form, 1)
    assert earlier == ReplacePart(
        "early", 1, "refrain x2", ("refrain", "refrain bars 1-3"), 'end "refrain" a bar earlier (bars 1-3)'
    )
    without = remedies.last_bar_without(song, song.form("tried"), 0, "voice")
    assert without is not None and without.new == ("intro bar 1", "intro bar 2 without voice")
    text = set_form(text, song.folder, "early", [*earlier.new, "verse"])
    text = set_form(text, song.folder, "tried", [*without.new, "outro"])
    again = song_from_text(text, song.folder)
    assert [p.text for p in again.form("early").parts] == ["refrain", "refrain bars 1-3", "verse"]
    assert str(again.form("tried").parts[1].text) == "intro bar 2 without voice"


def test_a_remedy_that_leaves_nothing_is_not_offered(song: Song) -> None:
    form = song.form("tried")
    assert remedies.last_bar_without(song, form, 1, "drums") is None  # it is out already
    assert remedies.last_bar_without(song, form, 1, "voice") is None  # nothing would be left
    assert remedies.bar_earlier(song, form, 3) is None  # a silence
