"""A metronome click on every beat of a song's grid, alone or mixed over the song: does the grid fit?

Each click begins at the very frame that a cut on its beat would have, so what is heard is what `render` does.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from render.arrays import Audio
from render.audio.integers import write_24_bit
from render.audio.stems import read_audio
from render.files import replacing, writing_into
from render.song.grid import Grid
from render.song.song import Song

FIRST_HZ, OTHER_HZ = 1760.0, 1174.7  # the bar's first beat a fifth higher: A6 over D6
CLICK_S = 0.04
_DECAY_S = 0.008
SONG_PEAK = 0.5  # full scale is 1: song and click together stay below it
CLICK_TO_SONG = 0.8
LEAST_PEAK = 0.05  # of the click, over a song that is nearly silent
FADE_IN_S = 1.0


@dataclass(frozen=True)
class ClickMix:
    """Gain of the song under its click, and the clicks' peak relative to full scale."""

    song_gain_db: float
    click_peak_db: float

    @property
    def line(self) -> str:
        """What to tell a person."""
        turned = (
            f"turned down by {-self.song_gain_db:.1f} dB" if self.song_gain_db < -0.05 else "at its level"
        )
        return f"the song is {turned}, the clicks peak at {self.click_peak_db:.1f} dBFS: nothing clips"


def beat_frames(grid: Grid, start_frame: int, stop_frame: int) -> tuple[list[int], list[int]]:
    """Frames of the audio in [start, stop) on which a bar begins, and those of all its other beats."""
    bar = max(grid.position(Fraction(start_frame, grid.sample_rate))[0] - 1, 1)
    firsts: list[int] = []
    others: list[int] = []
    while grid.line_frame(bar) < stop_frame:
        for beat in range(grid.stretch(bar).meter.beats):
            frame = grid.frame(grid.beat_time_s(bar, beat))
            if start_frame <= frame < stop_frame:
                (others if beat else firsts).append(frame)
        bar += 1
    return firsts, others


def click_track(grid: Grid, start_frame: int, frames: int) -> Audio:
    """A click on every beat of `grid`, the bar's first higher; full scale, `(frames, 1)`.

    It covers the audio's frames from `start_frame` on. A click begins exactly at the frame that `render` cuts
    at there; one that began earlier rings on into the excerpt. Before bar 1 there is none.
    """
    sounds = [_click(hz, grid.sample_rate) for hz in (FIRST_HZ, OTHER_HZ)]
    longest = len(sounds[0])
    out = np.zeros(frames + 2 * longest, np.float32)
    beats = beat_frames(grid, start_frame - longest, start_frame + frames)
    for sound, places in zip(sounds, beats, strict=True):
        for frame in places:
            at = frame - start_frame + longest
            out[at : at + longest] += sound[: len(out) - at]
    return out[longest : longest + frames, None]


def mix_with_click(sound: Audio, click: Audio, peak: float) -> tuple[Audio, ClickMix]:
    """`sound` (frames, channels) with a click track over it, and how loud each is in it.

    The song's `peak` (of the whole song) is turned down to half of full scale at most, never up; clicks peak
    at eight tenths of it, so the sum stays below full scale.
    """
    gain = min(SONG_PEAK / max(peak, 1e-9), 1.0)
    click_peak = max(CLICK_TO_SONG * gain * peak, LEAST_PEAK)
    mixed: Audio = (sound * np.float32(gain) + click * np.float32(click_peak)).astype(np.float32)
    return mixed, ClickMix(20 * float(np.log10(gain)), 20 * float(np.log10(click_peak)))


def write_click(song: Song, path: Path) -> ClickMix:
    """Write the whole song with its click to `path`, a 24-bit WAV at the song's rate that fades in over 1 s.

    Raises:
        AudioError: the bounce cannot be read; WriteError: the file cannot be written.
    """
    sound, rate = read_audio(song.audio.path), song.audio.sample_rate
    click = click_track(song.grid, 0, len(sound))
    mixed, mix = mix_with_click(sound, click, float(np.abs(sound).max(initial=0.0)))
    length = min(round(FADE_IN_S * rate), len(mixed))
    mixed[:length] *= np.linspace(0, 1, length, dtype=np.float32)[:, None]
    with writing_into(path.parent), replacing(path) as half:
        write_24_bit(half, [mixed], rate, mixed.shape[1])
    return mix


def _click(hz: float, rate: int) -> Audio:
    """A sine that begins at once (its first frame is no zero) and dies away."""
    steps = np.arange(round(CLICK_S * rate))
    sound = np.sin(2 * np.pi * hz * (steps + 1) / rate) * np.exp(-steps / (_DECAY_S * rate))
    sound *= np.minimum((len(steps) - steps) / (0.1 * len(steps)), 1.0)
    click: Audio = (sound / np.abs(sound).max()).astype(np.float32)
    return click
