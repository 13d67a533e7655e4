"""Rendering as somebody would write it first, to compare with; a program of its own, too.

    python -m tests.benchmarks.straightforward STUDY FOLDER

Per form: splice in memory, pyloudnorm, scipy's resample_poly x4 for the true peak, soundfile for writing,
then pyloudnorm again on the file that was read back. Forms are joined as the song says: as a program in the
newest way (stems are not read), in bench_render in the first one, a crossfade.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile
from scipy.signal import resample_poly

from render.audio.splice import Splicer
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out, longest_lead
from render.song.song import Song, load_song


def straightforward(song: Song, folder: Path) -> None:
    """Every form of `song` into `folder`; every step per form."""
    meter = pyloudnorm.Meter(song.audio.sample_rate)
    timelines = [lay_out(song, form) for form in song.forms]
    lead = longest_lead(song, timelines)
    for number, timeline in enumerate(timelines):
        mixes = Mixes(song, read_audio(song.audio.path), None)
        audio = Splicer(timeline, mixes, lead).read(-lead, timeline.stop)
        loudness = meter.integrated_loudness(audio)
        peak = max(np.abs(resample_poly(audio[:, c], 4, 1)).max() for c in range(audio.shape[1]))
        gain_db = min(-20.0 - loudness, -1.0 - 20 * np.log10(peak))
        path = folder / f"{number}.wav"
        soundfile.write(path, audio * 10 ** (gain_db / 20), song.audio.sample_rate, subtype="PCM_24")
        again, rate = soundfile.read(path)
        pyloudnorm.Meter(rate).integrated_loudness(again)


if __name__ == "__main__":
    straightforward(load_song(Path(sys.argv[1])), Path(sys.argv[2]))
