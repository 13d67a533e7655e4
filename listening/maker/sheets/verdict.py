"""The sheet Verdict: sealed, the state and what it needs; opened, report, decision and way back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from listening.maker.action import Action, Done, flag, text
from listening.maker.downloads import BUNDLING
from listening.maker.sheets.way_back import GROUPS, TickStep, contents_words, tick_steps
from listening.maker.workspace import Workspace
from listening.round_state import still_to_hear
from render.errors import FairhearingError, PageError, StudyError
from render.figures import size_text
from render.song.song import Song
from render.steps import Step
from reports.facts.study_facts import Decision, gather
from reports.files import REPORT
from reports.model.gates import CLEAR, EVEN, SAFE
from reports.output import decide as decisions
from reports.output.report import summary, write_report
from reports.way_back.package import folder_of, way_back
from reports.way_back.stems import stems_bytes
from sessions.bundle.writing import bundle_bytes, caution
from sessions.resting import may_stop
from sessions.study import Study

MAY_OPEN = frozenset((CLEAR, SAFE, EVEN))  # states at which opening is regular, not early
REPORT_HTML = f"{REPORT}/report.html"
NOT_TRIED = {"form": "", "by": "", "because": ""}  # of a decision that was not recorded
TICKED, UNTICKED = "step ticked", "step unticked"


@dataclass(frozen=True)
class ShownVerdict:
    """What the page may know of a verdict: sealed, the state and its sentence; opened, all of it."""

    key: str
    sentence: str
    state: str
    sealed: bool
    chosen: str
    decided: int  # the number of the decision that stands; 0: none
    decision: str
    form: str  # the form of the way back; "" where there is none
    steps: tuple[TickStep, ...]
    needs: tuple[str, ...]
    taken: int  # decisions in all, those before a reopening too


def stands(work: Workspace) -> str:
    """Whether a decision waits to be taken."""
    contents = work.study().known
    if contents.opened is None:
        return "asks something" if may_stop(contents.events) else "not yet"
    return "in order" if any(event.kind == "decided" for event in contents.events) else "asks something"


def context(work: Workspace, _shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows."""
    song, study = work.song(), work.study()
    plain: dict[str, Any] = {
        "bundle_caution": caution(study),
        "bundle_size": bundle_size(study),
        "bundling": work.jobs.last(BUNDLING),
        "song": song,
        "reading": None,
        "judging": None,
        "rated": False,
    }
    if not study.has_log or not study.log.has_ratings():
        return plain
    key = reading_key(work)
    reading: ShownVerdict | None = work.cache.get("verdict")
    if reading is not None and not reading.sealed and study.log.contents(listens=False).opened is None:
        reading = None  # sealed again elsewhere: what was read while it was open is not shown
    if reading is None or reading.key != key:
        _begin_to_read(work, key)
    plain |= {
        "rated": True, "judging": work.jobs.last("verdict"), "tried": work.cache.get("tried", NOT_TRIED),
        "reading": reading, "current": reading is not None and reading.key == key,
        "may_open": _regular(work, reading), "waiting": still_to_hear(study),
        "reporting": work.jobs.last("report"), "deciding": work.jobs.last("decide"),
        "has_report": (work.folder / REPORT_HTML).is_file(), "report_made": report_made(work),
        "listeners": [listener.name for listener in song.listeners],
        "forms": [form.name for form in song.forms],
    }  # fmt: skip
    if reading is not None and not reading.sealed:
        plain["report_is_old"] = plain["has_report"] and report_is_old(work, reading)
        plain["stems_words"] = stems_words(song)
    if reading is not None and reading.decided:
        plain |= {
            "ticks": ticked(work, reading.decided),
            "rate": song.audio.sample_rate,
            "folder": "",
            "groups": GROUPS,
        }
        folder = folder_of(song, reading.decided, reading.form) if reading.form else None
        if folder is not None and folder.is_dir():
            plain |= {"folder": folder.name, "folder_words": contents_words(folder)}
    return plain


def bundle_size(study: Study) -> str:
    """About how large the study is as one file; "" where one of its files is missing."""
    with suppress(FairhearingError, OSError):
        return size_text(bundle_bytes(study))
    return ""


def report_made(work: Workspace) -> int:
    """When the report was written, in ns: a newer one comes in a frame of its own."""
    with suppress(OSError):
        return (work.folder / REPORT_HTML).stat().st_mtime_ns
    return 0


def report_is_old(work: Workspace, reading: ShownVerdict) -> bool:
    """Whether the report lacks what is recorded by now: its writing broke off, or it was opened elsewhere."""
    with suppress(OSError, ValueError):
        written = json.loads((work.folder / REPORT / "verdict.json").read_text(encoding="utf-8"))
        return bool(written["sealed"]) or len(written.get("decisions", ())) != reading.taken
    return True


def stems_words(song: Song) -> str:
    """How many stems a decision would write, and how much room the largest form's take; "" without stems."""
    if not song.stems:
        return ""
    most = max(stems_bytes(song, form) for form in song.forms)
    return f"{len(song.stems)} files, up to {size_text(most)}"


def reading_key(work: Workspace) -> str:
    """Changes with song.toml, the ratings, and what opens or decides: all that a verdict is read from."""
    contents = work.study().log.contents()
    turns = [event for event in contents.events if event.kind in ("opened", "decided", "reopened")]
    about = (work.version(), contents.listens, len(turns))
    return hashlib.sha256(repr(about).encode()).hexdigest()


def _begin_to_read(work: Workspace, key: str) -> None:
    """Read the ratings in a job; once for each state of them, if it was cancelled or failed."""
    last = work.jobs.last("verdict")
    gave_up = last is not None and last.state in ("failed", "cancelled")
    if gave_up and work.cache.get("verdict tried") == key:
        return
    with suppress(StudyError):
        work.jobs.start("verdict", "reading the ratings", lambda step: _read(work, step))
    work.cache["verdict tried"] = key


def _read(work: Workspace, step: Step) -> None:
    """Read the ratings, until nothing came in meanwhile; what is sealed stays in here."""
    while True:
        key = reading_key(work)
        step("reading the ratings", 0, 0)
        facts = gather(work.study())
        state = facts.judgement.state if facts.judgement is not None else ""
        way = None if facts.sealed else way_back(facts)
        steps = tick_steps(facts.song, way) if way is not None else ()
        needs = () if facts.sealed else tuple(facts.warnings)
        decision = facts.decision
        work.cache["verdict"] = ShownVerdict(
            key, summary(facts), state, facts.sealed, "" if facts.sealed else facts.chosen or "",
            len(facts.decisions) if decision is not None else 0,
            decision_words(decision),
            way.form if way is not None else "", steps, needs, len(facts.decisions),
        )  # fmt: skip
        if reading_key(work) == key:
            return


def decision_words(decision: Decision | None) -> str:
    """Who decided for which form, and why; "" where nothing is decided."""
    if decision is None:
        return ""
    why = f" Why: {decision.because}" if decision.because else ""
    return f"“{decision.form}”, says {decision.by}{', against the verdict' if decision.against else ''}.{why}"


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
    reading: ShownVerdict | None = work.cache.get("verdict")
    current = reading is not None and reading.key == reading_key(work)
    if not _regular(work, reading if current else None) and not flag(args, "early"):
        raise PageError(422, "order", "This would open the study early; ask for it as such.")

    def write(step: Step) -> str:
        return write_report(work.study(), open_now=True, step=step).sentence

    work.jobs.start("report", "opening the study and writing the report", write)
    return Done()


def _regular(work: Workspace, reading: ShownVerdict | None) -> bool:
    """Whether opening is regular: by the reading, or as listeners were told that they may stop."""
    by_reading = reading is not None and reading.state in MAY_OPEN
    return by_reading or may_stop(work.study().log.contents(listens=False).events)


def _decide(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    form, by = text(args, "form"), text(args, "by")
    because = text({"because": args.get("because", "")}, "because", empty=True)
    stems = args.get("stems", True) is True

    work.cache["tried"] = {"form": form, "by": by, "because": because}  # kept in the form, should it fail

    def write(step: Step) -> tuple[str, ...]:
        step("writing the way back", 0, 0)
        lines = decisions.decide(work.study(), form, because, by, stems=stems, step=step).lines
        work.cache.pop("tried", None)
        return lines

    work.jobs.start("decide", "recording the decision and writing the way back", write)
    return Done()


def _reopen(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    reopened = decisions.reopen(work.study(), text(args, "because"))
    work.touch()
    return Done(" ".join(reopened.lines))


def _tick(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    """Tick a step of the way back off, or take the tick back; it lasts in the log."""
    reading: ShownVerdict | None = work.cache.get("verdict")
    step = text(args, "step")
    if reading is None or not reading.decided:
        raise PageError(409, "gone", "There is no decision whose steps could be ticked off.")
    named = step_of(reading, step)
    if named is None:
        raise PageError(422, "order", "There is no such step.")
    detail = {"decision": reading.decided, "step": step, "words": named.words}
    work.note(TICKED if flag(args, "done") else UNTICKED, detail)
    return Done()


def step_of(reading: ShownVerdict, name: str) -> TickStep | None:
    """A step of the way back by its id."""
    return next((step for step in reading.steps if step.id == name), None)


def step_heard(work: Workspace, name: str) -> tuple[str, TickStep] | None:
    """The form decided on, and a step of its way back; None while there is none."""
    reading: ShownVerdict | None = work.cache.get("verdict")
    step = step_of(reading, name) if reading is not None and reading.decided else None
    return (reading.form, step) if reading is not None and step is not None else None


def decision_folder(work: Workspace) -> Path:
    """The folder of the way back of the decision that stands.

    Raises:
        PageError: 404, nothing is decided.
    """
    reading: ShownVerdict | None = work.cache.get("verdict")
    if reading is None or not reading.decided or not reading.form:
        raise PageError(404, "nothing", "Nothing is decided yet.")
    folder = folder_of(work.song(), reading.decided, reading.form)
    if not folder.is_dir():
        raise FairhearingError(f"the folder {folder} is gone; decide again to have it written anew")
    return folder


ACTIONS: Mapping[str, Action] = {
    "report": _report, "open_study": _open, "decide": _decide, "reopen": _reopen, "tick": _tick,
}  # fmt: skip
