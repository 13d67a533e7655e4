"""What a plan can tell, for the page: a first answer at once, refined beside it."""

from __future__ import annotations

from typing import Any

from listening.maker.workspace import Workspace
from render.song.song import Song


def wanted_key(song: Song) -> tuple[Any, ...]:
    """What an outlook is about: listeners, prior listens, weights, forms, rounds, days."""
    names = tuple(form.name for form in song.forms)
    who = tuple((x.name, tuple(sorted(x.prior_listens.items())), x.weight) for x in song.listeners)
    return names, who, song.rounds, song.days


def outlook_of(work: Workspace) -> Any:
    """The outlook as far as it is worked out."""
    return work.cache.get("outlook")
