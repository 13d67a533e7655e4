"""Joins with known faults, each built into an invented song at a known place.

The places are the test's own; loudness is checked against EBU Tech 3341 (2023), table 1, case 1, and the
K-weighting's gain against figures computed from the coefficients printed in ITU-R BS.1770-5.
"""

import re
from dataclasses import asdict, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.audio.splice import Splicer
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out
from render.errors import FormError
from render.joins import measures
from render.joins.finding import JoinFinding
from render.joins.judging import examine
from render.loudness.k_response import k_power
from render.song.forms import parse_part
from render.song.song import Song, load_song

RATE = 48000
BEAT = RATE // 2  # 120 quarter notes a minute
BAR = 4 * BEAT
START = RATE // 4
BARS = 12
TOML = """
[song]
title = "Joins"
audio = "joins.wav"
tempo = 120
start = 0.25
[sections]
"verse" = {{ bars = "1-4" }}
"refrain" = {{ bars = "5-8"{pickup} }}
"bridge" = {{ bars = "9-12" }}
[forms]
"tried" = {parts}
"""


def bar_line(bar: int, beat: float = 0.0) -> int:
    return START + (bar - 1) * BAR + round(beat * BEAT)


def tone(frequency_hz: float, frames: int) -> np.ndarray:
    """A note with three partials, 10 ms rise and fall."""
    t = np.arange(frames) / RATE
    sound = sum(0.5**k * np.sin(2 * np.pi * frequency_hz * (k + 1) * t) for k in range(3))
    ramp = np.minimum(1, np.arange(frames) / (0.01 * RATE))
    return 0.2 * sound * ramp * ramp[::-1]


def click() -> np.ndarray:
    """A hit with its attack in the first millisecond."""
    noise = np.random.default_rng(5).standard_normal(round(0.08 * RATE))
    return 0.3 * noise * np.exp(-np.arange(len(noise)) / (0.015 * RATE))


def band(gain_from_bar_9: float = 1.0) -> np.ndarray:
    """Every beat a hit and a short note, which ends well before the next beat: all cuts are clean."""
    song = _band().copy()
    song[bar_line(9) :] *= gain_from_bar_9
    return song


@lru_cache
def _band() -> np.ndarray:
    song = np.zeros(bar_line(BARS + 1) + RATE // 2)
    for bar in range(1, BARS + 1):
        for beat in range(4):
            at = bar_line(bar, beat)
            pitch = 220.0 * 2 ** ((bar * 5 % 12) / 12)
            song[at : at + round(0.8 * BEAT)] += tone(pitch, round(0.8 * BEAT))
            song[at : at + len(click())] += click()
    return song


def put(song: np.ndarray, at: int, sound: np.ndarray) -> np.ndarray:
    song[at : at + len(sound)] += sound
    return song


def judged(
    folder: Path, sound: np.ndarray, parts: str, pickup: str = "", joining: int | None = None
) -> tuple[list[JoinFinding], Song]:
    soundfile.write(folder / "joins.wav", sound.astype(np.float32), RATE, subtype="FLOAT")
    (folder / "song.toml").write_text(TOML.format(parts=parts, pickup=pickup), encoding="utf-8")
    song = load_song(folder)
    song = replace(song, joining=joining or song.joining)
    timeline = lay_out(song, song.form("tried"))
    splicer = Splicer(timeline, Mixes(song, read_audio(song.audio.path), None), song.lead_in_frames)
    return examine(song, timeline, splicer), song


def test_a_clean_join_is_placed_and_praised(tmp_path: Path) -> None:
    (join, end), _ = judged(tmp_path, band(), '["verse", "bridge bars 1-2"]')
    assert (join.before, join.after, join.bar) == ("verse", "bridge bars 1-2", 5)
    assert join.at_s == join.line_s == pytest.approx(0.25 + 4 * 2.0, abs=1 / RATE)
    assert not join.doubtful and join.reason.startswith("clean") and join.remedy == ""
    assert (end.after, end.bar, end.level_step_lu) == ("the end", 7, None)
    assert not end.doubtful


def test_as_written_has_no_joins(tmp_path: Path) -> None:
    findings, _ = judged(tmp_path, band(), '["verse", "refrain", "bridge"]')
    assert findings == []


def test_a_note_held_over_the_cut_is_found(tmp_path: Path) -> None:
    sound = put(band(), bar_line(4, 3.0) + 600, tone(523.25, 2 * BEAT))
    (join,), _ = judged(tmp_path, sound, '["verse", "bridge"]')
    assert join.held_sound and join.doubtful and "held over the line" in join.reason and join.remedy
    (_top, back, _end), _ = judged(tmp_path, sound, '["bridge", "verse"]')
    assert not back.held_sound


def test_a_note_struck_again_on_the_line_is_not_held(tmp_path: Path) -> None:
    sound = put(band(), bar_line(4, 3.0), tone(523.25, BEAT - 500))
    sound = put(sound, bar_line(5), tone(523.25, BEAT))
    (join,), _ = judged(tmp_path, sound, '["verse", "bridge"]')
    assert not join.held_sound


@pytest.mark.parametrize("beats", [1, 2])
def test_a_forgotten_pickup_is_named_with_its_beats(tmp_path: Path, beats: int) -> None:
    sound = put(band(), bar_line(5, -beats) + 600, tone(523.25, (beats + 1) * BEAT))
    (_top, join, _end), _ = judged(tmp_path, sound, '["bridge", "refrain"]')
    assert join.pickup_forgotten is not None and f"{beats} beat" in join.pickup_forgotten
    assert f"pickup = {beats}" in join.remedy
    (_top, join, _end), _ = judged(tmp_path, sound, '["bridge", "refrain"]', f", pickup = {beats}")
    assert join.pickup_forgotten is None and not join.doubtful
    assert join.at_s == pytest.approx(join.line_s - beats * 0.5, abs=1 / RATE)


def held_before(beats: float) -> np.ndarray:
    """The band, and a note that begins so many beats before the refrain and is held into it."""
    return put(band(), bar_line(5, -beats) + 600, tone(523.25, round((beats + 1) * BEAT)))


def test_a_pickup_that_is_set_already_is_not_called_forgotten(tmp_path: Path) -> None:
    (_top, join, _end), _ = judged(tmp_path, held_before(2), '["bridge", "refrain"]', ", pickup = 1")
    assert "forgotten" not in join.reason and "perhaps too short" in join.reason
    assert join.remedy == 'if it belongs to "refrain", write pickup = 2 instead of 1 in [sections]'


def test_a_pickup_that_a_form_cannot_hold_is_not_just_advised(tmp_path: Path) -> None:
    """The remedy is tried on song.toml: with pickup = 2 it would be refused, and the remedy says so."""
    parts = '["bridge", "silence 1 beat", "refrain"]'
    (_top, _into, join, _end), _ = judged(tmp_path, held_before(2), parts)
    assert join.pickup_forgotten is not None
    assert "no room for it yet" in join.remedy and "silence 1 beat" in join.remedy
    with pytest.raises(FormError, match="silence 1 beat"):
        judged(tmp_path, held_before(2), parts, ", pickup = 2")
    (_top, _into, join, _end), _ = judged(
        tmp_path, held_before(2), '["bridge", "silence 2 beats", "refrain"]'
    )
    assert join.remedy == 'give "refrain" pickup = 2 in [sections]'


@pytest.mark.parametrize(
    ("part", "remedy"),
    [
        ("verse", 'end "verse" a bar earlier (bars 1-3)'),
        ("verse bars 3-4", 'end "verse" a bar earlier (bar 3)'),
        ("verse bars 2-4", 'end "verse" a bar earlier (bars 2-3)'),
        ("verse bars 4", "let the section that it leads to follow, or cut at another bar"),
    ],
)
def test_what_to_do_about_a_stray_pickup_can_be_done(tmp_path: Path, part: str, remedy: str) -> None:
    """There is no bar before a part's only one, and no stem to leave out where none is listed."""
    findings, song = judged(tmp_path, band(), f'["{part}", "bridge"]', ", pickup = 1")
    (join,) = (f for f in findings if f.stray_pickup)
    assert join.remedy == remedy
    for words in re.findall(r"\((bars? .+?)\)", remedy):
        parse_part(f"verse {words}", song.sections, [], "the remedy")


def test_a_pickup_whose_owner_does_not_follow_is_named(tmp_path: Path) -> None:
    (join,), _ = judged(tmp_path, band(), '["verse", "bridge"]', ", pickup = 1")
    assert join.stray_pickup is not None and '"refrain"' in join.stray_pickup and "bars 1-3" in join.remedy


@pytest.mark.parametrize("early_ms", [9, 11, 13])
def test_an_early_hit_is_cut_in_half(tmp_path: Path, early_ms: int) -> None:
    sound = band()
    sound[bar_line(5) - RATE // 50 : bar_line(5) + RATE // 10] = 0
    sound = put(sound, bar_line(5) - early_ms * RATE // 1000, click())
    (_top, join, _end), _ = judged(tmp_path, sound, '["bridge", "refrain"]', joining=2)
    assert join.cut_transient and f"{early_ms} ms ahead" in join.reason


def test_the_old_parts_early_hit_is_cut_in_half(tmp_path: Path) -> None:
    sound = put(band(), bar_line(5) - 9 * RATE // 1000, click())
    (join,), _ = judged(tmp_path, sound, '["verse", "bridge"]', joining=2)
    assert join.cut_transient and "old part 9 ms ahead" in join.reason
    (join,), _ = judged(tmp_path, sound, '["verse", "bridge"]')
    assert not join.cut_transient  # it is not heard at all any more (test_handovers.py)


def test_a_hit_on_the_line_or_after_it_is_whole(tmp_path: Path) -> None:
    for late in (0, 6, 12):
        sound = band()
        sound[bar_line(5) - RATE // 50 : bar_line(5) + RATE // 10] = 0
        sound = put(sound, bar_line(5) + late * RATE // 1000, click())
        (_top, join, _end), _ = judged(tmp_path, sound, '["bridge", "refrain"]')
        assert not join.cut_transient


@pytest.mark.parametrize("gain_db", [-9.0, 4.0, 9.0])
def test_the_level_step_is_the_gain_between_the_parts(tmp_path: Path, gain_db: float) -> None:
    """The bridge repeats the band at another gain: the step across the join is that gain."""
    sound = band(10 ** (gain_db / 20))
    (join, *_), _ = judged(tmp_path, sound, '["verse", "bridge bars 1-4", "verse"]')
    assert join.level_step_lu == pytest.approx(gain_db, abs=1.0)  # pitches differ, so not to the tenth
    quiet, _ = judged(tmp_path, band(), '["verse", "bridge bars 1-4", "verse"]')
    assert quiet[0].level_step_lu is not None and join.level_step_lu is not None
    assert join.level_step_lu - quiet[0].level_step_lu == pytest.approx(gain_db, abs=0.05)


def test_a_level_step_is_said_and_never_doubtful(tmp_path: Path) -> None:
    """Splicing changes no level: against the performed form a step is what the edit was for."""
    sound = band()
    sound[: bar_line(3)] *= 0.3  # the verse begins softly: refrain > verse falls by 10 dB, unlike in the song
    (_top, join, _end), _ = judged(tmp_path, sound, '["refrain", "verse"]')
    assert not join.doubtful and join.severity <= 1
    assert re.fullmatch(r"clean, the level falls by \d+\.\d LU", join.reason)


@pytest.mark.parametrize("struck_too", [False, True])
def test_a_lead_note_held_over_drums_is_found(tmp_path: Path, struck_too: bool) -> None:
    """A lead note held over a line on which the drums strike, at a tenth of the level before it or more."""
    sound = put(band(), bar_line(4, 3.2), 0.5 * tone(659.0, 2 * BEAT))
    if struck_too:
        sound = put(sound, bar_line(5), 2 * click())
    (join,), _ = judged(tmp_path, sound, '["verse", "bridge"]')
    assert join.held_sound and join.doubtful and join.done == "rings over"
    assert "fades away there" in join.reason and 1 <= join.severity < 2
    (join,), _ = judged(tmp_path, sound, '["verse", "bridge"]', joining=2)
    assert "breaks off" in join.reason and join.severity > 2


def test_a_part_that_something_louder_rings_into_is_told(tmp_path: Path) -> None:
    """A loud note that ends where the refrain begins: its end sounds into it wherever the refrain is put."""
    sound = put(band(), bar_line(5, -1), 2 * tone(196.0, BEAT))
    (_top, join, _end), _ = judged(tmp_path, sound, '["bridge", "refrain"]')
    assert join.doubtful and re.search(r"rings into it, \d+ dB louder", join.reason)
    (_top, join, _end), _ = judged(tmp_path, sound, '["bridge", "verse bars 1-2"]')
    assert not join.doubtful


def test_silences_have_no_level_step(tmp_path: Path) -> None:
    findings, _ = judged(tmp_path, band(), '["verse", "silence 1 bar", "bridge"]')
    assert [f.level_step_lu for f in findings] == [None, None]
    assert [f.bar for f in findings] == [5, 6]
    assert not any(f.doubtful for f in findings)


def test_findings_are_json(tmp_path: Path) -> None:
    import json

    (join, *_), _ = judged(tmp_path, band(), '["verse", "bridge"]')
    assert json.loads(json.dumps(asdict(join)))["form"] == "tried"


def test_sample_step_is_the_largest_difference() -> None:
    samples = np.array([[0, 0], [0.1, -0.2], [0.15, 0.25], [0.1, 0.2]], np.float32)
    assert measures.sample_step(samples) == pytest.approx(0.45)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_short_term_loudness_of_the_ebu_tone(rate: int) -> None:
    """EBU Tech 3341 (2023), table 1, case 1: a stereo 1 kHz sine at -23 dBFS reads -23.0 +- 0.1 LUFS."""
    wave = 10 ** (-23 / 20) * np.sin(2 * np.pi * 1000 * np.arange(3 * rate) / rate)
    stereo = np.stack([wave, wave], axis=1).astype(np.float32)
    assert measures.short_term_lufs(stereo, rate) == pytest.approx(-23.0, abs=0.1)


def test_k_weighting_has_the_printed_filters_gain() -> None:
    """Computed from BS.1770-5's printed coefficients at 48 kHz."""
    frequencies = np.array([25.0, 100, 500, 997, 2000, 10000])
    gains_db = 10 * np.log10(k_power(frequencies))
    assert gains_db == pytest.approx([-10.393, -1.134, 0.043, 0.691, 3.071, 4.042], abs=0.002)
