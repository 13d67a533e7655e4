"""Scores played by fluidsynth with fluid-soundfont-gm (both Debian's), dry, then put into one room.

The room is an impulse response of exponentially decaying noise: it does not change with time (fluidsynth's
own reverb is modulated), so that what is played again elsewhere is the same sound.
"""

from __future__ import annotations

import subprocess
from collections.abc import Collection
from functools import lru_cache
from pathlib import Path

import mido
import numpy as np
import soundfile
from scipy.signal import oaconvolve

from render.arrays import Audio
from tests.benchmarks.joins.scores import DRUMS, Score

RATE = 48000
SOUND_FONT = "/usr/share/sounds/sf2/FluidR3_GM.sf2"
LEAD_QUARTERS = 2
TAIL_S = 2.0
RT60_S = 1.2
WET_DB = -16.0
TICKS = 480


def play(score: Score, path: Path, groups: Collection[str] | None = None) -> Path:
    """The score (or only some groups of it) as a 24-bit FLAC file; bar 1 begins after two quarters."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        midi, dry = path.with_suffix(".mid"), path.with_suffix(".dry.wav")
        _write_midi(score, midi, groups)
        command = ["fluidsynth", "-n", "-i", "-q", "-R", "0", "-C", "0", "-g", "0.35", "-r", str(RATE), "-O"]
        command += ["float", "-F", str(dry), SOUND_FONT, str(midi)]
        subprocess.run(command, check=True, capture_output=True)
        sound = np.zeros((_frames(score), 2), np.float32)
        played = soundfile.read(dry, dtype="float32", always_2d=True)[0][: len(sound)]
        sound[: len(played)] = played
        half = path.with_suffix(".part.flac")
        soundfile.write(half, in_room(sound), RATE, subtype="PCM_24")
        half.rename(path)
        midi.unlink()
        dry.unlink()
    return path


def in_room(dry: Audio) -> Audio:
    """The sound with its reverberation, as many frames."""
    wet = oaconvolve(dry.astype(np.float64), impulse_response(RT60_S), axes=0)[: len(dry)]
    return (dry + 10 ** (WET_DB / 20) * wet).astype(np.float32)


@lru_cache(maxsize=4)
def impulse_response(rt60_s: float) -> np.ndarray:
    """Noise that falls by 60 dB in `rt60_s` (ISO 3382-1), of unit energy, after 12 ms: (frames, 2)."""
    t = np.arange(round(1.3 * rt60_s * RATE)) / RATE
    noise = np.random.default_rng(7).standard_normal((len(t), 2)) * 10 ** (-3 * t / rt60_s)[:, None]
    noise[: round(0.012 * RATE)] = 0
    return np.asarray(noise / np.sqrt((noise**2).sum(axis=0)))


def _frames(score: Score) -> int:
    quarters = LEAD_QUARTERS + score.bars * score.bar_quarters
    return round(quarters * score.quarter_ms * RATE / 1000) + round(TAIL_S * RATE)


def _write_midi(score: Score, path: Path, groups: Collection[str] | None) -> None:
    """One track; ticks are milliseconds' fractions by the tempo, each group has a channel."""
    channels = {g: 9 if g == DRUMS else n for n, g in enumerate(sorted(score.programs))}
    tick_ms = score.quarter_ms / TICKS
    events: list[tuple[int, int, mido.Message]] = []
    for note in score.notes:
        if groups is not None and note.group not in groups:
            continue
        lag = round(note.late_ms / tick_ms)
        on = max(round((note.at + LEAD_QUARTERS) * TICKS) + lag, 0)
        off = max(round((note.at + note.length + LEAD_QUARTERS) * TICKS) + min(lag, 0), on + 20)
        channel = channels[note.group]
        kind = {"channel": channel, "note": note.pitch}
        events.append((on, 1, mido.Message("note_on", velocity=note.velocity, **kind)))
        events.append((off, 0, mido.Message("note_off", velocity=0, **kind)))
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=score.quarter_ms * 1000)])
    for group, channel in channels.items():
        if group != DRUMS:
            track.append(mido.Message("program_change", channel=channel, program=score.programs[group]))
    now = 0
    for at, _, message in sorted(events, key=lambda e: (e[0], e[1], str(e[2]))):
        track.append(message.copy(time=at - now))
        now = at
    file = mido.MidiFile(ticks_per_beat=TICKS)
    file.tracks.append(track)
    file.save(path)
