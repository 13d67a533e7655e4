"""Invented songs with what the analysis computes of them first, once a run for all tests that ask."""

from functools import lru_cache

import numpy as np

from render.analysis.frames import SongFrames, keep, song_frames
from render.analysis.onsets import Onsets, onsets
from tests.invented_songs import InventedSong, play
from tests.shared import shared


def heard(song: InventedSong, rate: int = 22050, silence_s: float = 0.0) -> tuple[np.ndarray, Onsets]:
    """The song as float32 (frames, 2) after some silence, and its onset curve; `song_frames` knows its
    frames by now."""
    sound, frames, curve = _heard(song, rate, silence_s)
    keep(sound, rate, frames)
    return sound, curve


@lru_cache(maxsize=12)
def _heard(song: InventedSong, rate: int, silence_s: float) -> tuple[np.ndarray, SongFrames, Onsets]:
    sound = play(song, rate)
    if silence_s > 0:
        sound = np.concatenate([np.zeros((round(silence_s * rate), 2), np.float32), sound])

    def computed() -> tuple[SongFrames, Onsets]:
        return song_frames(sound, rate), onsets(sound, rate)

    return sound, *shared(computed, "heard", song, rate, silence_s)
