"""The sheet Sections: named ranges of bars with their pickups, each line heard."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from fractions import Fraction
from pathlib import Path
from typing import Any

from listening.maker.action import Action, Done, named, number, text, whole
from listening.maker.sheets.levels import drawing, levels_key, measure_levels
from listening.maker.sheets.song import SUGGESTED, grid_key, note_suggested
from listening.maker.workspace import Workspace
from render.analysis.frames_file import recall_frames
from render.analysis.sections import sections as suggest
from render.audio.stems import read_audio
from render.edits import sections as edits
from render.edits.forms import rename_form
from render.errors import PageError, StudyError
from render.proposals.draft import FROM_THE_SOUND
from render.proposals.idea import called_after
from render.song.forms import Section
from render.song.song import Song
from render.steps import Step, part_of

HEARD = "section line heard"
AROUND_BARS = 2
PICKUPS = (0, 1, 2, 3)


def stands(work: Workspace) -> str:
    """Whether lines that were suggested wait to be heard, before the rounds."""
    song = work.song()
    waits = suggested(work, song) and not work.study().known.rounds
    return "asks something" if not song.sections or waits else "in order"


def suggested(work: Workspace, song: Song) -> frozenset[int]:
    """First bars of sections that were suggested and neither heard nor touched since."""
    left: set[int] = set()
    for event in work.events(SUGGESTED, HEARD):
        if event.kind == SUGGESTED:
            left |= set(event.detail.get("bars", ()))
        else:
            left.discard(event.detail.get("bar", 0))
    return frozenset(left) & {section.first_bar for section in song.sections}


def adopt(work: Workspace) -> None:
    """Mark what `new` suggested in the terminal, or in a start of this page that was broken off."""
    if not work.begun or work.problem() or FROM_THE_SOUND not in work.text() or work.events(SUGGESTED):
        return
    if not work.study().known.rounds:
        note_suggested(work, work.song().sections)


def context(work: Workspace, shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows."""
    song = work.song()
    marked = suggested(work, song)
    if levels_key(song) not in work.cache:
        with suppress(StudyError):
            work.jobs.start("levels", "drawing the levels", lambda step: measure_levels(work, song, step))
    rows = [_row(work, song, at, section, marked) for at, section in enumerate(song.sections)]
    return {
        "song": song, "rows": rows, "uncovered": song.uncovered, "pickups": PICKUPS,
        "open": shown.get("section", ""), "suggesting": work.jobs.last("suggest"),
        "lines": [[s.bar, float(s.start_s), float(s.beat_s), s.meter.beats] for s in song.grid.stretches],
        "rate": song.audio.sample_rate, "frames": song.audio.frames,
    }  # fmt: skip


def _row(work: Workspace, song: Song, at: int, section: Section, marked: frozenset[int]) -> dict[str, Any]:
    grid = song.grid
    first = grid.line_frame(max(section.first_bar - AROUND_BARS, 1))
    last = min(grid.line_frame(section.first_bar + AROUND_BARS), song.audio.frames)
    before = song.sections[at - 1] if at else None
    return {
        "section": section, "begins_s": float(grid.line_s(section.first_bar)), "from": first,
        "frames": max(last - first, 1), "suggested": section.first_bar in marked,
        "drawing": drawing(work, song, section), "heard": {"bar": section.first_bar},
        "bordered": before is not None and before.last_bar + 1 == section.first_bar,
        "pickup": _plain(section.pickup_beats), "line_frame": grid.line_frame(section.first_bar),
    }  # fmt: skip


def _plain(beats: Fraction) -> float | int:
    return int(beats) if beats.denominator == 1 else float(beats)


def _heard(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    """A line was heard: it is no mere suggestion any more."""
    song = work.song()
    bar = whole(args, "bar", 1, song.last_bar)
    if bar in suggested(work, song):
        work.note(HEARD, {"grid": grid_key(song), "bar": bar})
    return Done()


def _touched(work: Workspace, *names: str) -> None:
    """Sections that were changed by hand are no suggestions any more."""
    song = work.song()
    marked = suggested(work, song)
    for section in song.sections:
        if section.first_bar in marked and section.name in names:
            work.note(HEARD, {"grid": grid_key(song), "bar": section.first_bar})


def _find(song: Song, args: Mapping[str, Any]) -> Section:
    return named(song.sections, text(args, "section"), "section")


def _edited(
    work: Workspace, version: str, words: str, edit: Callable[..., str], name: str, *values: object
) -> Done:
    """One edit of song.toml about the section `name`, which is no mere suggestion from then on."""
    work.change(words, version, edit, name, *values)
    _touched(work, name)
    return Done()


def _rename(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    song = work.song()
    section = _find(song, args)
    todo = edits.renames(song.sections, section.name, text(args, "name"))
    forms = [form.name for form in song.forms[1:]] if section.first_bar in suggested(work, song) else []

    def edit(toml: str, folder: Path) -> str:
        for old, new in todo:
            toml = edits.rename_section(toml, folder, old, new)
        for form in forms:  # "early E" is "early bridge" now
            if (called := called_after(form, section.name, todo[-1][1])) != form:
                toml = rename_form(toml, folder, form, called)
        return toml

    work.change("; ".join(f"“{old}” is “{new}”" for old, new in todo), version, edit)
    _touched(work, todo[-1][1])
    return Done()


def _move(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    section = _find(work.song(), args)
    bar = section.first_bar + whole(args, "by", -64, 64)
    words = f"“{section.name}” begins at bar {bar}"
    return _edited(work, version, words, edits.set_bars, section.name, bar, section.last_bar)


def _bars(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    name = _find(work.song(), args).name
    first, _, last = text(args, "bars").replace("–", "-").partition("-")
    if not first.strip().isdigit() or not (last or first).strip().isdigit():
        raise PageError(422, "order", "Bars are written like 5-12.")
    a, b = int(first), int(last or first)
    return _edited(work, version, f"“{name}”: bars {a}-{b}", edits.set_bars, name, a, b)


def _pickup(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    name, beats = _find(work.song(), args).name, number(args, "pickup", 0, 32)
    return _edited(work, version, f"“{name}”: a pickup of {beats:g}", edits.set_pickup, name, beats)


def _split(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    name = _find(work.song(), args).name
    bar = whole(args, "bar", 1, work.song().last_bar)
    return _edited(work, version, f"“{name}” split at bar {bar}", edits.split_section, name, bar)


def _join(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    name = _find(work.song(), args).name
    return _edited(work, version, f"“{name}” joined with the one before", edits.join_sections, name)


def _remove(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    name = _find(work.song(), args).name
    return _edited(work, version, f"“{name}” taken out", edits.remove_section, name)


def _line(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """A double bar at the bar line nearest to what is heard: the section there is split, or one begins."""
    song = work.song()
    at_s = Fraction(number(args, "at_s", 0, song.audio.seconds))
    bar, _ = song.grid.position(at_s)
    if song.grid.line_s(bar + 1) - at_s < at_s - song.grid.line_s(bar):
        bar += 1
    bar = min(max(bar, 1), song.last_bar)
    inside = next((s for s in song.sections if s.first_bar <= bar <= s.last_bar), None)
    if inside is not None and inside.first_bar == bar:
        _touched(work, inside.name)
        return Done(f"“{inside.name}” begins here, at bar {bar}, already.")
    words = f"a double bar at bar {bar}"
    if inside is not None:
        work.change(words, version, edits.split_section, inside.name, bar)
    else:
        sections = sorted([*song.sections, _new_section(song, bar)], key=lambda s: s.first_bar)
        work.change(words, version, edits.replace_sections, sections)
    return Done(f"A double bar at bar {bar}.")


def _new_section(song: Song, bar: int) -> Section:
    """A section from `bar` to the next one's first bar."""
    last = min((s.first_bar - 1 for s in song.sections if s.first_bar > bar), default=song.last_bar)
    taken = {section.name.casefold() for section in song.sections}
    name = next(n for n in (f"part {i}" for i in range(1, 1000)) if n.casefold() not in taken)
    return Section(name, bar, last)


def _suggest(work: Workspace, _args: Mapping[str, Any], version: str) -> Done:
    """Sections suggested from the audio, in place of those that are there."""
    if version != work.version():
        raise PageError(
            409, "changed", "song.toml was changed elsewhere meanwhile; this page shows it as it is now."
        )

    def listen(step: Step) -> None:
        song = work.song()
        step("listening for where the song changes", 0, 0)
        bounce = read_audio(song.audio.path)
        recall_frames(work.folder, song.audio.path, bounce, song.audio.sample_rate, part_of(step, 10, 70))
        step("listening for where the song changes", 70, 100)
        suggestion = suggest(bounce, song.grid, song.last_bar).sections
        step("writing them", 99, 100)

        def write(toml: str, folder: Path) -> str:  # marked first: a kill between leaves none unmarked
            new = edits.replace_sections(toml, folder, suggestion)
            note_suggested(work, suggestion)
            return new

        work.change("sections suggested", version, write)

    work.jobs.start("suggest", "listening for where the song changes", listen)
    return Done()


ACTIONS: Mapping[str, Action] = {
    "heard": _heard, "rename_section": _rename, "move_line": _move, "set_bars": _bars, "pickup": _pickup,
    "split": _split, "join_before": _join, "remove_section": _remove, "line_here": _line, "suggest": _suggest,
}  # fmt: skip
