"""What a newcomer reads on the first screens: `new` and `check` with a tempo or a start that is not right."""

from dataclasses import replace
from pathlib import Path

import pytest
import soundfile

from tests.command_line import told
from tests.invented_songs import SONGS, play

RATE = 22050
SONG = replace(next(song for song in SONGS if song.name == "band"), start_s=0.8)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("first")
    soundfile.write(folder / "song.wav", play(SONG, RATE), RATE, subtype="PCM_24")
    return folder


def started(folder: Path, *options: str) -> str:
    (folder / "song.toml").unlink(missing_ok=True)
    return one_line(told(folder, "new", str(folder / "song.wav"), *options, study=False))


def one_line(said: str) -> str:
    return " ".join(said.split())


def edited(folder: Path, old: str, new: str) -> None:
    path = folder / "song.toml"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_a_decimal_comma_is_a_decimal_point(folder: Path) -> None:
    started(folder, "--tempo", "112,0", "--start", "0,8")
    text = (folder / "song.toml").read_text(encoding="utf-8")
    assert "tempo = 112.0 " in text and "start = 0.8 " in text


def test_what_is_no_number_is_answered_with_one(folder: Path) -> None:
    audio = str(folder / "song.wav")
    said = told(folder, "new", audio, "--tempo", "108,0,3", code=2, study=False)
    assert '"108,0,3" is not a number; write it like 108.0' in said


def test_new_ends_with_the_tempo_where_it_does_not_fit(folder: Path) -> None:
    said = started(folder, "--tempo", "108,0")
    assert "but with --tempo 112" in said.split("Next: ")[1]


def test_a_tempo_whose_bars_go_beyond_the_audio_is_named_before_the_bars(folder: Path) -> None:
    started(folder, "--tempo", "112")
    edited(folder, "tempo = 112.0", "tempo = 96.0")
    said = one_line(told(folder, "check", code=1))
    assert said.startswith("Error: tempo 112 (+16) would fit clearly better than 96")
    assert "go beyond the end of the audio" in said


def test_a_section_beyond_the_audio_is_still_named_where_the_tempo_fits(folder: Path) -> None:
    started(folder, "--tempo", "112")
    edited(folder, '{ bars = "53-56" }', '{ bars = "53-99" }')
    assert told(folder, "check", code=1).startswith("Error: sections.")


def test_with_a_wrong_tempo_the_first_note_is_about_it_and_none_about_bars(folder: Path) -> None:
    """Faster than the song, so that its sections end long before the audio."""
    started(folder, "--tempo", "112")
    edited(folder, "tempo = 112.0", "tempo = 125.0")
    said = one_line(told(folder, "check"))
    assert "Note: tempo 112 (-13) would fit clearly better than 125" in said.split("in no section")[0]
    assert said.index("Note: tempo") == said.index("Note: ")
    assert "in no section" not in said and "First mend tempo or start" in said


def test_a_start_one_beat_late_is_named_and_its_joins_are_judged_as_song_toml_has_it(folder: Path) -> None:
    started(folder, "--tempo", "112")
    edited(folder, "start = 0.801", "start = 1.336")
    said = one_line(told(folder, "check"))
    assert "seem to begin 1 beat earlier than start = 1.336 says" in said
    assert "if bar 1 falls at 0.801 s, write start = 0.801" in said
    assert "song.toml is in order but for the notes above" in said
    edited(folder, "start = 1.336", "start = 0.801")
    assert "seem to begin" not in told(folder, "check")
