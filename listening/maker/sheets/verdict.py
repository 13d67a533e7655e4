"""The sheet Verdict."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from listening.maker.deeds import Deed
from listening.maker.workspace import Workspace


def stands(work: Workspace) -> str:
    """Whether it asks something."""
    return "in order" if work.song().listeners else "asks something"


def context(work: Workspace, shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows."""
    return {
        "song": work.song() if work.begun and not work.problem() else None,
        "problem": work.problem() if work.begun else "",
    }


ACTIONS: Mapping[str, Deed] = {}
