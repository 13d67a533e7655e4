"""A song's frames kept beside its renders, under the content hash of its audio file."""

from __future__ import annotations

import io
import re
import zipfile
from contextlib import suppress
from pathlib import Path

import numpy as np

from render.analysis.frames import BANDS, CHROMA_EVERY, SongFrames, keep, song_frames
from render.arrays import Audio
from render.digests import digests
from render.files import write_beside
from render.steps import Step, no_step

FOLDER = "renders"
_VERSION = 2  # counts changes of what frames hold or how they are computed
_OURS = re.compile(r"frames-\d+-[0-9a-f]{16}\.npz")


def recall_frames(folder: Path, path: Path, audio: Audio, sample_rate: int, step: Step = no_step) -> None:
    """Have `song_frames` give what an earlier command computed of this audio; else compute and keep it.

    `folder` is the study's, `path` the file that holds `audio`. A damaged file is made anew. `step`
    is told how far it is.
    """
    (digest,) = digests([path], folder).values()
    there = folder / FOLDER / f"frames-{_VERSION}-{(digest or '')[:16]}.npz"
    kept_frames = _read(there, -(-len(audio) // round(0.005 * sample_rate)))
    if kept_frames is not None:
        keep(audio, sample_rate, kept_frames)
        return
    frames = song_frames(audio, sample_rate, step)
    data = io.BytesIO()
    np.savez(data, hop_s=np.float64(frames.hop_s), bands=frames.bands, chroma=frames.chroma)
    write_beside(there, data.getvalue())
    if there.exists():
        for other in there.parent.glob("frames-*.npz"):
            if other != there and _OURS.fullmatch(other.name):
                with suppress(OSError):
                    other.unlink()


def _read(path: Path, steps: int) -> SongFrames | None:
    """The frames in a file, if it is whole (its members carry CRC-32 sums) and of this length."""
    try:
        with np.load(path) as file:
            frames = SongFrames(float(file["hop_s"]), file["bands"], file["chroma"])
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
        return None
    fits = frames.bands.shape == (steps, BANDS) and frames.chroma.shape == (-(-steps // CHROMA_EVERY), 12)
    floats = frames.bands.dtype == frames.chroma.dtype == np.float32
    return frames if fits and floats and frames.hop_s > 0 else None
