"""Joins at which sounds ring over (versions 3 to 6 of joining), on sounds whose parts are known.

Constant power is the law a^2 + b^2 + 2abr = 1 of the design (test_splice.py), heard here as noise; bars,
beats and notes lie at places of the test's own.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.audio.handover import BEFORE_S, EARLY_S, LONGEST_FALL_S, fall_frames, handover
from render.audio.splice import Splicer
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out
from render.song.song import NEWEST_JOINING, Song, load_song
from tests.songs import make_song

RATE = 48000
BAR, LEAD_IN = 96000, 12000
EARLY, FALL = round(EARLY_S * RATE), fall_frames(0.075, RATE)
LONGEST_FALL = fall_frames(LONGEST_FALL_S, RATE)
CUT = LEAD_IN + 4 * BAR  # where the form "verse, outro" changes over


def line(bar: int) -> int:
    return LEAD_IN + (bar - 1) * BAR


def spliced(song: Song, joining: int) -> np.ndarray:
    song = replace(song, joining=joining)
    with Mixes(song, read_audio(song.audio.path), None) as mixes:
        return Splicer(lay_out(song, song.form("tried")), mixes, LEAD_IN).read(-LEAD_IN, 6 * BAR)


def song_of(folder: Path, audio: np.ndarray, **options: object) -> Song:
    forms = {"tried": {"parts": ["verse", "outro"], "ending": "cut"}}
    return make_song(folder, **{"audio": audio.astype(np.float32), "forms": forms, **options})


def tone(frames: int, hertz: float = 330.0) -> np.ndarray:
    return 0.1 * np.sin(2 * np.pi * hertz * np.arange(frames) / RATE)[:, None]


def hit(seed: int = 5) -> np.ndarray:
    frames = RATE // 20
    noise = np.random.default_rng(seed).standard_normal((frames, 1))
    return 0.3 * noise * np.exp(-np.arange(frames) / (0.01 * RATE))[:, None]


def level_db(sound: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(sound.astype(np.float64) ** 2) + 1e-20))


@pytest.mark.parametrize("early_ms", [0, 6, 14, 20])
def test_a_new_attack_is_whole_though_it_comes_early(tmp_path: Path, early_ms: int) -> None:
    """What is heard beside the old part's held note is the hit, from its first sample on, within -20 dB."""
    audio = np.zeros((line(13), 1))
    audio[line(6) : line(7) + BAR] = tone(line(7) + BAR - line(6))
    early = early_ms * RATE // 1000
    audio[line(11) - early :][: RATE // 20] += hit()
    out = spliced(song_of(tmp_path, audio), 3)
    attack = out[CUT - early :][: 3 * RATE // 1000] - tone(2 * BAR)[BAR - early :][: 3 * RATE // 1000]
    assert level_db(attack - hit()[: len(attack)]) < level_db(hit()[: len(attack)]) - 20


@pytest.mark.parametrize("early_ms", [0, 9, 18])
def test_the_old_parts_next_attack_is_never_heard(tmp_path: Path, early_ms: int) -> None:
    audio = np.zeros((line(13), 1))
    audio[line(7) - early_ms * RATE // 1000 :][: RATE // 20] = hit()
    assert level_db(spliced(song_of(tmp_path, audio), 3)) < -90


def test_what_the_old_part_holds_rings_on_as_recorded_until_its_next_attack(tmp_path: Path) -> None:
    """A vibrato, which no prediction follows, goes on under the fall; the hit 150 ms later is not heard."""
    audio = np.zeros((line(13), 1))
    t = np.arange(3 * BAR) / RATE
    vibrato = 0.1 * np.sin(2 * np.pi * 440 * t + 9 * np.sin(2 * np.pi * 5 * t))[:, None]
    audio[line(6) :][: len(vibrato)] = vibrato
    audio[line(7) + RATE * 150 // 1000 :][: RATE // 20] += hit()
    out = spliced(song_of(tmp_path, audio), 3)[CUT:]
    rings = round(0.14 * RATE)
    fall = np.exp(-np.arange(rings) / RATE / 0.075)[:, None]
    assert np.abs(out[:rings] - vibrato[BAR:][:rings] * fall).max() < 1e-5
    assert np.abs(out[rings:FALL]).max() < 0.05 and not out[FALL:BAR].any()


@pytest.mark.parametrize(
    ("r", "in_bands"), [(0.0, False), (0.5, False), (1.0, False), (0.0, True), (0.5, True)]
)
def test_noise_keeps_its_power_while_it_goes_over(r: float, in_bands: bool) -> None:
    """Within .3 dB in each eighth of the fall, over 60 joins of steady noises that correlate by r."""
    ahead, rng, power = round(BEFORE_S * RATE), np.random.default_rng(1), []
    for _ in range(60):
        common, *own = (rng.standard_normal((ahead + FALL, 2)).astype(np.float32) for _ in range(3))
        old, new = (np.float32(np.sqrt(r)) * common + np.float32(np.sqrt(1 - r)) * x for x in own)
        plan = handover(old, new, ahead, RATE, 0.075, in_bands)
        power.append(plan.of(old, new)[ahead:].reshape(8, -1).astype(np.float64) ** 2)
    assert np.abs(10 * np.log10(np.mean(power, axis=(0, 2)))).max() < 0.3


def test_away_from_joins_every_sample_is_the_sources_own(tmp_path: Path) -> None:
    song = make_song(
        tmp_path, forms={"tried": ["outro", "verse bars 2-3", "intro", "silence 1 bar", "verse"]},
        stems=("drums", "voice"),
    )  # fmt: skip
    first, third, fourth, fifth, sixth = (spliced(song, joining) for joining in (1, 3, 4, 5, 6))
    touched = np.zeros(len(first), bool)
    for bars in (2, 4):
        touched[LEAD_IN + bars * BAR - EARLY : LEAD_IN + bars * BAR + LONGEST_FALL] = True
    for out in (third, fourth, fifth, sixth):
        assert len(out) == len(first) and np.array_equal(first[~touched], out[~touched])
        assert not np.array_equal(first, out)
    assert not np.array_equal(third, fourth)


def with_stems(folder: Path, drums: np.ndarray, pad: np.ndarray, gain: float = 1.0) -> Song:
    song_of(folder, (drums + pad) * gain, stems=("drums", "pad"), subtype="FLOAT")
    for name, sound in (("drums", drums), ("pad", pad)):
        soundfile.write(folder / "stems" / f"{name}.wav", sound.astype(np.float32), RATE, subtype="FLOAT")
    return load_song(folder)


def pad_and_drums() -> tuple[np.ndarray, np.ndarray]:
    """A pad with vibrato over bars 6 to 8, and hits on every line."""
    drums, pad = np.zeros((line(13), 1)), np.zeros((line(13), 1))
    t = np.arange(3 * BAR) / RATE
    pad[line(6) :][: len(t)] = 0.1 * np.sin(2 * np.pi * 440 * t + 9 * np.sin(2 * np.pi * 5 * t))[:, None]
    for bar in range(1, 12):
        drums[line(bar) :][: RATE // 20] = hit(bar)
    return drums, pad


def test_each_stem_rings_until_its_own_next_attack(tmp_path: Path) -> None:
    """Drums strike on the line; the pad goes on over it as recorded; the old part's hit is not heard."""
    drums, pad = pad_and_drums()
    song = with_stems(tmp_path, drums, pad)
    assert song.joining == NEWEST_JOINING
    beside = spliced(song, 4)[CUT:][:FALL] - drums[line(11) :][:FALL]
    fall = np.exp(-np.arange(FALL) / RATE / 0.075)[:, None]
    expected = pad[line(7) :][:FALL] * fall
    rings = round(0.2 * RATE)
    assert level_db(beside[:rings] - expected[:rings]) < level_db(expected[:rings]) - 30
    mixed = spliced(song, 3)[CUT:][:FALL] - drums[line(11) :][:FALL]
    assert level_db(mixed[:rings] - expected[:rings]) > level_db(expected[:rings]) - 10


def test_stems_that_do_not_add_up_are_not_used(tmp_path: Path) -> None:
    song = with_stems(tmp_path, *pad_and_drums(), gain=0.9)
    assert song.joining == NEWEST_JOINING
    assert np.array_equal(spliced(song, 3), spliced(song, 4))
    assert np.array_equal(spliced(song, 5), spliced(song, 6))


def test_crossfade_ms_lengthens_the_fall(tmp_path: Path) -> None:
    _drums, pad = pad_and_drums()
    short = song_of(tmp_path / "a", pad)
    long = song_of(tmp_path / "b", pad, render={"crossfade_ms": 100})
    late = slice(CUT + RATE // 10, CUT + RATE // 5)
    assert level_db(spliced(long, 3)[late]) > level_db(spliced(short, 3)[late]) + 6


def test_a_hit_beside_a_louder_held_note_is_heard_once(tmp_path: Path) -> None:
    """From the fifth version on: before it, the old part's hit on the line passed for its held note."""
    audio = np.zeros((line(13), 1))
    audio[line(6) : line(7) + BAR] = 5 * tone(line(7) + BAR - line(6))
    for bar in (7, 11):
        audio[line(bar) :][: RATE // 20] += hit()
    song = song_of(tmp_path, audio)
    doubled, once = (
        spliced(song, joining)[CUT:][: RATE // 20] - 5 * tone(2 * BAR)[BAR:][: RATE // 20]
        for joining in (3, 5)
    )
    struck = slice(0, 5 * RATE // 1000)
    assert level_db(once[struck]) == pytest.approx(level_db(hit()[struck]), abs=1)
    assert level_db(doubled[struck]) > level_db(hit()[struck]) + 4


@pytest.mark.parametrize(("rt60_s", "fall_s"), [(0.5, 0.072), (0.25, 0.04), (3.0, 0.15)])
def test_the_fall_is_as_long_as_the_songs_own_decay(tmp_path: Path, rt60_s: float, fall_s: float) -> None:
    """exp(-t / tau) has fallen by 60 dB at 6.908 tau; the same from memory and from the file."""
    audio = np.zeros((line(13), 1))
    t = np.arange(2 * BAR)[:, None] / RATE
    for bar in (2, 4, 6, 8, 10):
        noise = np.random.default_rng(bar).standard_normal((len(t), 1))
        audio[line(bar) :][: len(t)] = 0.2 * noise * 10 ** (-3 * t / rt60_s)
    song = song_of(tmp_path, audio)
    for bounce in (read_audio(song.audio.path), None):
        with Mixes(song, bounce, None) as mixes:
            splicer = Splicer(lay_out(song, song.form("tried")), mixes, LEAD_IN)
            assert splicer.fall_s == pytest.approx(fall_s, rel=0.03)
            assert Splicer(splicer.timeline, mixes, LEAD_IN, like=splicer).fall_s == splicer.fall_s
            older = lay_out(replace(song, joining=3), song.form("tried"))
            assert Splicer(older, mixes, LEAD_IN).fall_s == 0.075
