"""Whether the stems match the bounce: rate, length and channels, and the residual of their sum (stems.py)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from render.errors import AudioError
from render.song.audio_header import AudioInfo, audio_info

NULL_DB = -60.0


@dataclass(frozen=True)
class StemFit:
    """How the sum of all stems compares with the bounce.

    `residual_db`: RMS of bounce minus sum relative to the bounce, over the whole file;
    `worst_db` the same over the worst 400 ms, which begin at `worst_at_s`;
    `gain` the constant that matches the sum to the bounce best (least squares).
    """

    residual_db: float
    worst_db: float
    worst_at_s: float
    gain: float

    @property
    def nulls(self) -> bool:
        return self.residual_db <= NULL_DB

    @property
    def gain_db(self) -> float:
        return 20 * math.log10(max(self.gain, 1e-10))


def check_stems(stems: Mapping[str, Path], audio: AudioInfo) -> None:
    """Refuse stems that are missing or of another rate, length or channel count than the bounce."""
    for name, path in stems.items():
        info = audio_info(path)
        where = f"stems.{name}: {path.name}"
        if info.sample_rate != audio.sample_rate:
            raise AudioError(
                f"{where} has {info.sample_rate} Hz, the bounce {audio.sample_rate} Hz; export it again alike"
            )
        if info.frames != audio.frames:
            longer = "longer" if info.frames > audio.frames else "shorter"
            raise AudioError(
                f"{where} is {abs(info.frames - audio.frames)} frames {longer} than the bounce "
                f"({info.frames} and {audio.frames}); export both from the same start to the same end"
            )
        if info.channels not in (1, audio.channels):
            raise AudioError(
                f"{where} has {info.channels} channels, the bounce {audio.channels}; export it again alike"
            )
