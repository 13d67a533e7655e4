"""A form to try, as plain data: importing it loads no numerical library."""

from __future__ import annotations

from dataclasses import dataclass

from render.clock_text import clock_text


@dataclass(frozen=True)
class Idea:
    """A form to try. `texts` are its parts; `clean` is the share of its joins that sound clean (0..1)."""

    name: str
    texts: tuple[str, ...]
    reason: str
    seconds: float
    clean: float

    @property
    def length_text(self) -> str:
        return clock_text(self.seconds, tenths=False)

    @property
    def line(self) -> str:
        """One line for a person."""
        return f'"{self.name}" ({self.length_text}, {self.clean:.0%} of its joins clean): {self.reason}'
