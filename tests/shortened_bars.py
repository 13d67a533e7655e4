"""An invented song with beats taken out of one of its bars: what a bar of another length sounds like."""

import numpy as np

from tests.invented_songs import InventedSong, play


def without_beats(song: InventedSong, bar: int, beats: int, rate: int) -> np.ndarray:
    """The song with the last `beats` beats of `bar` taken out."""
    sound = play(song, rate)
    stop_s = song.start_s + bar * song.bar_s
    return np.concatenate(
        [sound[: round((stop_s - beats * song.beat_s) * rate)], sound[round(stop_s * rate) :]]
    )
