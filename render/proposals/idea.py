"""A form to try, as plain data: importing it loads no numerical library."""

from __future__ import annotations

import re
from dataclasses import dataclass

from render.figures import clock_text


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
    def remark(self) -> str:
        """The comment above it in song.toml."""
        return f"{self.length_text}, {self.reason}"

    @property
    def line(self) -> str:
        """One line for a person."""
        return f'"{self.name}" ({self.length_text}, {self.clean:.0%} of its joins clean): {self.reason}'


_BEFORE = "early|late|no|short|shorter|half|breath before"
_BEHIND = "first|again|without .+|only .+"


def called_after(idea: str, old: str, new: str) -> str:
    """An idea's name with a section's new one: "early E" is "early bridge" then; other names stay."""
    of_it = re.compile(rf"((?:{_BEFORE}) )?{re.escape(old)}( (?:{_BEHIND}))?", re.IGNORECASE)
    pieces = []
    for piece in idea.split(", "):
        match = of_it.fullmatch(piece)
        named = match is not None and (match[1] or match[2])
        pieces.append(f"{match[1] or ''}{new}{match[2] or ''}" if match and named else piece)
    return ", ".join(pieces)
