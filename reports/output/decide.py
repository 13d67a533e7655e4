"""The decision: which form, by whom, why, and on what grounds, kept beside all earlier ones."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from render.errors import DecisionError
from render.steps import Step, no_step
from reports.facts.seals import seals
from reports.facts.study_facts import after_events, gather
from reports.files import REPORT
from reports.model import gates
from reports.output.markdown import way_back_pages
from reports.output.report import write_facts, write_report
from reports.output.sound import remove_sound
from reports.verdict import phrases
from reports.verdict.judge import Judgement
from reports.way_back.package import WayBack, folder_of, way_to, write_way_back
from reports.way_back.stems import stems_line, write_stems
from sessions.study import Study


@dataclass(frozen=True)
class Decided:
    """What was written, and what to tell about it."""

    paths: tuple[Path, ...]
    lines: tuple[str, ...]


def decide(
    study: Study,
    form: str,
    because: str,
    by: str,
    *,
    stems: bool = True,
    step: Step = no_step,
) -> Decided:
    """Record that `form` was chosen, open the study, and write the report and the way to rebuild it.

    Any form may be chosen; against the verdict a reason is required. A later decision does not erase this
    one. `stems`: also write the song's stems in the form's order. `step` is that of `write_report`.

    Raises:
        DecisionError: no name, or no reason where one is due; SongError: there is no such form; StudyError:
            song.toml has changed since the last render.
    """
    chosen = study.song.form(form)
    manifest = study.require_fresh_renders()
    reason, name = because.strip(), by.strip()
    if not name:
        raise DecisionError("a decision needs the name of who takes it; add --by NAME")
    study.register(manifest)
    facts = gather(study, checked=False)  # after_events compares, once this decision is there
    against = is_against(facts.judgement, chosen.name)
    if against and not reason:
        raise DecisionError(
            f'"{chosen.name}" is not what the verdict says; it may be chosen all the same, with a reason that'
            " the report will keep: add --because TEXT"
        )
    # the files first: a decision that could not be handed over is not recorded
    number = len(facts.decisions) + 1
    way = way_to(facts, chosen)
    folder = folder_of(study.song, number, chosen.name)
    paths = write_way_back(facts, chosen, way, way_back_pages(study.song.title, way), folder)
    form_stems = write_stems(study.song, chosen, manifest, folder, step) if stems else None
    detail = {
        "form": chosen.name,
        "by": name,
        "because": reason,
        "against": against,
        "verdict": _verdict_of_the_day(facts.judgement),
        "seals": seals(study, manifest),
    }
    study.log.add_event("decided", detail)
    written = write_facts(after_events(facts, study), way, study.folder / REPORT, step=step)
    lines = list(_lines(facts.judgement, chosen.name, name, against, way))
    if form_stems is not None:
        lines.append(stems_line(form_stems))
        paths = (*paths, *form_stems.paths)
    return Decided((*written.paths, *paths), tuple(lines))


def _lines(judgement: Judgement | None, form: str, by: str, against: bool, way: WayBack) -> Iterator[str]:
    yield f'Decided by {by}: "{form}"{", against the verdict" if against else ""}.'
    if judgement is not None:
        yield f"The verdict: {judgement.sentence}"
    else:
        yield "No form as it is now had been rated, so there was no verdict."
    steps = len(way.sheet.edits)
    if steps:
        places = phrases.counted(len(way.to_perform), "place")
        joins = phrases.counted(len(way.by_ear), "join")
        yield f"To rebuild it: {phrases.counted(steps, 'step')} (rebuild.md)."
        yield f"To perform again: {places}; to check by ear: {joins} (re-record.md)."
    else:
        yield "Nothing to rebuild: it is the song as it stands."


def reopen(study: Study, because: str) -> Decided:
    """Seal an opened study again for more rounds; its decisions stay in its history.

    Raises:
        DecisionError: it is not open, or no reason is given.
    """
    known = study.log.contents(listens=False)
    if known.opened is None:
        raise DecisionError("the study is sealed as it is; its rounds go on with `fairhearing listen`")
    if not because.strip():
        raise DecisionError("reopening needs a reason that the report will keep: add --because TEXT")
    study.log.add_event("reopened", {"because": because.strip()})
    remove_sound(study.folder / REPORT)
    if (study.folder / REPORT / "report.html").exists():
        write_report(study)  # what was opened is sealed again, on the disk too
    most = max(Counter(r.listener for r in known.rounds if r.complete).values(), default=0)
    lines = ["The study is sealed again; earlier decisions stay in its history."]
    if most >= study.song.rounds:
        lines.append(
            f"All {study.song.rounds} planned rounds are done: raise `rounds` under [plan] in song.toml "
            "for the rounds to come."
        )
    return Decided((), tuple(lines))


def is_against(judgement: Judgement | None, form: str) -> bool:
    """Whether choosing `form` goes against the verdict: against nothing while there is none."""
    if judgement is None or judgement.state == gates.LISTEN:
        return False
    return form != judgement.form and form not in (judgement.even or ())


def _verdict_of_the_day(judgement: Judgement | None) -> Mapping[str, Any] | None:
    if judgement is None:
        return None
    values = judgement.as_json()
    return {
        key: values[key] for key in ("state", "form", "sentence", "p_best", "expected_loss", "settled")
    } | {
        "best": judgement.best,
        "listens": judgement.listens,
        "days": judgement.days,
    }
