"""Whether the stems add up to the bounce, as figures (stems.py finds them)."""

from __future__ import annotations

import math
from dataclasses import dataclass

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
