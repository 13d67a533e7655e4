"""The sheet Listeners: who takes part and knows the song how well, rounds and days, what they can tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from listening.maker.action import Action, Done, changed, named, number, text, whole
from listening.maker.sheets.outlook import outlook_of, picture
from listening.maker.workspace import Workspace
from render.edits.settings import remove_listener, rename_listener, set_keys, set_listener
from render.errors import PageError
from render.song.forms import AS_WRITTEN
from render.song.song import Listener

MOST_ROUNDS, MOST_DAYS = 60, 365


def stands(work: Workspace) -> str:
    """Whether anybody is there to listen."""
    return "in order" if work.song().listeners else "asks something"


def context(work: Workspace, _shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows."""
    song = work.song()
    answer = outlook_of(work, song)
    heard = {
        x.name: [name for name, count in x.prior_listens.items() if count and name != AS_WRITTEN]
        for x in song.listeners
    }
    return {
        "song": song, "written": AS_WRITTEN, "heard": heard, "known": work.study().known.listeners,
        "forms": [form.name for form in song.forms if form.name != AS_WRITTEN],
        "outlook": answer, "picture": picture(answer) if answer else [], "looking": work.jobs.last("outlook"),
    }  # fmt: skip


def _listener(work: Workspace, args: Mapping[str, Any]) -> Listener:
    return named(work.song().listeners, text(args, "listener"), "listener")


def _add(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    name = text(args, "name")
    if any(x.name.casefold() == name.casefold() for x in work.song().listeners):
        raise PageError(422, "order", f"“{name}” is listed already.")
    prior = number({"prior_listens": args.get("prior_listens") or 0}, "prior_listens", 0, 100_000)
    listener = Listener(name, {AS_WRITTEN: prior} if prior else {})
    return changed(work, version, f"“{name}” listens", set_listener, listener)


def _prior(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    listener = _listener(work, args)
    form = text({"form": args.get("form", AS_WRITTEN)}, "form")
    counts = dict(listener.prior_listens) | {form: number(args, "prior_listens", 0, 100_000)}
    words = f"how often “{listener.name}” has heard it"
    return changed(work, version, words, set_listener, replace(listener, prior_listens=counts))


def _weight(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    listener = _listener(work, args)
    weighed = replace(listener, weight=number(args, "weight", 0, 1000))
    return changed(work, version, f"the weight of “{listener.name}”", set_listener, weighed)


def _rename(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Another name, before the log knows the old one: to the log it would be somebody else."""
    listener, name = _listener(work, args), text(args, "name")
    if listener.name in work.study().known.listeners:
        raise PageError(
            422, "order", f"“{listener.name}” is in the log by that name; another name would be somebody "
            "else, who has heard nothing."
        )  # fmt: skip
    return changed(work, version, f"“{listener.name}” is “{name}”", rename_listener, listener.name, name)


def _remove(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    listener = _listener(work, args)
    return changed(work, version, f"“{listener.name}” taken out", remove_listener, listener.name)


def _plan(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    values: dict[str, object] = {}
    if "rounds" in args:
        values["rounds"] = whole(args, "rounds", 1, MOST_ROUNDS)
    if "days" in args:
        values["days"] = whole(args, "days", 1, MOST_DAYS)
    song = work.song()
    rounds, days = values.get("rounds", song.rounds), values.get("days", song.days)
    return changed(work, version, f"{rounds} rounds over {days} days", set_keys, "plan", values)


ACTIONS: Mapping[str, Action] = {
    "listener_add": _add, "prior": _prior, "weight": _weight, "listener_rename": _rename,
    "listener_remove": _remove, "plan": _plan,
}  # fmt: skip
