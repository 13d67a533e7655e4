"""What a plan can tell, for the page: a first answer within a second of a change, refined beside it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from listening.maker.workspace import Workspace
from render.errors import FairhearingError, StudyError
from render.song.song import Song
from render.steps import Step
from reports.model.reading import SEED
from reports.simulation.outlook import Outlook
from reports.simulation.plan_outlook import plan_outlook

WIDTH, HEIGHT = 240, 110  # of the picture: how often the form named is the best, by lead


def wanted_key(song: Song) -> tuple[Any, ...]:
    """What an outlook is about: listeners, prior listens, weights, forms, rounds, days."""
    names = tuple(form.name for form in song.forms)
    who = tuple((x.name, tuple(sorted(x.prior_listens.items())), x.weight) for x in song.listeners)
    return names, who, song.rounds, song.days


def outlook_of(work: Workspace, song: Song) -> Outlook | None:
    """The outlook as far as it is worked out for this plan; what is missing begins to be worked out."""
    if not song.listeners or len(song.forms) < 2:
        return None
    key = wanted_key(song)
    last: tuple[object, Outlook] | None = work.cache.get("outlook")
    if last is None or last[0] != key or last[1].done < 1:
        with suppress(StudyError):  # the one under way looks at the plan again at its next step
            work.jobs.start("outlook", "looking ahead", lambda step: _look(work, step))
    return last[1] if last is not None and last[0] == key else None


def _look(work: Workspace, step: Step) -> None:
    """Answers for the plan as it is, each better than the one before; begun anew when the plan changes."""
    while True:
        song = work.song()
        key = wanted_key(song)

        def changed(key: tuple[Any, ...] = key) -> bool:
            with suppress(FairhearingError):
                return wanted_key(work.song()) != key
            return True

        def heard(done: int, of: int) -> None:
            step("looking ahead", done, of)

        for answer in plan_outlook(song, seed=SEED, progress=heard, cancelled=changed):
            work.cache["outlook"] = (key, answer)
            work.touch()
        if not changed():
            return


@dataclass(frozen=True)
class Point:
    """A lead in points on the picture: where it stands, and the error of the chance beside it."""

    x: float
    y: float
    low: float
    high: float
    words: str


def picture(answer: Outlook) -> list[Point]:
    """The chance that the form named is the best, over the lead in points, from never (below) to always."""
    rows = [row for row in answer.rows if row.lead is not None]
    leads = [row.lead or 0.0 for row in rows]
    least, most = min(leads), max(leads)

    def height(chance: float) -> float:
        return HEIGHT * (1 - min(max(chance, 0.0), 1.0))

    return [
        Point(
            WIDTH * (lead - least) / ((most - least) or 1.0), height(row.named.value),
            height(row.named.value - row.named.error), height(row.named.value + row.named.error),
            f"{lead:g}",
        )
        for lead, row in zip(leads, rows, strict=True)
    ]  # fmt: skip
