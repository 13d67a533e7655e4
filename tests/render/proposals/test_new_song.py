"""A first song.toml: what it says is right, and it is in order as it stands."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from render.audio.timeline import lay_out
from render.errors import AudioError, SongError
from render.proposals.new_song import Proposal, propose
from render.song.song import song_from_text
from tests.invented_songs import SONGS, ambient, play
from tests.shortened_bars import without_beats

RATE = 22050
SONG = next(song for song in SONGS if song.name == "band")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("new")
    soundfile.write(folder / 'har"bour-lights_mix 2.wav', play(SONG, RATE), RATE, subtype="PCM_24")
    return folder


def bounce(folder: Path) -> Path:
    return next(folder.glob("*.wav"))


@pytest.mark.parametrize("tempo", [None, 112.0])
def test_the_proposal_is_a_song_in_order(folder: Path, tempo: float | None) -> None:
    proposal = propose(bounce(folder), tempo=tempo)
    assert bool(proposal.question) is (tempo is None)
    song = song_from_text(proposal.text, folder)
    assert float(song.grid.tempo) == pytest.approx(112, abs=0.01)
    assert float(song.grid.start_s) == pytest.approx(SONG.start_s, abs=0.005)
    assert song.last_bar == SONG.bars
    assert [s.first_bar for s in song.sections] == SONG.boundaries[:-1]
    assert len(song.forms) == 3  # "as written" and two to begin with
    for form in song.forms:
        lay_out(song, form)
    assert proposal.lines[-1].startswith("next:")
    assert proposal.text.count("#") > 8


def test_given_tempo_start_and_meter_are_kept(folder: Path) -> None:
    proposal = propose(bounce(folder), tempo=110.5, meter="2/4", start_s=0.75)
    song = tomllib.loads(proposal.text)["song"]
    assert (song["tempo"], song["meter"], song["start"]) == (110.5, "2/4", 0.75)
    assert any("would fit clearly better" in line for line in proposal.lines)


def test_stems_are_listed_and_shifted_ones_commented_out(tmp_path: Path) -> None:
    song = play(SONG, RATE)
    stems = tmp_path / "stems"
    stems.mkdir()
    rng = np.random.default_rng(1)
    part = (0.05 * rng.standard_normal(song.shape)).astype(np.float32)
    soundfile.write(tmp_path / "song.wav", song + part, RATE, subtype="FLOAT")
    soundfile.write(stems / "band.wav", song, RATE, subtype="FLOAT")
    soundfile.write(stems / "noise.wav", np.roll(part, 100, axis=0), RATE, subtype="FLOAT")
    proposal = propose(tmp_path / "song.wav", tempo=112, stems_folder=stems)
    assert tomllib.loads(proposal.text)["stems"] == {"band": "stems/band.wav"}
    assert '# "noise" = "stems/noise.wav"  # sounds 100 frames' in proposal.text
    assert any("100 frames" in line and "later" in line for line in proposal.lines)


def test_hopeless_material_still_gives_a_file_and_says_so(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "ambient.wav", ambient(60, RATE), RATE)
    proposal = propose(tmp_path / "ambient.wav")
    song_from_text(proposal.text, tmp_path)
    text = " ".join(proposal.lines)
    assert "no constant tempo fits" in text and "by ear" in text and "# Careful" in proposal.text


@pytest.mark.parametrize("seconds", [0.5, 3.0, 9.0])
def test_a_tiny_or_silent_bounce_gives_a_file(tmp_path: Path, seconds: float) -> None:
    soundfile.write(tmp_path / "tiny.wav", np.zeros((round(seconds * RATE), 2)), RATE)
    proposal = propose(tmp_path / "tiny.wav")
    assert len(song_from_text(proposal.text, tmp_path).forms) == 3


def test_what_cannot_be_is_refused(folder: Path, tmp_path: Path) -> None:
    for wrong in ({"tempo": 5.0}, {"meter": "4"}, {"start_s": 999.0}):
        with pytest.raises(SongError):
            propose(bounce(folder), **wrong)  # type: ignore[arg-type]
    with pytest.raises(AudioError):
        propose(tmp_path / "nothing.wav")


def test_given_numbers_are_kept_to_the_last_digit(folder: Path) -> None:
    proposal = propose(bounce(folder), tempo=112.0000125, start_s=0.4000625)
    song = song_from_text(proposal.text, folder)
    assert (float(song.grid.tempo), float(song.grid.start_s)) == (112.0000125, 0.4000625)


def written(folder: Path, sound: np.ndarray, **given: Any) -> Proposal:
    soundfile.write(folder / "song.wav", sound, RATE, subtype="PCM_24")
    return propose(folder / "song.wav", **given)


def test_a_doubtful_change_of_meter_stays_in_a_comment_that_says_how_to_hear_it(tmp_path: Path) -> None:
    """The chords of this song never change: hardly anything tells the first beat of a bar."""
    drone = next(song for song in SONGS if song.name == "drone")
    proposal = written(tmp_path, without_beats(drone, 23, 1, RATE), tempo=120)
    assert "changes" not in tomllib.loads(proposal.text)["song"]
    assert '# perhaps: changes = [{ bar = 23, meter = "3/4" }, { bar = 24, meter = "4/4" }]' in proposal.text
    assert "# To hear it: count the beats from 0:44.4, where bar 23 begins" in proposal.text
    assert any("doubtful change of meter" in line for line in proposal.lines)
    as_it_stands = song_from_text(proposal.text, tmp_path)
    assert not as_it_stands.grid.changes


def test_a_clear_change_of_meter_is_written(tmp_path: Path) -> None:
    clear = next(song for song in SONGS if song.name == "quiet change")
    proposal = written(tmp_path, without_beats(clear, 16, 2, RATE), tempo=104)
    assert tomllib.loads(proposal.text)["song"]["changes"][0] == {"bar": 16, "meter": "2/4"}
    assert "the next bar should begin after 2 beats, at 0:36.2" in " ".join(proposal.text.split("\n# "))


def test_with_a_wrong_tempo_no_change_of_meter_is_made_up(tmp_path: Path) -> None:
    """At 3 % too fast the first beat wanders through the bar: six odd bars, were the tempo right."""
    proposal = written(tmp_path, play(SONG, RATE), tempo=115.36)
    assert "changes" not in tomllib.loads(proposal.text)["song"] and "perhaps" not in proposal.text


def test_a_tempo_that_does_not_fit_is_the_next_step(folder: Path) -> None:
    *_, last = propose(bounce(folder), tempo=108).lines
    assert last.startswith("next: the tempo.") and "--tempo 112" in last


def test_a_start_that_does_not_fit_is_the_next_step(folder: Path) -> None:
    *_, last = propose(bounce(folder), tempo=112, start_s=SONG.start_s + SONG.beat_s).lines
    assert last.startswith("next: the start.") and "--start 0.4" in last
