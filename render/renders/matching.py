"""Gains that make all forms equally loud: never boost, never limit.

The target is the highest loudness that every form reaches with a gain of 0 dB or less and a true peak of
-1 dBTP or less; every written file is held to it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from render.errors import RenderError

CEILING_DBTP = -1.0
ROUNDING_DB = 0.001  # left below the ceiling: rounding to 24 bit may add some millionths
TOLERANCE_LU = 0.05


@dataclass(frozen=True)
class FormLoudness:
    """Integrated loudness and true peak of a form before gain."""

    lufs: float
    true_peak_dbtp: float


def match(own: Mapping[str, FormLoudness], matching: str) -> tuple[float | None, dict[str, float]]:
    """(target in LUFS, gain in dB by form): never above 0 dB, never over the ceiling.

    With "same gain" there is one gain and no common target (None).
    """
    most = {name: min(0.0, CEILING_DBTP - ROUNDING_DB - form.true_peak_dbtp) for name, form in own.items()}
    if matching == "same gain":
        return None, dict.fromkeys(own, min(most.values()))
    target = min(form.lufs + most[name] for name, form in own.items())
    return target, {name: target - form.lufs for name, form in own.items()}


def audible(name: str, own: FormLoudness) -> FormLoudness:
    if not math.isfinite(own.lufs):
        raise RenderError(
            f'"{name}" is wholly below -70 LUFS, the gate of BS.1770: there is nothing to match; check the '
            "bounce's level"
        )
    return own


def check_again(name: str, lufs: float, true_peak_dbtp: float, expected_lufs: float) -> None:
    off = lufs - expected_lufs
    if not abs(off) <= TOLERANCE_LU:
        raise RenderError(
            f'"{name}" measures {lufs:.2f} LUFS after writing, {off:+.2f} LU from what it '
            f"must; at most {TOLERANCE_LU} LU are allowed, so it was not kept: check the disk, render again"
        )
    if true_peak_dbtp > CEILING_DBTP:
        raise RenderError(
            f'"{name}" peaks at {true_peak_dbtp:.2f} dBTP after writing, above {CEILING_DBTP} dBTP; '
            "it was not kept: check the disk, then render again"
        )
