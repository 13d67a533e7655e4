"""What was heard and what should have been: integers of recordings and renders, without silence around."""

from __future__ import annotations

import numpy as np
import soundfile
from numpy.typing import NDArray

from sessions.records import ListenRecord
from sessions.study import Study
from tests.meter_series import measure

Integers = NDArray[np.int32]  # (frames, channels), 24-bit values in the upper bits


def sounding(audio: Integers) -> Integers:
    """Without the digital silence before and after."""
    loud = np.flatnonzero(np.any(audio != 0, axis=1))
    return audio[loud[0] : loud[-1] + 1] if len(loud) else audio[:0]


def without_gaps(audio: Integers, rate: int = 48000) -> Integers:
    """Without digital silence of 5 ms and more within, as a sound server puts in that was left waiting.

    The tests' songs hold noise, and no such silence of their own.
    """
    silent = np.all(audio == 0, axis=1).astype(np.int8)
    edges = np.flatnonzero(np.diff(silent, prepend=0, append=0)).reshape(-1, 2)
    keep = np.ones(len(audio), dtype=bool)
    for start, stop in edges:
        keep[start:stop] = stop - start < 0.005 * rate
    return audio[keep]


def gaps_s(audio: Integers, rate: int = 48000) -> float:
    """How much digital silence of 5 ms and more a recording holds, in seconds."""
    return (len(audio) - len(without_gaps(audio, rate))) / rate


def sounding_render(study: Study, listen: ListenRecord) -> Integers:
    """What must sound in a listen: its form's render without the silence around it."""
    form = study.manifest.by_hash(study.log.contents().form(listen.form_id).content_hash)
    assert form is not None
    return sounding(soundfile.read(study.folder / form.wav, dtype="int32", always_2d=True)[0])


def loudness_lufs(audio: Integers, rate: int = 48000) -> float:
    return measure((audio / 2**31).astype(np.float32), rate).integrated_lufs
