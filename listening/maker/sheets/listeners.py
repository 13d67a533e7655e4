"""The sheet Listeners: who takes part and knows the song how well, rounds and days, what they can tell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from listening.maker.action import Action, Done, number, text, whole
from listening.maker.sheets.outlook import outlook_of, picture
from listening.maker.workspace import Workspace
from render.edits.settings import remove_listener, rename_listener, set_listener, set_plan
from render.errors import PageError
from render.song.forms import AS_WRITTEN
from render.song.song import Listener, Song

MOST_ROUNDS, MOST_DAYS = 60, 365


def stands(work: Workspace) -> str:
    """Whether anybody is there to listen."""
    return "in order" if work.song().listeners else "asks something"


def context(work: Workspace, shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows."""
    del shown
    if not work.begun or work.problem():
        return {"song": None, "problem": work.problem() if work.begun else ""}
    song = work.song()
    known: Mapping[str, bool] = {}
    study = work.study()
    if study.has_log:
        known = study.log.contents(listens=False).listeners
    answer = outlook_of(work, song)
    heard = {
        x.name: [name for name, count in x.prior_listens.items() if count and name != AS_WRITTEN]
        for x in song.listeners
    }
    return {
        "song": song, "problem": "", "written": AS_WRITTEN, "known": known, "heard": heard,
        "forms": [form.name for form in song.forms if form.name != AS_WRITTEN],
        "outlook": answer, "picture": picture(answer) if answer else [], "looking": work.jobs.last("outlook"),
    }  # fmt: skip


def _listener(song: Song, args: Mapping[str, Any]) -> Listener:
    name = text(args, "listener")
    for listener in song.listeners:
        if listener.name == name:
            return listener
    raise PageError(409, "gone", f"There is no listener “{name}” any more.")


def _add(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    name = text(args, "name")
    if any(x.name.casefold() == name.casefold() for x in work.song().listeners):
        raise PageError(422, "order", f"“{name}” is listed already.")
    prior = number({"prior_listens": args.get("prior_listens") or 0}, "prior_listens", 0, 100_000)
    listener = Listener(name, {AS_WRITTEN: prior} if prior else {})
    work.change(f"“{name}” listens", version, lambda t: set_listener(t, work.folder, listener))
    return Done()


def _prior(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    listener = _listener(work.song(), args)
    form = text({"form": args.get("form", AS_WRITTEN)}, "form")
    counts = dict(listener.prior_listens) | {form: number(args, "prior_listens", 0, 100_000)}
    changed = Listener(listener.name, counts, listener.weight)
    work.change(
        f"how often “{listener.name}” has heard it", version, lambda t: set_listener(t, work.folder, changed)
    )
    return Done()


def _weight(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    listener = _listener(work.song(), args)
    changed = Listener(listener.name, listener.prior_listens, number(args, "weight", 0, 1000))
    work.change(f"the weight of “{listener.name}”", version, lambda t: set_listener(t, work.folder, changed))
    return Done()


def _rename(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Another name, before the log knows the old one: to the log it would be somebody else."""
    listener, name = _listener(work.song(), args), text(args, "name")
    study = work.study()
    if study.has_log and listener.name in study.log.contents(listens=False).listeners:
        raise PageError(
            422, "order", f"“{listener.name}” is in the log by that name; another name would be somebody "
            "else, "
            "who has heard nothing."
        )  # fmt: skip
    work.change(
        f"“{listener.name}” is “{name}”",
        version,
        lambda t: rename_listener(t, work.folder, listener.name, name),
    )
    return Done()


def _remove(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    listener = _listener(work.song(), args)
    work.change(
        f"“{listener.name}” taken out", version, lambda t: remove_listener(t, work.folder, listener.name)
    )
    return Done()


def _plan(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    values: dict[str, object] = {}
    if "rounds" in args:
        values["rounds"] = whole(args, "rounds", 1, MOST_ROUNDS)
    if "days" in args:
        values["days"] = whole(args, "days", 1, MOST_DAYS)
    song = work.song()
    rounds, days = values.get("rounds", song.rounds), values.get("days", song.days)
    work.change(f"{rounds} rounds over {days} days", version, lambda t: set_plan(t, work.folder, values))
    return Done()


ACTIONS: Mapping[str, Action] = {
    "listener_add": _add, "prior": _prior, "weight": _weight, "listener_rename": _rename,
    "listener_remove": _remove, "plan": _plan,
}  # fmt: skip
