"""Seconds as a player shows them."""

from __future__ import annotations


def clock_text(seconds: float, *, tenths: bool = True) -> str:
    """Minutes and seconds, rounded: "3:07.4", or "3:07" without `tenths`. Not for times below zero."""
    if not tenths:
        whole = round(seconds)
        return f"{whole // 60}:{whole % 60:02d}"
    count = round(seconds * 10)
    return f"{count // 600}:{count // 10 % 60:02d}.{count % 10}"
