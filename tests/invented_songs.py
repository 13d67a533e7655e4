"""Small invented songs whose tempo, start and sections are known exactly: the material of several tests.

Everything is synthesised here from a plan; nothing is a recording. Timing has a few milliseconds of human
scatter, and sections differ as they do in songs: by chords, by who plays, by how loud.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from tests.shared import shared

Sound = NDArray[np.float64]
Tempo = float | Callable[[int], float]  # quarter notes a minute, or a function of the beat's number

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


@dataclass(frozen=True)
class Passage:
    """A section: its chords (one a bar, in turn), what the drums do, who plays, what is sung, how loud."""

    name: str
    bars: int
    chords: str
    drums: str = "rock"
    keys: str = "pluck"
    lead: int | None = None  # the melody's number; the same number is the same melody
    gain_db: float = 0.0
    bass: bool = True


@dataclass(frozen=True)
class InventedSong:
    name: str
    tempo: float
    passages: tuple[Passage, ...]
    beats: int = 4
    beat_quarters: float = 1.0
    start_s: float = 0.4
    transpose: int = 0

    @property
    def meter(self) -> str:
        return f"{self.beats}/{round(4 / self.beat_quarters)}"

    @property
    def bars(self) -> int:
        return sum(p.bars for p in self.passages)

    @property
    def beat_s(self) -> float:
        return 60 / self.tempo * self.beat_quarters

    @property
    def bar_s(self) -> float:
        return self.beat_s * self.beats

    @property
    def boundaries(self) -> list[int]:
        """First bars of the sections (from 1), and the bar after the last."""
        return [1, *np.cumsum([p.bars for p in self.passages]) + 1]


PATTERNS: dict[str, dict[str, Sequence[float]]] = {  # beats of a 4-beat bar; others are cut or repeated
    "none": {},
    "rock": {"kick": (0, 2, 2.5), "snare": (1, 3), "hat": (0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5)},
    "soft": {"kick": (0, 2), "rim": (1, 3), "hat": (0, 1, 2, 3)},
    "four": {"kick": (0, 1, 2, 3), "snare": (1, 3), "hat": (0.5, 1.5, 2.5, 3.5)},
    "half": {"kick": (0,), "snare": (2,), "hat": (0, 1, 2, 3)},
    "toms": {"kick": (0, 1.5), "tom": (1, 2, 2.5, 3, 3.5)},
    "waltz": {"kick": (0,), "snare": (1, 2), "hat": (0, 1, 2)},
    "six": {"kick": (0,), "snare": (3,), "hat": (0, 1, 2, 3, 4, 5)},
}


def play(
    song: InventedSong, rate: int = 22050, seed: int = 1, tempo_of_beat: Tempo | None = None
) -> np.ndarray:
    """The song as float32 (frames, 2), not to be changed in place: the last few are kept.

    `tempo_of_beat` gives each beat its own tempo (a live performance).
    """
    if tempo_of_beat is not None:
        return _Player(song, rate, seed, tempo_of_beat).sound()
    return _played(song, rate, seed)


@lru_cache(maxsize=12)
def _played(song: InventedSong, rate: int, seed: int) -> np.ndarray:
    def sound() -> np.ndarray:
        return _Player(song, rate, seed, None).sound()

    played = shared(sound, "played", song, rate, seed) if song in SONGS else sound()
    played.setflags(write=False)
    return played


def clicks(tempo: float, seconds: float, rate: int = 22050, start_s: float = 0.3) -> np.ndarray:
    """A plain click on every beat."""
    out = np.zeros(round(seconds * rate))
    click = _drum("rim", rate)
    for k in range(int((seconds - start_s - 0.1) * tempo / 60)):
        at = round((start_s + k * 60 / tempo) * rate)
        out[at : at + len(click)] += click[: len(out) - at]
    return out[:, None].astype(np.float32)


def ambient(seconds: float = 90.0, rate: int = 22050, seed: int = 3) -> np.ndarray:
    """Slow swells that overlap, without a beat and without sections."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * rate))
    for _ in range(round(seconds / 2.5)):
        length = round(rng.uniform(6, 12) * rate)
        at = rng.integers(0, len(out) - length)
        t = np.arange(length) / rate
        pitch = 220 * 2 ** (rng.choice([0, 2, 4, 7, 9, 12]) / 12)
        wave = sum(np.sin(2 * np.pi * pitch * k * t + rng.uniform(0, 6)) / k**2 for k in range(1, 5))
        out[at : at + length] += 0.08 * wave * np.hanning(length)
    out += 0.002 * rng.standard_normal(len(out))
    return out[:, None].astype(np.float32)


class _Player:
    def __init__(self, song: InventedSong, rate: int, seed: int, tempo_of_beat: Tempo | None) -> None:
        self.song, self.rate = song, rate
        self.rng = np.random.default_rng(seed)
        beats = song.bars * song.beats + 1
        self.beat_times: Sound
        if callable(tempo_of_beat):
            lengths = [60 / tempo_of_beat(k) * song.beat_quarters for k in range(beats)]
            self.beat_times = song.start_s + np.concatenate([[0.0], np.cumsum(lengths)])
        else:
            self.beat_times = song.start_s + np.arange(beats + 1, dtype=np.float64) * song.beat_s
        self.out = np.zeros((round((self.beat_times[-1] + 2.0) * rate), 2))

    def time(self, beat: float) -> float:
        return float(np.interp(beat, np.arange(len(self.beat_times)), self.beat_times))

    def put(self, beat: float, sound: Sound, gain: float, pan: float = 0.0, loose_s: float = 0.003) -> None:
        at = max(round((self.time(beat) + abs(self.rng.normal(0, loose_s))) * self.rate), 0)
        sound = sound[: len(self.out) - at]
        self.out[at : at + len(sound), 0] += gain * (1 - pan) * sound
        self.out[at : at + len(sound), 1] += gain * (1 + pan) * sound

    def sound(self) -> np.ndarray:
        bar = 0
        for passage in self.song.passages:
            chords = passage.chords.split()
            for index in range(passage.bars):
                self.bar(passage, bar, index, chords[index % len(chords)])
                bar += 1
        self.out += 0.0005 * self.rng.standard_normal(self.out.shape)
        return (0.5 * self.out / np.abs(self.out).max()).astype(np.float32)

    def bar(self, passage: Passage, bar: int, index: int, chord: str) -> None:
        beats, gain = self.song.beats, 10 ** (passage.gain_db / 20)
        top = bar * beats
        for drum, places in PATTERNS[passage.drums].items():
            for beat in places:
                if beat < beats:
                    self.put(top + beat, _drum(drum, self.rate), gain * self.rng.uniform(0.85, 1.0), 0.1)
        pitches = [p + self.song.transpose for p in chord_pitches(chord)]
        beat_s = self.song.beat_s
        if passage.bass:
            for beat in range(0, beats, 2 if beats % 2 == 0 else beats):
                self.put(top + beat, _note("bass", pitches[0] - 24, beat_s * 1.8, self.rate), 0.5 * gain)
        if passage.keys == "pad":
            for pitch in pitches:
                self.put(top, _note("pad", pitch, beat_s * beats, self.rate), 0.14 * gain, 0.3, 0.01)
        elif passage.keys == "piano":
            for beat in range(beats):
                for pitch in pitches:
                    self.put(top + beat, _note("piano", pitch, beat_s * 0.95, self.rate), 0.14 * gain, -0.2)
        elif passage.keys == "pluck":
            for step in range(2 * beats):
                pitch = pitches[step % len(pitches)] + 12
                self.put(top + step / 2, _note("pluck", pitch, beat_s, self.rate), 0.2 * gain, -0.3)
        if passage.lead is not None:
            for beat, long, pitch in melody(passage.lead, index, beats, tuple(pitches)):
                self.put(
                    top + beat, _note("voice", pitch + 12, long * beat_s, self.rate), 0.3 * gain, 0, 0.012
                )


def chord_pitches(chord: str) -> list[int]:
    """ "F#m" -> MIDI notes of its triad from around C4."""
    root = 60 + _STEPS[chord[0]] + chord.count("#") - chord[1:].count("b")
    root -= 12 if root > 66 else 0
    return [root, root + (3 if chord.endswith("m") else 4), root + 7]


def melody(number: int, bar: int, beats: int, chord: tuple[int, ...]) -> list[tuple[float, float, int]]:
    """(beat, length, pitch) of a melody's bar: the same number and bar give the same notes over a chord."""
    rng = np.random.default_rng([number, bar % 8])
    notes, at = [], float(rng.choice([0, 0, 0.5]))
    while at < beats - 0.25:
        long = float(rng.choice([0.5, 1, 1, 1.5]))
        notes.append((at, min(long, beats - at) * 0.9, int(rng.choice(chord)) + int(rng.choice([0, 0, 2]))))
        at += long
    return notes


@cache
def _drum(name: str, rate: int) -> Sound:
    rng = np.random.default_rng(len(name))
    t = np.arange(round(0.3 * rate)) / rate
    noise = rng.standard_normal(len(t))
    if name == "kick":
        return 0.9 * np.sin(2 * np.pi * (50 * t - 2.2 * np.exp(-t / 0.03))) * np.exp(-t / 0.09)
    if name == "tom":
        return 0.6 * np.sin(2 * np.pi * (95 * t - 1.5 * np.exp(-t / 0.03))) * np.exp(-t / 0.12)
    if name == "snare":
        return 0.3 * noise * np.exp(-t / 0.06) + 0.3 * np.sin(2 * np.pi * 190 * t) * np.exp(-t / 0.05)
    if name == "rim":
        return 0.3 * np.sin(2 * np.pi * 900 * t) * np.exp(-t / 0.02) + 0.1 * noise * np.exp(-t / 0.01)
    bright = np.diff(noise, prepend=0.0)
    return 0.08 * bright * np.exp(-t / 0.025)


@cache
def _note(kind: str, pitch: int, seconds: float, rate: int) -> Sound:
    t = np.arange(round(seconds * rate) + round(0.1 * rate)) / rate
    f = 440 * 2 ** ((pitch - 69) / 12)
    partials = [k for k in range(1, 9) if k * f < 0.45 * rate]
    if kind == "voice":
        sway = 0.02 * np.sin(2 * np.pi * 5.5 * t) * np.minimum(t / 0.3, 1)
        wave = sum(np.sin(k * (2 * np.pi * f * t + sway * 8)) / k for k in partials)
        rise, decay = 0.04, 3.0
    elif kind == "pad":
        wave = sum(
            np.sin(2 * np.pi * k * f * (1 + d) * t) / k**1.5 for k in partials for d in (-0.002, 0.002)
        )
        rise, decay = 0.12, 6.0
    else:
        power, decay = {"bass": (1.6, 0.9), "piano": (1.8, 0.5), "pluck": (1.1, 0.25)}[kind]
        wave = sum(np.sin(2 * np.pi * k * f * t) / k**power for k in partials)
        rise = 0.004
    fall = np.clip((len(t) - np.arange(len(t))) / (0.1 * rate), 0, 1)
    return wave * np.minimum(t / rise, 1) * np.exp(-t / decay) * fall


def _songs() -> tuple[InventedSong, ...]:
    P = Passage
    verse, chorus = "C G Am F", "F G C Am"
    return (
        InventedSong("band", 112.0, (
            P("intro", 4, verse, "none", "pluck"), P("verse", 8, verse, "rock", "pluck", 1, -3),
            P("refrain", 8, chorus, "four", "pad", 2, 1), P("verse", 8, verse, "rock", "pluck", 1, -3),
            P("refrain", 8, chorus, "four", "pad", 2, 1),
            P("bridge", 8, "Dm Em Dm E", "toms", "piano", 3, -2),
            P("refrain", 8, chorus, "four", "pad", 2, 1), P("outro", 4, verse, "none", "pluck"),
        )),
        InventedSong("ballad", 68.5, (
            P("intro", 2, "Am F", "none", "piano"), P("verse", 8, "Am F C G", "none", "piano", 4, -4),
            P("refrain", 8, "F C G Am", "soft", "pad", 5), P("verse", 8, "Am F C G", "soft", "piano", 4, -3),
            P("refrain", 8, "F C G Am", "soft", "pad", 5),
            P("bridge", 4, "Dm E", "none", "pad", 6, -3, False),
            P("refrain", 8, "F C G Am", "rock", "pad", 5, 2),
        ), start_s=1.1),
        InventedSong("waltz", 144.0, (
            P("intro", 8, "D A", "none", "pluck"), P("verse", 16, "D G D A", "waltz", "pluck", 7, -2),
            P("refrain", 16, "Bm G A D", "waltz", "pad", 8, 1),
            P("verse", 16, "D G D A", "waltz", "pluck", 7, -2),
            P("bridge", 8, "Em F#m", "none", "piano", 9, -3),
            P("refrain", 16, "Bm G A D", "waltz", "pad", 8, 1),
        ), beats=3, transpose=-2),
        InventedSong("dance", 126.0, (
            P("intro", 8, "Am", "four", "none", None, 0, False),
            P("verse", 16, "Am G F G", "four", "pluck", 10),
            P("break", 8, "F G Am Am", "none", "pad", 11, -4, False),
            P("refrain", 16, "F C G Am", "four", "pad", 12, 1),
            P("verse", 16, "Am G F G", "four", "pluck", 10),
            P("break", 8, "F G Am Am", "none", "pad", 11, -4, False),
            P("refrain", 16, "F C G Am", "four", "pad", 12, 1),
            P("outro", 8, "Am", "four", "none", None, 0, False),
        ), start_s=0.05),
        InventedSong("six-eight", 100.0, (  # 100 quarters: dotted quarters at 66.7
            P("verse", 8, "G D Em C", "six", "pluck", 13, -3),
            P("refrain", 8, "C G D Em", "six", "pad", 14, 1),
            P("verse", 8, "G D Em C", "six", "pluck", 13, -3),
            P("refrain", 8, "C G D Em", "six", "pad", 14, 1),
            P("bridge", 6, "Am B", "none", "piano", 15, -3), P("refrain", 8, "C G D Em", "six", "pad", 14, 1),
        ), beats=6, beat_quarters=0.5, start_s=0.7),
        InventedSong("uneven", 88.0, (  # sections of odd lengths, no intro
            P("refrain", 7, "E B A", "rock", "pad", 16), P("verse", 10, "C#m A E B", "half", "pluck", 17, -3),
            P("refrain", 7, "E B A", "rock", "pad", 16), P("verse", 9, "C#m A E B", "half", "pluck", 17, -3),
            P("solo", 8, "F#m A", "rock", "piano", 18, 1), P("refrain", 7, "E B A", "rock", "pad", 16),
            P("outro", 5, "E", "none", "pad", None, -4),
        ), start_s=0.0),
        InventedSong("drone", 120.0, (  # the chords never change: only the players do
            P("a", 8, "D", "soft", "pluck", 19, -2), P("b", 8, "D", "four", "pad", 20, 2),
            P("a", 8, "D", "soft", "pluck", 19, -2), P("c", 8, "D", "none", "piano", None, -3),
            P("b", 8, "D", "four", "pad", 20, 2), P("a", 4, "D", "soft", "pluck", 19, -2),
        )),
        InventedSong("quiet change", 104.0, (  # the band plays on as it was; only the chords change
            P("a", 8, "C Am F G", "rock", "pluck", 21), P("b", 8, "Em D A Bm", "rock", "pluck", 22),
            P("a", 8, "C Am F G", "rock", "pluck", 21), P("b", 8, "Em D A Bm", "rock", "pluck", 22),
            P("c", 8, "Eb Bb Fm Ab", "rock", "pluck", 23), P("a", 8, "C Am F G", "rock", "pluck", 21),
        )),
    )  # fmt: skip


SONGS = _songs()
