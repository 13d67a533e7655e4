"""The outlook of a song.toml: its listeners, forms and plan of rounds."""

from collections.abc import Callable, Iterator

import numpy as np

from render.audio.timeline import lay_out, longest_lead
from render.errors import StudyError
from render.song.song import Song
from reports.simulation.outlook import Outlook, PlannedPanel, Progress, RoundPlan, outlook


def planned_panel(song: Song) -> PlannedPanel:
    """Prior listens and weights of the song's listeners.

    Raises:
        StudyError: song.toml lists nobody.
    """
    if not song.listeners:
        raise StudyError("nobody is listed under [listeners] in song.toml; add who will listen")
    prior = [[x.prior_listens.get(form.name, 0.0) for form in song.forms] for x in song.listeners]
    return PlannedPanel(np.array(prior), np.array([x.weight for x in song.listeners]))


def round_minutes(song: Song) -> float:
    """How long the forms of one round play."""
    timelines = [lay_out(song, form) for form in song.forms]
    lead = longest_lead(song, timelines)
    return sum((lead + timeline.stop) / song.audio.sample_rate for timeline in timelines) / 60


def plan_outlook(
    song: Song,
    *,
    seed: int,
    refine: bool = True,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] = lambda: False,
) -> Iterator[Outlook]:
    """Successive answers for the song's panel and plan (see `outlook.outlook`).

    Raises:
        StudyError: song.toml lists nobody.
    """
    return outlook(
        planned_panel(song),
        RoundPlan(song.rounds, song.days),
        round_minutes=round_minutes(song),
        refine=refine,
        seed=seed,
        progress=progress,
        cancelled=cancelled,
    )
