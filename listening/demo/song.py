"""The demo's own invented song: its plan, its audio (every sample computed here) and its song.toml.

    audio = synthesise(48000)                     # {"drums": ..., "bounce": ...}, 24-bit integers
    paths = write_song(folder)                    # the bounce and stems/ as 24-bit WAV files
    text = song_toml()                            # sections, four other forms, listeners, a plan of rounds

The stems add up to the bounce exactly, integer by integer.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from listening.demo.score import HARMONY, STEMS, Note, bar_notes
from listening.demo.synth import Band, edge, reverberate
from render.files import replacing
from render.song.forms import Section
from render.song.grid import Change, Grid, Meter

AUDIO = "lanterns-on-the-weir.wav"  # the bounce's name
PEAK = 10 ** (-3.0 / 20)  # of full scale, in the bounce
FULL_SCALE = 2**23

GLUE_DB = 4.0  # how far the loudest moments are held back

# How each stem is treated: level in the mix, reverberation, and how hard its peaks are rounded off.
LEVELS = {"drums": 1.45, "bass": 1.18, "keys": 0.85, "guitar": 0.70, "voice": 1.0}
REVERBERATION = {"drums": 0.03, "bass": 0.0, "keys": 0.05, "guitar": 0.055, "voice": 0.06}
DRIVE = {"drums": 1.8, "bass": 0.9, "keys": 0.8, "guitar": 0.8, "voice": 1.0}


TEMPO, START_S = "97.3", "1.37"  # quarter notes a minute, and where bar 1 begins: decimals, so all is exact
PICKUP_BEATS = {"verse 1": 1, "refrain": 2, "verse 2": 1, "last refrain": 2}


@dataclass(frozen=True)
class DemoPlan:
    """Which bars of the score are played, section by section, and what song.toml says of them."""

    title: str
    score_bars: Mapping[str, tuple[int, ...]]
    tail_s: str  # what rings after the last bar
    cuts: Mapping[str, str]  # parts of sections that its forms play

    @cached_property
    def sections(self) -> tuple[Section, ...]:
        """The sections in the song's order."""
        sections, bar = [], 1
        for name, bars in self.score_bars.items():
            pickup = Fraction(PICKUP_BEATS.get(name, 0))
            sections.append(Section(name, bar, bar + len(bars) - 1, pickup))
            bar += len(bars)
        return tuple(sections)

    @property
    def bars(self) -> int:
        return self.sections[-1].last_bar

    @property
    def short_bar(self) -> int:
        """The one bar in 2/4: the bridge's last, all of it pickup to the last refrain."""
        return next(section.last_bar for section in self.sections if section.name == "bridge")

    def grid(self, sample_rate: int) -> Grid:
        """Bars and beats of the song: 4/4 but for the short bar."""
        short = Change(self.short_bar, meter=Meter(2, 4))
        changes = (short, Change(self.short_bar + 1, meter=Meter(4, 4)))
        return Grid(sample_rate, Fraction(START_S), Fraction(TEMPO), Meter(4, 4), changes)

    def frames(self, sample_rate: int) -> int:
        """The length of the bounce."""
        end = self.grid(sample_rate).line_frame(self.bars + 1)
        return end + round(sample_rate * Fraction(self.tail_s))


FULL = DemoPlan(
    "Lanterns on the Weir",
    {name: tuple(range(len(chords))) for name, chords in HARMONY.items()},
    "4.4",
    {
        "two_of_intro": "intro bars 1-2",
        "climb": "verse 2 bars 9-12",
        "bridge_rise": "bridge bars 1-7",
        "high_refrain": "last refrain bars 9-16",
    },
)


def synthesise(
    sample_rate: int = 48000, seed: int = 973, plan: DemoPlan = FULL
) -> dict[str, NDArray[np.int32]]:
    """Every stem and "bounce", their exact sum: int32 `(frames, 2)` arrays that hold 24-bit integers.

    The bounce peaks at -3 dBFS. The same arguments give the same integers on the same machine.
    """
    stems = _mix(plan, sample_rate, seed)
    gain = (PEAK * FULL_SCALE * _glue(np.sum(list(stems.values()), axis=0), sample_rate)).astype(np.float32)
    audio: dict[str, NDArray[np.int32]] = {}
    bounce = np.zeros((plan.frames(sample_rate), 2), dtype=np.int32)
    for name in STEMS:
        audio[name] = np.empty_like(bounce)
        np.rint((stems.pop(name) * gain).T, out=audio[name], casting="unsafe")
        bounce += audio[name]
    return audio | {"bounce": bounce}


def _glue(total: NDArray[np.float32], sample_rate: int) -> NDArray[np.float64]:
    """Bus compression: one gain for all stems, `(frames,)`, that brings the peak of their sum to 1.

    Loud moments are held back by up to some decibels, slowly enough to be no distortion (looking ahead by the
    same time). A gain common to all stems leaves their sum what it was: the stems still add up to the bounce.
    """
    block, reach = sample_rate // 200, 12  # 5 ms; 60 ms either way
    frames = total.shape[1]
    peaks = np.zeros(-(-frames // block) * block, dtype=np.float32)
    np.max(np.abs(total), axis=0, out=peaks[:frames])
    peaks = peaks.reshape(-1, block).max(axis=1)
    held = np.minimum(1.0, peaks.max() * 10 ** (-GLUE_DB / 20) / np.maximum(peaks, 1e-9))
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(held, 2 * reach, mode="edge"), 2 * reach + 1)
    lowest = windows.min(axis=1)
    weights = np.hanning(2 * reach + 3)[1:-1]
    smooth = np.convolve(lowest, weights / weights.sum(), mode="valid")
    gain = np.interp(np.arange(frames), (np.arange(len(smooth)) + 0.5) * block, smooth)
    return gain / float(np.max(np.abs(total) * gain))


def _mix(plan: DemoPlan, sample_rate: int, seed: int) -> dict[str, NDArray[np.float32]]:
    """The stems before scaling, float32 `(2, frames)`."""
    band = Band(sample_rate, seed)
    room = band.room()
    frames, grid = plan.frames(sample_rate), plan.grid(sample_rate)
    beat_s = 60 / Fraction(TEMPO)
    fade = edge(round(1.6 * sample_rate))[::-1].astype(np.float32)
    stems = {}
    for name, notes in _notes_by_stem(plan).items():
        dry = np.zeros((2, frames), dtype=np.float32)
        for bar, note in notes:
            frame = grid.frame(grid.line_s(bar) + Fraction(note.beat) * beat_s)
            _place(dry, frame, band, note, 60 / float(TEMPO))
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


def _notes_by_stem(plan: DemoPlan) -> dict[str, list[tuple[int, Note]]]:
    """Each stem's notes, with the bar of the song that they belong to."""
    notes: dict[str, list[tuple[int, Note]]] = {name: [] for name in STEMS}
    for section in plan.sections:
        for bar, index in enumerate(plan.score_bars[section.name], section.first_bar):
            for note in bar_notes(section.name, index):
                notes[note.stem].append((bar, note))
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
    loops = [band.noise(6.0, 70, 5000, f"room {name} {ear}", tilt=0.6) for ear in ("left", "right")]
    return np.stack([np.resize(loop, frames) for loop in loops]) * np.float32(0.0005)


def write_song(folder: Path, sample_rate: int = 48000, plan: DemoPlan = FULL) -> dict[str, Path]:
    """Write bounce and stems/ as 24-bit WAV into `folder` (made if need be); returns name -> path."""
    paths = {}
    for name, samples in synthesise(sample_rate, plan=plan).items():
        path = folder / (AUDIO if name == "bounce" else f"stems/{name}.wav")
        path.parent.mkdir(parents=True, exist_ok=True)
        with replacing(path, lasting=False) as half:
            soundfile.write(half, samples << 8, sample_rate, format="WAV", subtype="PCM_24")
        paths[name] = path
    return paths


# Between them the forms use the whole part language.
_TOML = """\
# An invented song for the demo: every sound in it was computed, nobody wrote, played or sang it before.

[song]
title = "{title}"
audio = "{audio}"
tempo = {tempo}                      # quarter notes per minute
meter = "4/4"
start = {start}                      # seconds: bar 1, beat 1 (before it: the room, and a breath)
changes = [                       # one short bar, which the singer has alone
    {{ bar = {short_bar}, meter = "2/4" }},
    {{ bar = {next_bar}, meter = "4/4" }},
]

[stems]                           # they add up to the bounce exactly
{stems}

[sections]                        # in the order of the song; a pickup counts beats sung before the first bar
{sections}

[forms]                           # "as written", the song in its own order, is always among them
# The hook before anything else, sung nearly alone; no way out at the end but one beat of ringing.
"refrain first" = {{ parts = [
    "refrain only voice and keys",
    "verse 1",
    "refrain",
    "bridge",
    "last refrain",
], ending = "ring 1 beat" }}
# The bridge comes before the first refrain, and the refrain's pickup sounds in the hush between them.
"early bridge" = [
    "{two_of_intro}",
    "verse 1",
    "{bridge_rise} without drums",
    "silence 2 beats",
    "refrain x2",
    "{climb}",
    "last refrain",
    "outro",
]
# Short: one verse, a bar of nothing before the last refrain, and it stops as if a door fell shut.
"one verse" = {{ parts = [
    "intro",
    "verse 1",
    "refrain",
    "{bridge_rise}",
    "silence 1 bar",
    "last refrain",
], ending = "cut" }}
# No intro, a bare first verse, and a last refrain that never ends: it only goes away.
"going away" = {{ parts = [
    "verse 1 without drums and bass",
    "refrain",
    "verse 2",
    "bridge",
    "last refrain",
    "{high_refrain} x2",
], ending = "fade 2 bars" }}
# A revised form inherits how familiar its predecessor had become, never its ratings:
# "one verse, longer" = {{ parts = [...], replaces = "one verse" }}

[listeners]
marit = {{ prior_listens = 60 }}    # wrote it: has heard it as written about sixty times
joao = {{}}                         # hears it for the first time
tove = {{ prior_listens = 3 }}      # has heard three rough mixes

[render]
matching = "integrated"           # every form equally loud as a whole; or "same gain"
crossfade_ms = 10

[plan]
rounds = 10                       # what three listeners and five forms need; fewer where one is safe
days = 10
"""


def song_toml(plan: DemoPlan = FULL) -> str:
    """The text of song.toml for `plan`, commented: four other forms, listeners, rounds."""
    width = max(len(section.name) for section in plan.sections) + 2
    sections = []
    for section in plan.sections:
        name, beats = f'"{section.name}"', section.pickup_beats
        pickup = f", pickup = {beats}" if beats else ""
        sections.append(f'{name:<{width}} = {{ bars = "{section.bars_text}"{pickup} }}')
    return _TOML.format(
        title=plan.title,
        audio=AUDIO,
        tempo=TEMPO,
        start=START_S,
        short_bar=plan.short_bar,
        next_bar=plan.short_bar + 1,
        stems="\n".join(f'{name} = "stems/{name}.wav"' for name in STEMS),
        sections="\n".join(sections),
        **plan.cuts,
    )
