"""Times, counts and sizes as people read them."""

from __future__ import annotations

from fractions import Fraction


def clock_text(seconds: float, *, tenths: bool = True) -> str:
    """Minutes and seconds, rounded: "3:07.4", or "3:07" without `tenths`. Not for times below zero."""
    if not tenths:
        whole = round(seconds)
        return f"{whole // 60}:{whole % 60:02d}"
    count = round(seconds * 10)
    return f"{count // 600}:{count // 10 % 60:02d}.{count % 10}"


def figure(number: float | Fraction) -> str:
    """ "8", "1.5", "0.33"."""
    return f"{float(number):.2f}".rstrip("0").rstrip(".")


def counted(number: float | Fraction, noun: str) -> str:
    """ "1 bar", "2.5 beats"."""
    return f"{figure(number)} {noun}{'' if number == 1 else 's'}"


def size_text(count: int) -> str:
    """So many bytes: "12 MB"."""
    if count >= 1e9:
        return f"{count / 1e9:.1f} GB"
    return f"{count / 1e6:.0f} MB" if count >= 1e6 else f"{count / 1e3:.0f} kB"
