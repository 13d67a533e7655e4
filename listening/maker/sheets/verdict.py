"""The sheet Verdict: sealed, the state and what it needs; opened, report, decision and way back."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from listening.maker.deeds import Deed, Done, flag, text
from listening.maker.jobs import Step
from listening.maker.sheets.way_back import places
from listening.maker.workspace import Workspace
from listening.status import study_status
from render.errors import FairhearingError, PageError, StudyError
from reports.facts.study_facts import gather
from reports.model.gates import CLEAR, EVEN, SAFE
from reports.output import decide as decisions
from reports.output.report import summary, write_report
from reports.way_back.package import WayBack, folder_of, way_back
from sessions.bundle.writing import caution

MAY_OPEN = frozenset((CLEAR, SAFE, EVEN))  # states at which opening is regular, not early
REPORT_HTML = Path("report") / "report.html"
TICKED, UNTICKED = "step ticked", "step unticked"


@dataclass(frozen=True)
class Reading:
    """What the page may know of a verdict: sealed, the state and its sentence; opened, all of it."""

    key: str
    sentence: str
    state: str
    sealed: bool
    chosen: str
    decided: int  # the number of the decision that stands; 0: none
    decision: str
    way: WayBack | None
    needs: tuple[str, ...]


def stands(work: Workspace) -> str:
    """Whether a decision waits to be taken."""
    study = work.study()
    if not study.has_log:
        return "not yet"
    contents = study.log.contents(listens=False)
    if any(event.kind == "decided" for event in contents.events) and contents.opened is not None:
        return "in order"
    if contents.opened is not None:
        return "asks something"
    return "not yet"


def context(work: Workspace, shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows."""
    del shown
    if not work.begun or work.problem():
        return {"song": None, "problem": work.problem() if work.begun else ""}
    song, study = work.song(), work.study()
    plain: dict[str, Any] = {
        "bundle_caution": caution(study) if study.has_log else "",
        "song": song,
        "problem": "",
        "reading": None,
        "judging": work.jobs.last("verdict"),
    }
    if not study.has_log or not study.log.has_ratings():
        return plain
    key = reading_key(work)
    reading: Reading | None = work.cache.get("verdict")
    if reading is None or reading.key != key:
        with suppress(StudyError):
            work.jobs.start("verdict", "reading the ratings", lambda step: _read(work, step))
    plain |= {
        "reading": reading, "current": reading is not None and reading.key == key,
        "may_open": reading is not None and reading.state in MAY_OPEN, "waiting": waiting(work),
        "reporting": work.jobs.last("report"), "deciding": work.jobs.last("decide"),
"has_report": (work.folder / REPORT_HTML).is_file(),
        "listeners": [listener.name for listener in song.listeners],
        "forms": [form.name for form in song.forms],
    }  # fmt: skip
    if reading is not None and reading.decided:
        plain["ticks"] = ticked(work, reading.decided)
        plain["rate"] = song.audio.sample_rate
        plain["places"] = {}
        if reading.way is not None and any(form.name == reading.way.form for form in song.forms):
            plain["places"] = places(song, reading.way)
    return plain


def reading_key(work: Workspace) -> str:
    """Changes with song.toml, the ratings, and what opens or decides: all that a verdict is read from."""
    contents = work.study().log.contents()
    turns = [event for event in contents.events if event.kind in ("opened", "decided", "reopened")]
    about = (work.version(), contents.listens, len(turns))
    return hashlib.sha256(repr(about).encode()).hexdigest()


def _read(work: Workspace, step: Step) -> None:
    """Read the ratings, until nothing came in meanwhile; what is sealed stays in here."""
    while True:
        key = reading_key(work)
        step("reading the ratings", 0, 0)
        facts = gather(work.study())
        state = facts.judgement.state if facts.judgement is not None else ""
        needs = () if facts.sealed else tuple(facts.warnings)
        decision = facts.decision
        work.cache["verdict"] = Reading(
            key, summary(facts), state, facts.sealed, "" if facts.sealed else facts.chosen or "",
            len(facts.decisions) if decision is not None else 0,
            "" if decision is None else f"{decision.by}: “{decision.form}”. {decision.because}",
            None if facts.sealed else way_back(facts), needs,
        )  # fmt: skip
        if reading_key(work) == key:
            return


def waiting(work: Workspace) -> list[str]:
    """Listeners whose rounds are not done, and how far they are."""
    status = study_status(work.study())
    return [
        f"{x.name} ({x.rounds_done} of {x.rounds_planned} done)"
        for x in status.listeners
        if x.rounds_done < x.rounds_planned
    ]


def ticked(work: Workspace, decision: int) -> frozenset[str]:
    """Steps of a decision's way back that are ticked off, by the log."""
    steps: set[str] = set()
    for event in work.events(TICKED, UNTICKED):
        if event.detail.get("decision") == decision:
            (steps.add if event.kind == TICKED else steps.discard)(str(event.detail.get("step")))
    return frozenset(steps)


def _report(work: Workspace, _args: Mapping[str, Any], _version: str) -> Done:
    def write(step: Step) -> str:
        return write_report(work.study(), step=step).sentence

    work.jobs.start("report", "writing the report", write)
    return Done()


def _open(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    """Open the study: regularly where its state allows it, else early, which the page has asked twice."""
    reading: Reading | None = work.cache.get("verdict")
    regular = reading is not None and reading.state in MAY_OPEN and reading.key == reading_key(work)
    if not regular and not flag(args, "early"):
        raise PageError(422, "order", "This would open the study early; ask for it as such.")

    def write(step: Step) -> str:
        return write_report(work.study(), open_now=True, step=step).sentence

    work.jobs.start("report", "opening the study and writing the report", write)
    return Done()


def _decide(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    form, by = text(args, "form"), text(args, "by")
    because = text({"because": args.get("because", "")}, "because", empty=True)

    def write(step: Step) -> tuple[str, ...]:
        step("writing the way back", 0, 0)
        return decisions.decide(work.study(), form, because, by, step=step).lines

    work.jobs.start("decide", "recording the decision and writing the way back", write)
    return Done()


def _reopen(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    reopened = decisions.reopen(work.study(), text(args, "because"))
    work.touch()
    return Done(" ".join(reopened.lines))


def _tick(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    """Tick a step of the way back off, or take the tick back; it lasts in the log."""
    reading: Reading | None = work.cache.get("verdict")
    step = text(args, "step")
    if reading is None or not reading.decided:
        raise PageError(409, "gone", "There is no decision whose steps could be ticked off.")
    if step not in steps_of(reading.way):
        raise PageError(422, "order", "There is no such step.")
    work.note(TICKED if flag(args, "done") else UNTICKED, {"decision": reading.decided, "step": step})
    return Done()


def steps_of(way: WayBack | None) -> tuple[str, ...]:
    """Names of the steps of a way back: edits, then what is performed again, then joins to check by ear."""
    if way is None:
        return ()
    edits = [f"edit {n}" for n in range(1, len(way.sheet.edits) + 1)]
    return (*edits, *(f"again {n}" for n in range(1, len(way.again) + 1)))


def decision_folder(work: Workspace) -> Any:
    """The folder of the way back of the decision that stands.

    Raises:
        PageError: 404, nothing is decided.
    """
    reading: Reading | None = work.cache.get("verdict")
    if reading is None or not reading.decided or reading.way is None:
        raise PageError(404, "nothing", "Nothing is decided yet.")
    folder = folder_of(work.song(), reading.decided, reading.way.form)
    if not folder.is_dir():
        raise FairhearingError(f"the folder {folder} is gone; decide again to have it written anew")
    return folder


ACTIONS: Mapping[str, Deed] = {
    "report": _report, "open_study": _open, "decide": _decide, "reopen": _reopen, "tick": _tick,
}  # fmt: skip
