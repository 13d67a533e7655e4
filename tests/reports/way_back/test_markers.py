"""What other programs read: the MIDI map against the SMF's own bytes, the cue points against ffprobe.

Sources: Standard MIDI Files 1.0 (RP-001): header "MThd" of 6 bytes, set tempo FF 51 03 and microseconds
per quarter, time signature FF 58 04 nn dd cc bb, marker FF 06, end of track FF 2F 00; 97 BPM is 618557
microseconds, 09 70 3D in hexadecimal (computed). RIFF/WAVE (1991): `cue ` and `LIST adtl labl`; that
dwSampleOffset counts frames, and the padding to even lengths, are from memory and confirmed by ffprobe.
"""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from render.audio.timeline import lay_out
from render.errors import AudioError
from render.renders.render_forms import render_forms
from render.riff import Cue, write_cued_wav
from render.song.forms import Form, parse_part
from render.song.grid import Change, Meter
from render.song.song import Song, load_song, song_from_text
from render.song.song_map import lay_map
from render.song.tempo_map import tempo_map
from reports.way_back.markers import write_midi
from reports.way_back.package import cues
from tests.smf import map_bytes, meter, tempo
from tests.songs import make_study

RATE = 8000


def make_song(folder: Path, song: str = "tempo = 97.0", sections: str = "", seconds: float = 60) -> Song:
    soundfile.write(folder / "song.wav", np.zeros((round(seconds * RATE), 1), np.float32), RATE)
    sections = sections or '"verse" = { bars = "1-8" }\n"refrain" = { bars = "9-16", pickup = 1 }'
    text = f'[song]\ntitle = "An invented song"\naudio = "song.wav"\n{song}\n[sections]\n{sections}\n'
    return song_from_text(text, folder)


def make_form(song: Song, *parts: str) -> Form:
    return Form("new", tuple(p for text in parts for p in parse_part(text, song.sections, [])))


def read(path: Path) -> list[tuple[Fraction, Fraction, mido.MetaMessage]]:
    """(quarters, seconds, event) from the file, the tempo map followed as the standard says."""
    file = mido.MidiFile(path, charset="utf-8")
    assert (file.type, len(file.tracks)) == (1, 1)
    quarters, seconds, tempo, out = Fraction(0), Fraction(0), 500000, []
    for event in file.tracks[0]:
        step = Fraction(event.time, file.ticks_per_beat)
        quarters, seconds = quarters + step, seconds + step * tempo / 1_000_000
        out.append((quarters, seconds, event))
        tempo = event.tempo if event.type == "set_tempo" else tempo
    return out


def marks(path: Path) -> list[tuple[str, float]]:
    return [(event.text, float(at)) for _, at, event in read(path) if event.type == "marker"]


def test_the_bytes_are_those_of_the_standard(tmp_path: Path) -> None:
    song = make_song(tmp_path)
    write_midi(song, song.forms[0], tmp_path / "map.mid")
    raw = (tmp_path / "map.mid").read_bytes()
    assert raw[:14] == b"MThd" + bytes([0, 0, 0, 6, 0, 1, 0, 1]) + struct.pack(">H", 960)
    assert raw[14:18] == b"MTrk"
    assert struct.unpack(">I", raw[18:22])[0] == len(raw) - 22
    assert bytes.fromhex("FF5103 09703D") in raw
    assert bytes.fromhex("FF5804 04 02 18 08") in raw  # 4/4, 24 clocks a click, 8 thirty-seconds a quarter
    assert bytes.fromhex("FF0605") + b"verse" in raw
    assert raw.endswith(bytes.fromhex("FF2F00"))


def test_a_form_worked_by_hand(tmp_path: Path) -> None:
    """8 + 1 + 8 + 8 bars of 4/4 at 97 BPM: bar n begins 4 * (n - 1) * 60 / 97 s in."""
    song = make_song(tmp_path)
    write_midi(
        song, make_form(song, "refrain bars 2-8", "verse", "silence 1 bar", "refrain"), tmp_path / "a.mid"
    )
    bar = 240 / 97
    want = [("refrain bars 2-8", 0), ("verse", 7), ("silence 1 bar", 15), ("refrain", 16)]
    marks_read = [mark for mark in marks(tmp_path / "a.mid") if mark[0] != "lead-in"]
    lead = marks_read[0][1]
    assert [name for name, _ in marks_read] == [name for name, _ in want]
    for (_, at), (_, bars) in zip(marks_read, want, strict=True):
        assert at - lead == pytest.approx(bars * bar, abs=100e-6)
    end = read(tmp_path / "a.mid")[-1]
    assert float(end[1]) - lead == pytest.approx(24 * bar, abs=100e-6)


def test_tempo_rounding_drifts_as_little_as_computed(tmp_path: Path) -> None:
    """97 BPM in whole microseconds: 0.12 ms in 100 bars (computed)."""
    song = make_song(tmp_path, sections='"all" = { bars = "1-100" }', seconds=250)
    write_midi(song, song.forms[0], tmp_path / "long.mid")
    drift = read(tmp_path / "long.mid")[-1][1] - Fraction(24000, 97)
    assert float(drift) == pytest.approx(0.12e-3, abs=0.01e-3)


def test_the_lead_in_is_a_bar_of_its_own(tmp_path: Path) -> None:
    song = make_song(tmp_path, "tempo = 120.0\nstart = 1.25")
    write_midi(song, song.forms[0], tmp_path / "a.mid")
    assert marks(tmp_path / "a.mid")[:2] == [("lead-in", 0.0), ("verse", 1.25)]
    write_midi(song, song.forms[0], tmp_path / "b.mid", lead_s=Fraction(0))
    assert marks(tmp_path / "b.mid")[0] == ("verse", 0.0)


def test_tempo_and_meter_move_with_their_bars(tmp_path: Path) -> None:
    """By hand: the refrain in 2/4 at 90 (bars of 4/3 s) before the verse in 4/4 at 120 (bars of 2 s)."""
    song = make_song(tmp_path, 'tempo = 120.0\nchanges = [{ bar = 9, tempo = 90.0, meter = "2/4" }]')
    assert song.grid.changes == (Change(9, Fraction(90), Meter(2, 4)),)
    write_midi(song, make_form(song, "refrain bars 2-8", "verse"), tmp_path / "a.mid", lead_s=Fraction(0))
    events = read(tmp_path / "a.mid")
    meters = [(float(q), e.numerator) for q, _, e in events if e.type == "time_signature"]
    assert meters == [(0, 2), (14, 4)]
    tempos = [(float(q), e.tempo) for q, _, e in events if e.type == "set_tempo"]
    assert tempos == [(0, 666667), (14, 500000)]
    assert marks(tmp_path / "a.mid")[1][1] == pytest.approx(7 * 4 / 3, abs=1e-4)


def test_the_ramp_of_a_projects_map_comes_back_bar_by_bar(tmp_path: Path) -> None:
    """A tempo event every half beat in; a tempo a bar out, each part where the timeline has it."""
    song = make_song(tmp_path)
    ramp = [(240 * step, tempo(90 + step / 4)) for step in range(200)]
    tempos = tempo_map(map_bytes([(0, meter(4, 4)), *ramp]), "ramp.mid")
    grid = lay_map(tempos, Path("ramp.mid"), 1, Fraction(0), RATE, song.audio.frames).grid
    assert grid.beats_s
    song = replace(song, grid=grid)
    form = make_form(song, "refrain", "silence 1 bar", "verse bars 3-8", "verse")
    write_midi(song, form, tmp_path / "a.mid", lead_s=Fraction(0))
    for (name, at), part in zip(marks(tmp_path / "a.mid"), lay_out(song, form).parts, strict=True):
        assert name == part.part.text and at == pytest.approx(part.start / RATE, abs=1.5 / RATE)


@pytest.mark.parametrize(
    ("silence", "meters"),
    [
        ("silence 2 beats", [(2, 4)]),
        ("silence 6 beats", [(2, 4)]),  # the whole bar before it is in 4/4 like the verse
        ("silence 0.5 beats", [(1, 8)]),
        ("silence 0.3 beats", [(1, 4)]),  # no meter says it: one beat at a tempo that makes it as long
    ],
)
def test_odd_silences_are_short_bars_of_the_right_length(
    tmp_path: Path, silence: str, meters: list[tuple[int, int]]
) -> None:
    song = make_song(tmp_path, "tempo = 120.0")
    form = make_form(song, "verse", silence, "verse bars 2-8")
    write_midi(song, form, tmp_path / "a.mid", lead_s=Fraction(0))
    events = [e for _, _, e in read(tmp_path / "a.mid") if e.type == "time_signature"]
    assert [(e.numerator, e.denominator) for e in events] == [(4, 4), *meters, (4, 4)]
    length = float(silence.split()[1]) * 0.5
    assert marks(tmp_path / "a.mid")[-1][1] == pytest.approx(16 + length, abs=1e-5)


def test_names_in_any_script_come_back(tmp_path: Path) -> None:
    song = make_song(tmp_path, sections='"припев ☂" = { bars = "1-4" }', seconds=10)
    write_midi(song, song.forms[0], tmp_path / "a.mid", lead_s=Fraction(0))
    assert marks(tmp_path / "a.mid") == [("припев ☂", 0.0)]


# --- cue points ------------------------------------------------------------------------------------


def chunks(raw: bytes) -> list[tuple[bytes, bytes]]:
    """A strict walk: every size right, every odd chunk padded by one zero, nothing left over."""
    assert raw[:4] == b"RIFF"
    assert struct.unpack("<I", raw[4:8])[0] == len(raw) - 8
    assert raw[8:12] == b"WAVE"
    out, at = [], 12
    while at < len(raw):
        name, size = struct.unpack("<4sI", raw[at : at + 8])
        out.append((name, raw[at + 8 : at + 8 + size]))
        assert len(out[-1][1]) == size
        at += 8 + size
        if size % 2:
            assert raw[at : at + 1] == b"\0"
            at += 1
    return out


def cues_of(raw: bytes) -> list[tuple[int, str]]:
    by_name = dict(chunks(raw))
    count = struct.unpack("<I", by_name[b"cue "][:4])[0]
    assert len(by_name[b"cue "]) == 4 + 24 * count
    frames = {}
    for number in range(count):
        name, _, chunk, start, block, frame = struct.unpack_from(
            "<II4sIII", by_name[b"cue "], 4 + 24 * number
        )
        assert (chunk, start, block) == (b"data", 0, 0)
        frames[name] = frame
    listed, at, labels = by_name[b"LIST"], 4, {}
    assert listed[:4] == b"adtl"
    while at < len(listed):
        kind, size, name = struct.unpack_from("<4sII", listed, at)
        text = listed[at + 12 : at + 8 + size]
        assert kind == b"labl"
        assert text.endswith(b"\0")
        labels[name] = text[:-1].decode()
        at += 8 + size + size % 2
    return [(frames[name], labels[name]) for name in sorted(frames)]


CUES = [Cue(0, "intro"), Cue(1000, "verse 1"), Cue(2500, "bridge without bass"), Cue(3999, "припев")]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("channels", [1, 2])
def test_cues_are_added_and_the_audio_stays_byte_for_byte(
    tmp_path: Path, subtype: str, channels: int
) -> None:
    samples = np.random.default_rng(1).uniform(-0.5, 0.5, (4001, channels))
    soundfile.write(tmp_path / "a.wav", samples, 44100, subtype=subtype)
    write_cued_wav(tmp_path / "a.wav", CUES, tmp_path / "b.wav")
    before, after = chunks((tmp_path / "a.wav").read_bytes()), chunks((tmp_path / "b.wav").read_bytes())
    assert after[: len(before)] == before
    assert cues_of((tmp_path / "b.wav").read_bytes()) == [(cue.frame, cue.label) for cue in CUES]
    one, two = soundfile.read(tmp_path / "a.wav"), soundfile.read(tmp_path / "b.wav")
    assert np.array_equal(one[0], two[0])
    assert not list(tmp_path.glob("*.part"))


def test_writing_again_replaces_the_cues_even_in_place(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(5000), 44100)
    write_cued_wav(tmp_path / "a.wav", CUES, tmp_path / "a.wav")
    write_cued_wav(tmp_path / "a.wav", CUES[:2], tmp_path / "a.wav")
    assert cues_of((tmp_path / "a.wav").read_bytes()) == [(0, "intro"), (1000, "verse 1")]


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="needs the ffmpeg package (ffprobe)")
def test_an_independent_reader_finds_the_cues(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((8000, 2)), RATE, subtype="PCM_24")
    write_cued_wav(
        tmp_path / "a.wav", [Cue(0, "intro"), Cue(2000, "verse 1"), Cue(6000, "refrain")], tmp_path / "b.wav"
    )
    command = ["ffprobe", "-v", "error", "-show_chapters", "-of", "json", str(tmp_path / "b.wav")]
    chapters = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)[
        "chapters"
    ]
    assert [(float(c["start_time"]), c["tags"]["title"]) for c in chapters] == [
        (0.0, "intro"), (0.25, "verse 1"), (0.75, "refrain")
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"fLaC" + bytes(40), "no WAV file"),
        (b"RIFF" + struct.pack("<I", 36) + b"WAVEfmt " + struct.pack("<I", 900) + bytes(8), "cut short"),
        (b"RIFF" + struct.pack("<I", 4) + b"WAVE", 'no "fmt "'),
    ],
)
def test_what_is_no_wav_is_refused_and_nothing_is_left(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "a.wav").write_bytes(content)
    with pytest.raises(AudioError, match=says):
        write_cued_wav(tmp_path / "a.wav", CUES, tmp_path / "b.wav")
    assert [path.name for path in tmp_path.iterdir()] == ["a.wav"]


def test_a_cue_beyond_the_audio_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(100), RATE)
    with pytest.raises(AudioError, match=r'"late" lies at frame 101, but the audio has 100 frames'):
        write_cued_wav(tmp_path / "a.wav", [Cue(101, "late")], tmp_path / "b.wav")


def test_part_cues_lie_at_the_parts_of_the_render(tmp_path: Path) -> None:
    """By hand: bar 1 at 1.25 s in every render; eight bars of 2 s, then one of silence."""
    sections = {"verse": "1-8", "refrain": {"bars": "9-16", "pickup": 1}}
    forms = {"new": ["refrain", "silence 1 bar", "verse"]}
    study = make_study(tmp_path, rate=RATE, channels=1, bars=16, start=1.25, sections=sections, forms=forms)
    _, render = render_forms(load_song(study)).forms
    assert cues(render, RATE) == [
        Cue(10000, "refrain"), Cue(10000 + 16 * RATE, "silence 1 bar"), Cue(10000 + 18 * RATE, "verse")
    ]  # fmt: skip
