"""The maker's page's actions, by name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from listening.maker.action import Action, Done, text
from listening.maker.sheets import bundles, forms, listeners, rounds, sections, song, verdict
from listening.maker.workspace import Workspace


def _undo(work: Workspace, _args: Mapping[str, Any], version: str) -> Done:
    return Done(f"Undone: {work.undo(version)}.")


def _cancel(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    work.jobs.cancel(text(args, "job"))
    return Done("It stops at its next step.")


def _dismiss(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    work.jobs.forget(text(args, "job"))
    return Done()


ACTIONS: Mapping[str, Action] = {
    "undo": _undo, "cancel": _cancel, "dismiss": _dismiss,
    **song.ACTIONS, **sections.ACTIONS, **forms.ACTIONS,
    **listeners.ACTIONS, **bundles.ACTIONS, **rounds.ACTIONS, **verdict.ACTIONS,
}  # fmt: skip
