"""Results of `check`, as plain data: importing it loads no numerical library."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from render.joins.finding import JoinFinding


@dataclass(frozen=True)
class SectionRow:
    name: str
    bars: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class FormRow:
    name: str
    parts: tuple[str, ...]
    bars: float
    seconds: float
    joins: tuple[JoinFinding, ...]  # the worst first

    @property
    def doubtful(self) -> str:
        """How many joins are doubtful, or that none is."""
        return str(sum(join.doubtful for join in self.joins) or "clean")


@dataclass(frozen=True)
class Checked:
    """What `check` found; `lines` are facts, `warnings` ask for something."""

    sections: tuple[SectionRow, ...]
    forms: tuple[FormRow, ...]
    lines: tuple[str, ...]
    warnings: tuple[str, ...]
    tempo: Mapping[str, Any]
    grid_fits: bool
