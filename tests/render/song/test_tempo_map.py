"""Standard MIDI Files as tempo maps, against the specification and two libraries."""

from __future__ import annotations

import io
import itertools
import time
from fractions import Fraction
from pathlib import Path

import mido
import music21
import pretty_midi
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from render.errors import SongError
from render.song.grid import Meter
from render.song.tempo_map import TempoMap, read_tempo_map, tempo_map
from tests.smf import FORMAT_0, FORMAT_1, VARIABLE_LENGTH, map_bytes, marker, meter, smf, tempo

END = bytes.fromhex("00FF2F00")


def refusal(data: bytes) -> str:
    with pytest.raises(SongError) as refused:
        tempo_map(data, "song.mid")
    return str(refused.value)


@pytest.mark.parametrize("number", VARIABLE_LENGTH)
def test_delta_times_of_the_specifications_table(number: int) -> None:
    event = bytes.fromhex(VARIABLE_LENGTH[number]) + bytes.fromhex("FF0601") + b"x" + END
    (found,) = tempo_map(smf(event, division=1000), "x").markers
    assert found.quarters == Fraction(number, 1000)


@pytest.mark.parametrize("data", [FORMAT_0, FORMAT_1])
def test_the_specifications_own_example_file(data: bytes) -> None:
    tempos = tempo_map(data, "x")  # running status, two-byte delta times, four tracks
    assert [(p.quarters, p.us_per_quarter) for p in tempos.tempos] == [(0, 500_000)]
    assert tempos.meters == ((0, Meter(4, 4)),)
    assert tempos.end_quarters == 4
    assert tempos.time_s(tempos.end_quarters) == 2


def test_a_division_of_25_frames_of_40_ticks_counts_milliseconds() -> None:
    # RP-001: "millisecond-based timing ... 25 frames/sec and a resolution of 40 units per frame": E7 28
    events = bytes.fromhex("00FF5103 07A120 8768FF0601") + b"x" + END  # 1000 ticks later
    (found,) = tempo_map(smf(events, division=-6360), "x").markers
    assert found.quarters == 2  # a second at 120 quarters a minute


@pytest.mark.parametrize(
    ("code", "rate"),
    [(24, Fraction(24)), (25, Fraction(25)), (29, Fraction(30_000, 1001)), (30, Fraction(30))],
)
def test_smpte_ticks_are_seconds_whatever_the_tempo(code: int, rate: Fraction) -> None:
    file = mido.MidiFile(type=1, ticks_per_beat=(-code << 8) | 80)
    track = mido.MidiTrack(
        [tempo(100).copy(time=0), tempo(50).copy(time=80 * code), marker("here").copy(time=80)]
    )
    file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    tempos = tempo_map(out.getvalue(), "x")
    assert abs(tempos.time_s(tempos.markers[0].quarters) - (code + 1) / rate) < 1e-8


def test_a_file_by_pretty_midi_has_its_tempos(tmp_path: Path) -> None:
    rng = [97.3, 120.0, 88.5, 151.2, 64.0]
    file = mido.MidiFile(ticks_per_beat=220)
    track = mido.MidiTrack()
    for number in range(60):  # some ten minutes
        track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(rng[number % 5]), time=220 * 17))
    file.tracks.append(track)
    theirs = pretty_midi.PrettyMIDI(midi_file=_saved(file, tmp_path / "in.mid"))
    theirs.time_signature_changes.append(pretty_midi.TimeSignature(7, 8, 0))
    theirs.instruments.append(pretty_midi.Instrument(0))
    theirs.instruments[0].notes.append(pretty_midi.Note(90, 60, 0.0, 600.0))
    theirs.write(str(tmp_path / "song.mid"))
    tempos = read_tempo_map(tmp_path / "song.mid")
    assert tempos.meters == ((0, Meter(7, 8)),)
    times, _ = pretty_midi.PrettyMIDI(str(tmp_path / "song.mid")).get_tempo_changes()
    assert len(times) > 50
    assert [float(point.time_s) for point in tempos.tempos] == pytest.approx(list(times), abs=1e-4)
    assert float(tempos.time_s(tempos.end_quarters)) > 600


def test_a_file_by_music21_has_its_tempos_and_meters(tmp_path: Path) -> None:
    part = music21.stream.Part()
    for number, (count, bpm) in enumerate([("4/4", 96), ("3/4", 120), ("6/8", 144), ("5/4", 71)] * 70):
        bar = music21.stream.Measure(number=number + 1)
        time = music21.meter.TimeSignature(count)
        bar.append(time)
        bar.append(music21.tempo.MetronomeMark(number=bpm))
        bar.append(music21.note.Note("C4", quarterLength=time.barDuration.quarterLength))
        part.append(bar)
    path = part.write("midi", tmp_path / "song.mid")
    tempos = read_tempo_map(path)
    lengths = [Fraction(4), Fraction(3), Fraction(3), Fraction(5)]
    bars = list(tempos.bars(Fraction(sum(lengths) * 70)))
    assert [str(bar.meter) for bar in bars] == ["4/4", "3/4", "6/8", "5/4"] * 70
    assert [two.quarters - one.quarters for one, two in itertools.pairwise(bars)] == (lengths * 70)[:-1]
    assert tempos.time_s(tempos.end_quarters) > 590
    _as_mido(path, tempos)


def test_ticks_to_seconds_are_those_of_mido_over_ten_minutes(tmp_path: Path) -> None:
    ramp = [(480 * beat // 2, tempo(70 + beat % 90 + beat / 40)) for beat in range(2000)]
    path = tmp_path / "ramp.mid"
    path.write_bytes(map_bytes([*ramp, (480 * 1400, marker("last"))]))
    tempos = read_tempo_map(path)
    assert float(tempos.time_s(tempos.end_quarters)) > 600
    assert len(tempos.tempos) == 2000
    _as_mido(path, tempos)


def _as_mido(path: Path, found: TempoMap) -> None:
    """Every event's time as mido plays it, within 0.1 ms."""
    file, now, ticks = mido.MidiFile(path), 0.0, 0
    us = 500_000
    for message in mido.merge_tracks(file.tracks):
        now += mido.tick2second(message.time, file.ticks_per_beat, us)
        ticks += message.time
        assert abs(float(found.time_s(Fraction(ticks, file.ticks_per_beat))) - now) < 1e-4
        us = message.tempo if message.type == "set_tempo" else us
    assert ticks > 0


def _saved(file: mido.MidiFile, path: Path) -> str:
    file.save(path)
    return str(path)


def test_several_tracks_of_tempo_are_read_together() -> None:
    one = bytes.fromhex("00FF5103 07A120") + b"\x8f\x00" + bytes.fromhex("FF5103 0F4240") + END
    two = b"\x83\x60" + bytes.fromhex("FF5103 03D090") + END  # at tick 480, between the other two
    tempos = tempo_map(smf(one, two), "x")
    assert [(p.quarters, p.us_per_quarter) for p in tempos.tempos] == [
        (0, 500_000), (1, 250_000), (4, 1_000_000),
    ]  # fmt: skip


def test_a_time_signature_in_mid_bar_cuts_the_bar_short() -> None:
    tempos = tempo_map(
        map_bytes([(0, meter(4, 4)), (480 * 6, meter(3, 4)), (480 * 12 + 2, meter(4, 4))]), "x"
    )
    bars = list(tempos.bars(Fraction(20)))
    assert [str(bar.meter) for bar in bars] == ["4/4", "2/4", "3/4", "3/4", "4/4", "4/4"]
    assert bars[4].quarters == 12  # two ticks beside the line are meant to be on it


def test_chunks_of_other_kinds_are_passed_over() -> None:
    data = FORMAT_1[:14] + b"ABCD\0\0\0\3xyz" + FORMAT_1[14:]  # RP-001 has them ignored
    assert tempo_map(data, "x") == tempo_map(FORMAT_1, "x")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "song.mid is empty"),
        (b"RIFF0000WAVE", "is no Standard MIDI File"),
        (FORMAT_0[:-9], "is damaged"),
        (FORMAT_0[:11], "is damaged"),
        (smf(END, kind=2), "format 2"),
        (smf(END, division=0), "a division that is none"),
        (smf(END, division=-1), "a division that is none"),
        (smf(bytes.fromhex("00FF5103000000") + END), "0 microseconds a quarter"),
        (smf(bytes.fromhex("00FF580400021808") + END), "0/4 is no time signature"),
        (smf(bytes.fromhex("00FF580404FF1808") + END), "an absurd unit"),
        (smf(b"\xff" * 100_000 + END), "is damaged"),
        (b"MThd" + bytes(9_000_000), "more than 8 MB"),
    ],
)
def test_what_is_no_map_is_refused_in_one_sentence(data: bytes, said: str) -> None:
    message = refusal(data)
    assert said in message and "\n" not in message and message.startswith("song.mid")


def test_there_is_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(SongError, match=r"there is no map .*none\.mid"):
        read_tempo_map(tmp_path / "none.mid")


GARBLED = st.one_of(
    st.binary(max_size=400),
    st.binary(max_size=400).map(lambda events: smf(events + END)),
    st.tuples(st.integers(0, len(FORMAT_1) - 1), st.binary(min_size=1, max_size=8)).map(
        lambda at: FORMAT_1[: at[0]] + at[1] + FORMAT_1[at[0] + len(at[1]) :]
    ),
    st.lists(
        st.tuples(
            st.integers(0, 1 << 28),
            st.one_of(
                st.integers(0, 0xFFFFFF).map(lambda us: mido.MetaMessage("set_tempo", tempo=us)),
                st.builds(meter, st.integers(0, 255), st.sampled_from([1, 2, 4, 8, 64, 128])),
                st.text(max_size=9).map(marker),
            ),
        ),
        max_size=30,
    ).map(lambda events: map_bytes(events)),
)


@settings(max_examples=200, deadline=None)
@given(GARBLED)
def test_no_bytes_lead_to_a_traceback_or_keep_it_busy(data: bytes) -> None:
    began = time.monotonic()
    try:
        tempos = tempo_map(data, "x.mid")
        bars = list(tempos.bars(min(tempos.quarters(Fraction(600)), Fraction(10**7))))
        assert all(two.quarters > one.quarters for one, two in itertools.pairwise(bars))
        assert all(tempos.quarters(tempos.time_s(m.quarters)) == m.quarters for m in tempos.markers)
    except SongError as error:
        assert str(error)
    assert time.monotonic() - began < 20
