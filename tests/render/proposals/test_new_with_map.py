"""`new` with the map of the song's project, or with cue points in the bounce."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import soundfile
from click.testing import CliRunner, Result

from listening.cli import main
from render.riff import Cue, write_cued_wav
from render.song.song import load_song
from tests.invented_songs import SONGS, play
from tests.smf import map_bytes, marker, meter, tempo

SONG = next(song for song in SONGS if song.name == "band")
RATE = 16_000
NAMES = ["intro", "verse 1", "refrain 1", "verse 2", "refrain 2", "bridge", "refrain 3", "outro"]


def run(*arguments: str, input: str | None = None) -> Result:
    return CliRunner().invoke(main, arguments, input=input)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bounce, and the map of a project in which two bars of count-in come before it."""
    folder = tmp_path_factory.mktemp("project")
    soundfile.write(folder / "band.wav", play(SONG, RATE), RATE, subtype="PCM_24")
    events, bar = [(0, tempo(SONG.tempo)), (0, meter(4, 4))], 2
    for passage in SONG.passages:
        events.append((1920 * bar, marker(passage.name)))
        bar += passage.bars
    (folder / "project.mid").write_bytes(map_bytes(events, end=1920 * bar))
    return folder


@pytest.fixture
def begun(folder: Path, tmp_path: Path) -> Path:
    for path in folder.iterdir():
        shutil.copy(path, tmp_path)
    return tmp_path


def test_the_map_brings_tempo_meter_and_sections(begun: Path) -> None:
    done = run("new", str(begun / "band.wav"), "--map", str(begun / "project.mid"))
    assert done.exit_code == 0, done.output
    assert "tick 0 falls at" in done.output and "bar 1 here is bar 3 of project.mid" in done.output
    song = load_song(begun)
    assert [s.name for s in song.sections] == NAMES
    assert [s.bars for s in song.sections] == [p.bars for p in SONG.passages]
    assert float(song.grid.start_s) == pytest.approx(SONG.start_s, abs=0.01)
    text = (begun / "song.toml").read_text(encoding="utf-8")
    assert 'map = "project.mid"' in text and "\ntempo" not in text
    checked = run("check", "--study", str(begun))
    assert checked.exit_code == 0, checked.output
    assert "bar 1 here is bar 3 of project.mid" in checked.output


def test_where_tick_0_falls_can_be_said(begun: Path) -> None:
    done = run("new", str(begun / "band.wav"), "--map", str(begun / "project.mid"), "--start", "-3.9")
    assert done.exit_code == 0, done.output
    assert float(load_song(begun).grid.start_s) == pytest.approx(-3.9 + 2 * SONG.bar_s, abs=1e-4)


def test_another_songs_map_is_asked_about(begun: Path) -> None:
    (begun / "other.mid").write_bytes(map_bytes([(0, tempo(131.7)), (0, meter(4, 4))]))
    for answer, error in (("n\n", "Nothing was written."), ("", "nobody is here to answer")):
        done = run("new", str(begun / "band.wav"), "--map", str(begun / "other.mid"), input=answer)
        assert "Where the map begins in the audio is not clear" in done.output and "--start" in done.output
        assert error in done.output and "Aborted" not in done.output and done.exit_code == 1
        assert not (begun / "song.toml").exists()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--map", "none.mid"), "there is no map"),
        (("--map", "band.wav"), "is no Standard MIDI File"),
        (("--map", "project.mid", "--tempo", "100"), "a map knows the tempo"),
        (("--map", "project.mid", "--start", "999"), "lies beyond the audio"),
        (("--map", "project.mid", "--start", "nan"), "start nan: it says where tick 0"),
        (("--start", "-1", "--tempo", "100"), "bar 1 begins within the audio"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    begun: Path, monkeypatch: pytest.MonkeyPatch, more: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(begun)
    done = run("new", "band.wav", *more)
    assert done.exit_code == 1 and said in " ".join(done.output.split())
    assert not (begun / "song.toml").exists()


def test_cue_points_of_the_bounce_name_the_sections(begun: Path) -> None:
    """Set by hand: some frames beside the line, and a beat before it where the refrain has a pickup."""
    bar, cues = 0, []
    for passage in SONG.passages:
        early_s = SONG.beat_s if passage.name == "refrain" else 0.0
        cues.append(Cue(round((SONG.start_s + bar * SONG.bar_s - early_s) * RATE) + 3, passage.name))
        bar += passage.bars
    write_cued_wav(begun / "band.wav", cues, begun / "cued.wav")
    done = run("new", str(begun / "cued.wav"), "--tempo", str(SONG.tempo))
    said = " ".join(done.output.split())
    assert done.exit_code == 0 and "sections by the bounce's cue points" in said
    assert '"refrain" stands 1 beat before bar 13' in said and "own names" not in said
    sections = load_song(begun).sections
    assert [s.name for s in sections] == NAMES
    assert [s.pickup_beats for s in sections] == [s.name.startswith("refrain") for s in sections]
