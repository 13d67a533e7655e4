"""The level check: some seconds of the song as loud as the rounds will be, with a soft beginning."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile

from render.arrays import Audio
from render.audio.crossfade import rise
from render.audio.integers import to_int24, write_24_bit
from render.audio.loudest import loudest
from render.errors import NotRenderedError
from render.renders.manifest import Manifest

LEVEL_CHECK_S = 12.0
FADE_IN_S = 3.0
FADE_OUT_S = 1.0


def level_check_audio(folder: Path, manifest: Manifest) -> Audio:
    """The loudest 12 s of the song at the rounds' level, (frames, channels) float32, faded in over 3 s.

    It is taken from the song as written: the loudest passage is heard in every form or known anyway.

    Raises:
        NotRenderedError: the render is missing or damaged.
    """
    path = folder / manifest.forms[0].wav
    rate = manifest.sample_rate
    length = min(round(LEVEL_CHECK_S * rate), manifest.forms[0].frames)
    try:
        start = loudest(path, length)
        audio: Audio = soundfile.read(path, frames=length, start=start, dtype="float32", always_2d=True)[0]
    except (OSError, RuntimeError):
        raise NotRenderedError("a render is missing; run `fairhearing render`, then go on") from None
    fade_in, fade_out = min(round(FADE_IN_S * rate), length), min(round(FADE_OUT_S * rate), length)
    audio[:fade_in] *= rise(fade_in)
    audio[length - fade_out :] *= rise(fade_out)[::-1]
    return audio


@contextmanager
def level_check_file(folder: Path, manifest: Manifest) -> Iterator[Path]:
    """The level check as a WAV file that vanishes when the block ends."""
    audio = level_check_audio(folder, manifest)
    with tempfile.TemporaryDirectory(prefix="fairhearing-") as place:
        path = Path(place) / "level-check.wav"
        write_24_bit(
            path, [to_int24(audio, 1.0, np.empty_like(audio))], manifest.sample_rate, manifest.channels
        )
        yield path
