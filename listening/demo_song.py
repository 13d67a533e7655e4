"""The demo's own invented song: its plan, its audio (every sample computed here) and its song.toml.

    plan = FULL                                   # or SHORT, the same kinds of section in few bars
    audio = synthesise(48000)                     # {"drums": ..., "voice": ..., "bounce": ...}, 24-bit integers
    paths = write_song(folder)                    # the bounce and stems/ as 24-bit WAV files

The stems add up to the bounce exactly, integer by integer.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType

import numpy as np
import soundfile
from numpy.typing import NDArray

from listening.demo_score import HARMONY, STEMS, Note, bar_notes
from listening.synth import Band, edge, reverberate

PEAK = 10 ** (-3.0 / 20)  # of full scale, in the bounce
FULL_SCALE = 2**23

# How each stem is treated: level in the mix, reverberation, and how hard its peaks are rounded off.
LEVELS = {"drums": 0.80, "bass": 0.62, "keys": 0.62, "guitar": 0.50, "voice": 1.0}
REVERBERATION = {"drums": 0.10, "bass": 0.0, "keys": 0.16, "guitar": 0.16, "voice": 0.20}
DRIVE = {"drums": 1.1, "bass": 0.9, "keys": 0.8, "guitar": 0.8, "voice": 1.0}


@dataclass(frozen=True)
class Section:
    """A section of the plan: which bars of its score are played, and the pickup in beats that leads into it."""

    score_bars: tuple[int, ...]
    pickup_beats: int = 0


@dataclass(frozen=True)
class SongPlan:
    """What a song.toml says about the song, and nothing about how it sounds."""

    title: str
    tempo: str  # quarter notes per minute, as a decimal, so that the grid is exact
    start_s: str  # where bar 1 begins, as a decimal
    tail_s: str  # what rings after the last bar
    score: Mapping[str, Section]

    @property
    def sections(self) -> dict[str, tuple[int, int, int]]:
        """In the song's order: name -> (first bar, last bar, pickup in beats), bars from 1 and inclusive."""
        found, bar = {}, 1
        for name, section in self.score.items():
            found[name] = (bar, bar + len(section.score_bars) - 1, section.pickup_beats)
            bar += len(section.score_bars)
        return found

    @property
    def bars(self) -> int:
        return sum(len(section.score_bars) for section in self.score.values())

    @property
    def short_bar(self) -> int:
        """The one bar in 2/4: the bridge's last, all of it pickup to the last refrain."""
        return self.sections["bridge"][1]

    @property
    def changes(self) -> tuple[tuple[int, str], ...]:
        """(bar, meter) of every change of meter; the song begins in 4/4."""
        return ((self.short_bar, "2/4"), (self.short_bar + 1, "4/4"))

    def bar_beat(self, bar: int) -> int:
        """Beats from the start of bar 1 to the start of `bar` (1-based; one past the last is the song's end)."""
        return 4 * (bar - 1) - 2 * (bar > self.short_bar)

    def frame(self, beat: float, sample_rate: int) -> int:
        """The frame nearest to `beat`, computed from the start of the song so that nothing drifts."""
        seconds = Fraction(self.start_s) + Fraction(beat) * 60 / Fraction(self.tempo)
        return round(sample_rate * seconds)

    def frames(self, sample_rate: int) -> int:
        """The length of the bounce."""
        return self.frame(self.bar_beat(self.bars + 1), sample_rate) + round(
            sample_rate * Fraction(self.tail_s)
        )


def _plan(title: str, bars: Mapping[str, tuple[int, ...]], tail_s: str) -> SongPlan:
    pickups = {"verse 1": 1, "refrain": 2, "verse 2": 1, "last refrain": 2}
    score = {name: Section(indices, pickups.get(name, 0)) for name, indices in bars.items()}
    return SongPlan(title, "97.3", "1.37", tail_s, MappingProxyType(score))


FULL = _plan(
    "Lanterns on the Weir",
    {name: tuple(range(len(chords))) for name, chords in HARMONY.items()},
    "4.4",
)
SHORT = _plan(
    "Lanterns on the Weir (short)",
    {
        "intro": (0, 3),
        "verse 1": (0, 1, 11),
        "refrain": (0, 7),
        "verse 2": (0, 11),
        "bridge": (0, 5, 7),
        "last refrain": (0, 8, 15),
        "outro": (0, 5),
    },
    "2.5",
)


def synthesise(
    sample_rate: int = 48000, seed: int = 973, scale: float = 1.0, *, short: bool = False
) -> dict[str, NDArray[np.int32]]:
    """Every stem and "bounce", their exact sum: int32 `(frames, 2)` arrays that hold 24-bit integers.

    The bounce peaks at -3 dBFS times `scale`; ValueError if that would pass full scale. The same arguments give
    the same integers on the same machine. `short` plays SHORT instead of FULL.
    """
    plan = SHORT if short else FULL
    if not 0 < scale * PEAK < 1:
        raise ValueError(f"scale is {scale}; expected more than 0 and less than {1 / PEAK:.3f}, or it clips")
    stems = _mix(plan, sample_rate, seed)
    total = sum(stems.values())
    gain = scale * PEAK * FULL_SCALE / float(np.max(np.abs(total)))
    del total
    audio: dict[str, NDArray[np.int32]] = {}
    bounce = np.zeros((plan.frames(sample_rate), 2), dtype=np.int32)
    for name in STEMS:
        audio[name] = np.empty_like(bounce)
        np.rint(stems.pop(name).T * np.float32(gain), out=audio[name], casting="unsafe")
        bounce += audio[name]
    return audio | {"bounce": bounce}


def _mix(plan: SongPlan, sample_rate: int, seed: int) -> dict[str, NDArray[np.float32]]:
    """The stems before scaling, float32 `(2, frames)`."""
    band = Band(sample_rate, seed)
    room = band.room()
    frames = plan.frames(sample_rate)
    fade = edge(round(1.6 * sample_rate))[::-1].astype(np.float32)
    stems = {}
    for name, notes in _notes_by_stem(plan).items():
        dry = np.zeros((2, frames), dtype=np.float32)
        for beat, note in notes:
            _place(dry, plan.frame(beat, sample_rate), band, note, 60 / float(plan.tempo))
        if REVERBERATION[name]:
            dry += REVERBERATION[name] * reverberate(dry.sum(axis=0), room)
        dry *= DRIVE[name]
        np.tanh(dry, out=dry)
        dry *= LEVELS[name] / DRIVE[name]
        if name in ("voice", "guitar"):  # open microphones hear their room all the time
            dry += _open_microphone(band, name, frames)
        dry[:, -len(fade) :] *= fade
        stems[name] = dry
    return stems


def _notes_by_stem(plan: SongPlan) -> dict[str, list[tuple[float, Note]]]:
    notes: dict[str, list[tuple[float, Note]]] = {name: [] for name in STEMS}
    bar = 1
    for section, part in plan.score.items():
        for index in part.score_bars:
            begin = plan.bar_beat(bar)
            for note in bar_notes(section, index, plan.bar_beat(bar + 1) - begin):
                notes[note.stem].append((begin + note.beat, note))
            bar += 1
    return notes


def _place(mix: NDArray[np.float32], frame: int, band: Band, note: Note, beat_s: float) -> None:
    sound = band.play(note.sound, note.pitch, note.beats * beat_s, note.text)
    sound = sound[: mix.shape[1] - frame]
    level = 10 ** (note.level_db / 20)
    angle = (note.pan + 1) * np.pi / 4  # constant power from left (-1) to right (1)
    for channel, gain in enumerate((np.cos(angle), np.sin(angle))):
        mix[channel, frame : frame + len(sound)] += np.float32(level * gain) * sound


def _open_microphone(band: Band, name: str, frames: int) -> NDArray[np.float32]:
    """Room noise for the whole song, `(2, frames)`, a seamless loop of some seconds; about -68 dBFS."""
    loops = [band.noise(5.9, 70, 5000, f"room {name} {ear}", tilt=0.6) for ear in ("left", "right")]
    return np.stack([np.resize(loop, frames) for loop in loops]) * np.float32(0.0005)


def write_song(folder: Path, sample_rate: int = 48000, *, short: bool = False) -> dict[str, Path]:
    """Write bounce and stems/ as 24-bit WAV into `folder` (made if need be); returns name -> path."""
    paths = {}
    for name, samples in synthesise(sample_rate, short=short).items():
        path = folder / (AUDIO if name == "bounce" else f"stems/{name}.wav")
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(path.name + ".part")
        soundfile.write(part, samples << 8, sample_rate, format="WAV", subtype="PCM_24")
        part.replace(path)
        paths[name] = path
    return paths


AUDIO = "lanterns-on-the-weir.wav"
