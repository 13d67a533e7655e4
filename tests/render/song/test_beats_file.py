"""A live take's beats beside song.toml: what is read, what is refused, and what a render makes of it.

The beats are written here by hand; cuts are checked against the samples of the song.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.errors import SongError
from render.renders.render_forms import render_forms
from render.song.beats_file import read_beats, write_beats
from render.song.song import Song, load_song
from tests.songs import make_study

RATE = 48000


def beats() -> list[float]:
    """48 beats of 12 bars whose tempo sways by 2 %."""
    lengths = 0.5 * (1 + 0.02 * np.sin(np.arange(47) / 5))
    return [round(float(beat), 4) for beat in 0.25 + np.concatenate([[0.0], np.cumsum(lengths)])]


def live(folder: Path, lines: str, **song: object) -> Path:
    study = make_study(folder, forms={"b": ["verse", "outro", "intro"]}, song={"beats": "beats.csv"} | song)
    (study / "beats.csv").write_text(lines)
    return study


def text(times: list[float]) -> str:
    return "time_s\n# a note\n" + "".join(f"{time}\n" for time in times)


def refusal(folder: Path, lines: str, **song: object) -> str:
    with pytest.raises(SongError) as caught:
        load_song(live(folder, lines, **song))
    return str(caught.value)


def test_bars_begin_on_their_beats_and_a_render_cuts_them_whole(tmp_path: Path) -> None:
    study = live(tmp_path, text(beats()))
    song: Song = load_song(study)
    assert [song.grid.line_frame(bar) for bar in (1, 2, 7, 12)] == [
        round(RATE * beats()[4 * n]) for n in (0, 1, 6, 11)
    ]
    manifest = render_forms(song)
    source, _ = soundfile.read(study / "song.wav", dtype="float64", always_2d=True)
    form = next(form for form in manifest.forms if form.name == "b")
    rendered, _ = soundfile.read(study / form.wav, dtype="float64", always_2d=True)
    gain = 10 ** (form.gain_db / 20)
    first, stop = (song.grid.line_frame(bar) for bar in (3, 7))  # the verse, bars 3-6
    top = song.lead_in_frames
    inside = slice(top + 2400, top + stop - first - 2400)
    assert np.abs(rendered[inside] - gain * source[first + 2400 : stop - 2400]).max() < 2e-7


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    write_beats(tmp_path / "beats.csv", beats(), "not sure: 3 to 5 s")
    assert [float(beat) for beat in read_beats(tmp_path / "beats.csv")] == beats()


def test_bar_1_may_begin_on_a_later_beat_and_meters_may_change(tmp_path: Path) -> None:
    times = beats()
    song = load_song(live(tmp_path, text(times), start=times[1], changes=[{"bar": 2, "meter": "3/4"}]))
    assert [song.grid.line_frame(bar) for bar in (1, 2, 3)] == [round(RATE * times[n]) for n in (1, 5, 8)]


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("time_s\n0.25\nhalf past\n", "beats.csv, line 3: 'half past' is no time"),
        ("0.25\n0.75\n0.75\n", "line 3: 0.75 s lies 0.000 s after the beat before it"),
        ("0.25\n0.75\n0.5\n", "line 3: 0.5 s lies -0.250 s after"),
        ("0.25\n9.75\n", "line 2: 9.75 s lies 9.500 s after"),
        ("0.25\nnan\n", "line 2: 'nan' is no time"),
        ("0.25\n1/2\n", "line 2: '1/2' is no time"),
        ("-1\n0.25\n", "line 1: '-1' is no time"),
        ("time_s\n", "holds 0 beats"),
        ("0.25\n0.75\n1.25\n" + "".join(f"{1.75 + n / 2}\n" for n in range(60)), "is it another take's?"),
    ],
)
def test_what_is_no_list_of_beats_is_refused_with_its_line(tmp_path: Path, lines: str, said: str) -> None:
    assert said in refusal(tmp_path, lines)


def test_a_start_beside_the_beats_is_refused_with_the_nearest(tmp_path: Path) -> None:
    assert "0.4 s is no beat of beats.csv (the nearest is 0.25 s)" in refusal(
        tmp_path, text(beats()), start=0.4
    )


def test_a_start_on_the_last_beat_leaves_no_bar(tmp_path: Path) -> None:
    last = beats()[-1]
    assert f"no beats after {last:g} s; give an earlier start" in refusal(tmp_path, text(beats()), start=last)


def test_tempos_beside_beats_and_a_missing_file_are_refused(tmp_path: Path) -> None:
    assert "only meters change" in refusal(tmp_path / "a", text(beats()), changes=[{"bar": 2, "tempo": 90.0}])
    study = live(tmp_path / "b", text(beats()))
    (study / "beats.csv").unlink()
    with pytest.raises(SongError, match=r"there is no file .*beats\.csv"):
        load_song(study)
    (study / "beats.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SongError, match="cannot be read as UTF-8"):
        load_song(study)
