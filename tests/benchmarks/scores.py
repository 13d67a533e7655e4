"""Songs from scores whose bars are known exactly: tunes of music21's corpus with a band, by fluidsynth.

The tunes are in the public domain (Ryan's Mammoth Collection, Boston 1883), as PyPI's music21 package carries
them; the band's patterns are ours. FluidR3 GM (Debian's fluid-soundfont-gm) sounds them. Timing is humanised
by a few milliseconds; a tempo curve may make it a live take.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import mido
import numpy as np
import soundfile
from music21 import corpus, exceptions21, note

from render.arrays import Audio, Floats

RATE = 22050
SOUND_FONT = "/usr/share/sounds/sf2/default-GM.sf2"
KICK, SNARE, STICK, HAT, OPEN, RIDE, CRASH = 36, 38, 37, 42, 46, 51, 49
DRUMS = 9

# beats of a bar of four; (place, velocity)
STYLES: dict[str, dict[int, tuple[tuple[float, int], ...]]] = {
    "rock": {
        KICK: ((0, 110), (2, 100), (2.5, 90)), SNARE: ((1, 105), (3, 108)),
        HAT: tuple((k / 2, 80 if k % 2 == 0 else 60) for k in range(8)),
    },
    "half-time": {
        KICK: ((0, 112), (2.75, 85)), SNARE: ((2, 112),), HAT: tuple((k, 75) for k in range(4)),
    },
    "ska": {
        KICK: ((0, 100), (2, 100)), STICK: ((1, 90), (3, 90)), OPEN: tuple((k + 0.5, 95) for k in range(4)),
    },
    "syncopated": {
        KICK: ((0, 112), (0.75, 95), (1.5, 100), (2.5, 100)), SNARE: ((1, 108), (3, 108), (3.75, 70)),
        HAT: tuple((k / 4, 70 if k % 4 == 0 else 45) for k in range(16)),
    },
    "tresillo": {
        KICK: ((0, 110), (1.5, 105), (3, 105)), SNARE: ((1.5, 70), (3, 75)),
        HAT: ((0, 70), (1, 70), (2, 70), (3, 70)),
    },
    "swing": {
        RIDE: ((0, 85), (1, 95), (1 + 2 / 3, 70), (2, 85), (3, 95), (3 + 2 / 3, 70)),
        STICK: ((1, 70), (3, 70)), KICK: ((0, 75), (2, 70)),
    },
    "brushes": {STICK: ((1, 55), (3, 55)), HAT: ((0, 45), (1, 50), (2, 45), (3, 50))},
    "none": {},
}  # fmt: skip
CHORDS = {"I": (0, 4, 7), "IV": (5, 9, 12), "V": (7, 11, 14), "vi": (9, 12, 16), "ii": (2, 5, 9)}


@dataclass(frozen=True)
class Score:
    """A tune for a band. `quarters`: (onset, length, pitch) from bar 1; negative onsets are an anacrusis."""

    name: str
    quarters: tuple[tuple[float, float, int], ...]
    bars: int
    per_bar: int
    tempo: float
    style: str
    comping: str
    start_s: float
    seed: int
    loose_s: float = 0.005
    off_beat_intro: int = 0  # bars of off-beat snares before bar 1's music sets in
    curve: Callable[[int], float] | None = field(default=None, compare=False)  # tempo of each beat

    @property
    def beat_s(self) -> float:
        return 60 / self.tempo

    def beat_times(self) -> Floats:
        """True times of all beats, from bar 1 to the line after the last bar."""
        count = self.bars * self.per_bar
        lengths = [60 / (self.curve(k) if self.curve else self.tempo) for k in range(count)]
        times: Floats = self.start_s + np.concatenate([[0.0], np.cumsum(lengths)])
        return times


def tune(path: str, name: str, tempo: float, style: str, comping: str, start_s: float, seed: int) -> Score:
    """A tune of the corpus, its repeats written out, played for about a minute and a half."""
    score = corpus.parse(path)
    part = score.parts[0]
    if part.recurse().getElementsByClass("Repeat"):
        part = part.expandRepeats()
    measures = list(part.getElementsByClass("Measure"))
    if any(m.denominator != 4 for m in part.recurse().getElementsByClass("TimeSignature")):
        raise ValueError("the band's patterns are in quarters")
    per_bar = round(float(max(m.barDuration.quarterLength for m in measures)))
    first = measures[0]
    anacrusis = float(first.duration.quarterLength) < per_bar - 0.01
    zero = float(measures[1].offset) if anacrusis else 0.0
    notes = []
    for n in part.flatten().notes:
        pitch = n.pitch.midi if isinstance(n, note.Note) else max(p.midi for p in n.pitches)
        notes.append((float(n.offset) - zero, float(n.quarterLength), int(pitch)))
    length = max(at for at, _, _ in notes)
    bars = int(length // per_bar) + 1
    passes = max(1, int(np.ceil(90 / (bars * per_bar * 60 / tempo))))
    all_notes = [
        (at + k * bars * per_bar, d, p) for k in range(passes) for at, d, p in notes if k == 0 or at >= 0
    ]
    return Score(name, tuple(all_notes), bars * passes, per_bar, tempo, style, comping, start_s, seed)


def play(score: Score) -> Audio:
    """The score as float32 (frames, 2) at 22050 Hz."""
    rng = np.random.default_rng(score.seed)
    times = score.beat_times()
    step = np.diff(times)

    def at(beat: float) -> float:
        if beat < 0:
            return float(times[0] + beat * step[0])
        return float(np.interp(beat, np.arange(len(times)), times))

    events: list[tuple[float, mido.Message]] = []

    def sound(beat: float, beats: float, channel: int, pitch: int, velocity: int, loose: float = 1.0) -> None:
        begin = max(at(beat) + rng.normal(0, score.loose_s * loose), 0.0)
        stop = max(at(beat + beats), begin + 0.03)
        loud = int(np.clip(velocity + rng.normal(0, 6), 1, 127))
        events.append((begin, mido.Message("note_on", channel=channel, note=pitch, velocity=loud)))
        events.append((stop, mido.Message("note_off", channel=channel, note=pitch)))

    _melody(score, sound)
    _band(score, sound)
    programs = [
        (0.0, mido.Message("program_change", channel=c, program=p)) for c, p in ((0, 73), (1, 33), (2, 25))
    ]
    return _synthesised([*programs, *sorted(events, key=lambda e: e[0])])


def _melody(score: Score, sound: Callable[..., None]) -> None:
    swung = score.style == "swing"
    for onset, length, pitch in score.quarters:
        whole, part = divmod(onset, 1)
        beat = whole + 2 / 3 if swung and abs(part - 0.5) < 0.01 else onset
        sound(beat, length * 0.9, 0, pitch, 90, 1.6)


def _band(score: Score, sound: Callable[..., None]) -> None:
    rng = np.random.default_rng([score.seed, 1])
    key = int(np.median([p for _, _, p in score.quarters])) % 12
    order = rng.choice(["I", "IV", "V", "vi", "ii"], 8)
    order[0], order[4] = "I", "I"
    section = 8
    for bar in range(score.bars):
        top, block = bar * score.per_bar, bar // section
        quiet = block % 5 == 3  # a passage without drums, as songs have
        chord = [48 + key + p for p in CHORDS[str(order[bar % 8])]]
        if bar < score.off_beat_intro:
            for k in range(score.per_bar):
                sound(top + k + 0.5, 0.2, DRUMS, SNARE, 105)
        elif not quiet:
            for drum, hits in STYLES[score.style].items():
                for place, velocity in hits:
                    if place < score.per_bar:
                        sound(top + place, 0.2, DRUMS, drum, velocity)
            if bar % section == 0:
                sound(top, 1, DRUMS, CRASH, 95)
        sound(top, 1.9, 1, chord[0] - 12, 95)
        if score.per_bar >= 3:
            sound(top + score.per_bar // 2, 1.4, 1, chord[2] - 12 if score.per_bar > 3 else chord[0] - 12, 85)
        _comp(score.comping, top, score.per_bar, chord, sound)


def _comp(kind: str, top: float, per_bar: int, chord: list[int], sound: Callable[..., None]) -> None:
    places = {
        "eighths": [k / 2 for k in range(2 * per_bar)], "off-beats": [k + 0.5 for k in range(per_bar)],
        "pushed": [-0.5, 1, 1.5, 2.5], "whole": [0.0], "quarters": [float(k) for k in range(per_bar)],
    }[kind]  # fmt: skip
    for place in places:
        if top + place >= 0 and place < per_bar:
            for pitch in chord:
                sound(top + place, per_bar * 0.95 if kind == "whole" else 0.4, 2, pitch + 12, 70)


def _synthesised(events: list[tuple[float, mido.Message]]) -> Audio:
    """Standard MIDI file with ticks of half a millisecond -> fluidsynth -> samples."""
    file = mido.MidiFile(ticks_per_beat=2000)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=1_000_000)])
    file.tracks.append(track)
    now = 0
    for time_s, message in events:
        ticks = round(time_s * 2000)
        track.append(message.copy(time=ticks - now))
        now = ticks
    with tempfile.TemporaryDirectory() as place:
        midi, wav = Path(place) / "a.mid", Path(place) / "a.wav"
        file.save(midi)
        command = ["fluidsynth", "-ni", "-g", "0.5", "-r", str(RATE), "-F", str(wav), SOUND_FONT, str(midi)]
        subprocess.run(command, check=True, capture_output=True)
        samples: Audio = soundfile.read(wav, dtype="float32", always_2d=True)[0]
    return samples


def _paths() -> list[str]:
    found = sorted(p.name for p in corpus.corpora.CoreCorpus().getPaths() if p.parent.name == "ryansMammoth")
    return [f"ryansMammoth/{name}" for name in found]


BANDS = (
    ("rock", "eighths"), ("half-time", "quarters"), ("ska", "off-beats"), ("syncopated", "pushed"),
    ("tresillo", "eighths"), ("swing", "quarters"), ("brushes", "whole"), ("rock", "pushed"),
    ("none", "eighths"), ("syncopated", "whole"), ("ska", "quarters"), ("half-time", "off-beats"),
)  # fmt: skip

SETS = ("tune", "kept", "fresh")


def scores(half: str) -> list[Score]:
    """Twelve songs of a set: "tune" was looked at while settings were chosen, "kept" before the last of them,
    "fresh" not before they all stood."""
    rng = np.random.default_rng([13, SETS.index(half)])
    paths = _paths()
    found: list[Score] = []
    while len(found) < len(BANDS):
        k = len(found)
        style, comping = BANDS[k]
        path = paths[int(rng.integers(len(paths)))]
        tempo, start_s = round(float(rng.uniform(72, 168)), 1), round(float(rng.uniform(0.3, 2.2)), 3)
        try:
            one = tune(path, f"{half} {k}: {style}, {comping}", tempo, style, comping, start_s, k)
        except (ValueError, AttributeError, exceptions21.Music21Exception):  # what music21 cannot expand
            continue
        if one.per_bar not in (2, 3, 4) or one.bars < 16:
            continue
        found.append(replace(one, off_beat_intro=4) if k in (0, 7, 11) else one)
    return found
