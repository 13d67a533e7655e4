"""Changes to a song's sections; the forms follow."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from render.edits.editing import edited
from render.edits.parts import follow_bars, follow_edges, follow_name
from render.edits.toml_text import TomlText
from render.errors import SongError
from render.song.forms import Section, name_in
from render.song.song import sections_of


def replace_sections(text: str, folder: Path, sections: Sequence[Section]) -> str:
    """Other sections; every form goes on playing the bars that it played."""
    old = sections_of(text)

    def change(document: TomlText) -> None:
        follow_bars(document, old, sections)
        _write(document, sections)

    return edited(text, folder, change)


def rename_section(text: str, folder: Path, old: str, new: str) -> str:
    """Another name for a section, here and in all forms."""
    sections = sections_of(text)

    def change(document: TomlText) -> None:
        name = name_in(document.table("sections"), old, "section")
        _require_free(sections, new, but=name)
        document.rename("sections", name, new)
        sections_of(str(document))  # so that a name that cannot be is told as such
        follow_name(document, sections, name, new)

    return edited(text, folder, change)


def renames(sections: Sequence[Section], name: str, new: str) -> list[tuple[str, str]]:
    """The renames (old, new) by which a section is called `new`; where others are called so, they are
    numbered, as markers of one name are: "verse 1", "verse 2"."""
    own = _section(sections, name)
    others = [section for section in sections if section != own]
    alike = [section for section in others if section.name.casefold() == new.casefold()]
    numbered = re.compile(rf"{re.escape(new)} \d+", re.IGNORECASE)
    if new[-1:].isdigit() or not (alike or any(numbered.fullmatch(s.name) for s in others)):
        return [(own.name, new)]
    taken = {section.name.casefold() for section in others}
    free = (number for number in itertools.count(1) if f"{new} {number}".casefold() not in taken)
    called = {s.name: f"{new} {next(free)}" for s in sorted([*alike, own], key=lambda s: s.first_bar)}
    return [*((s.name, called[s.name]) for s in alike), (own.name, called[own.name])]


def remove_section(text: str, folder: Path, name: str) -> str:
    """Take a section's name away; its bars stay in "as written". Refused while a form plays it."""
    sections = sections_of(text)
    gone = _section(sections, name)
    return edited(text, folder, lambda document: _write(document, [s for s in sections if s != gone]))


def split_section(text: str, folder: Path, name: str, bar: int, new: str | None = None) -> str:
    """Two sections of one; the second begins at `bar` of the song and is called `new`."""
    sections = sections_of(text)
    whole = _section(sections, name)
    if not whole.first_bar < bar <= whole.last_bar:
        raise SongError(
            f'"{whole.name}" (bars {whole.bars_text}) cannot be split at bar {bar}; give one after its first'
        )
    second = new or _free_name(whole.name, sections)
    _require_free(sections, second)
    halves = [replace(whole, last_bar=bar - 1), Section(second, bar, whole.last_bar)]
    at = sections.index(whole)
    return replace_sections(text, folder, [*sections[:at], *halves, *sections[at + 1 :]])


def join_sections(text: str, folder: Path, name: str) -> str:
    """One section of two: `name` becomes the end of the section before it."""
    sections = sections_of(text)
    second = _section(sections, name)
    at = sections.index(second)
    before = sections[at - 1] if at else None
    if before is None or before.last_bar + 1 != second.first_bar:
        raise SongError(f'no section ends where "{second.name}" begins (bar {second.first_bar})')
    both = replace(before, last_bar=second.last_bar)
    return replace_sections(text, folder, [*sections[: at - 1], both, *sections[at + 1 :]])


def set_bars(text: str, folder: Path, name: str, first_bar: int, last_bar: int) -> str:
    """Where a section begins and ends. Neighbours that bordered on it still do; forms go with them."""
    sections = sections_of(text)
    section = _section(sections, name)
    if last_bar < first_bar:
        raise SongError(f'sections."{section.name}": bars {first_bar}-{last_bar} run backwards')
    at = sections.index(section)
    new = list(sections)
    new[at] = replace(section, first_bar=first_bar, last_bar=last_bar)
    if at and sections[at - 1].last_bar + 1 == section.first_bar:
        new[at - 1] = replace(sections[at - 1], last_bar=first_bar - 1)
    if at + 1 < len(sections) and section.last_bar + 1 == sections[at + 1].first_bar:
        new[at + 1] = replace(sections[at + 1], first_bar=last_bar + 1)
    for neighbour in new[max(at - 1, 0) : at + 2]:
        if neighbour.bars < 1:
            raise SongError(f'bars {first_bar}-{last_bar} leave nothing of "{neighbour.name}"; join the two')

    def change(document: TomlText) -> None:
        follow_edges(document, sections, new)
        _write(document, new)

    return edited(text, folder, change)


def set_pickup(text: str, folder: Path, name: str, beats: float) -> str:
    """Beats before a section's first bar that belong to it."""
    sections = sections_of(text)
    section = _section(sections, name)
    new = [replace(s, pickup_beats=Fraction(str(beats))) if s == section else s for s in sections]
    return edited(text, folder, lambda document: _write(document, new))


def _write(document: TomlText, sections: Sequence[Section]) -> None:
    """The table of sections, each new one below the section before it."""
    for name in [n for n in document.table("sections") if n not in {s.name for s in sections}]:
        document.remove("sections", name)
    before = ""
    for section in sorted(sections, key=lambda s: s.first_bar):
        values: dict[str, object] = {"bars": section.bars_text}
        if section.pickup_beats:
            pickup = section.pickup_beats
            values["pickup"] = int(pickup) if pickup.denominator == 1 else float(pickup)
        document.set("sections", section.name, values, after=before)
        before = section.name


def _section(sections: Sequence[Section], name: str) -> Section:
    by_name = {section.name: section for section in sections}
    return by_name[name_in(by_name, name, "section")]


def _require_free(sections: Sequence[Section], name: str, but: str = "") -> None:
    for section in sections:
        if section.name != but and section.name.casefold() == name.casefold():
            raise SongError(
                f'sections."{name}": the name is taken by "{section.name}" (capitals do not count); '
                "give another"
            )


def _free_name(name: str, sections: Sequence[Section]) -> str:
    """A name for a section's second half: "verse 1 b", "verse 1 c" …"""
    taken = {section.name.casefold() for section in sections}
    return next(
        free for letter in "bcdefghijklmnopqrstuvwxyz" if (free := f"{name} {letter}").casefold() not in taken
    )
