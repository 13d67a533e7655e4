"""Parts of forms written anew when what they name has changed: sections, or a stem.

A form goes on playing what it played: where that cannot be, the change is refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from render.edits.toml_text import TomlText
from render.errors import FormError, SongError
from render.song.forms import Part, Piece, Section, Treatment, bars_words, parse_part

Respelling = Callable[[list[str], str], list[str]]


@dataclass(frozen=True)
class Passage:
    """One entry of a form that plays bars of the song: so many times, under a treatment."""

    first_bar: int
    last_bar: int
    count: int
    treatment: Treatment


def follow(document: TomlText, respelt: Respelling) -> None:
    """Give every form the parts that `respelt` makes of its own and of the words for where they stand."""
    for name, form in document.table("forms").items():
        parts = form.get("parts") if isinstance(form, dict) else form
        if not isinstance(parts, list) or not all(isinstance(part, str) for part in parts):
            continue  # not in order: the check of the whole says so
        new = respelt(parts, f'forms."{name}"')
        if new != parts:
            document.set("forms", name, {**form, "parts": new} if isinstance(form, dict) else new)


def follow_name(document: TomlText, sections: Sequence[Section], old: str, new: str) -> None:
    """A section's new name in all forms, at the places where its old one is read."""
    names = sorted((s.name for s in sections), key=len, reverse=True)
    pattern = re.compile(rf"\s*({'|'.join(_words(name) for name in names)})(?=\s|$)", re.IGNORECASE)

    renamed = [replace(s, name=new) if s.name == old else s for s in sections]
    stems = list(document.table("stems"))

    def respelt(parts: list[str], where: str) -> list[str]:
        spelt = []
        for number, part in enumerate(parts, start=1):
            match = pattern.match(part)
            named = match is not None and _folded(match[1]) == _folded(old)
            again = part[: match.start(1)] + new + part[match.end(1) :] if match and named else part
            if _reads(again, renamed, stems) != _reads(part, sections, stems):
                raise SongError(
                    f'sections."{new}": with this name {where}, part {number}, "{again}", would be read as '
                    "something else; give another"
                )
            spelt.append(again)
        return spelt

    follow(document, respelt)


def follow_bars(document: TomlText, old: Sequence[Section], new: Sequence[Section]) -> None:
    """Forms play the same bars of the song, named by the new sections."""
    stems = list(document.table("stems"))

    def respelt(parts: list[str], where: str) -> list[str]:
        out: list[str] = []
        open_end: Passage | None = None  # what the last entry plays, if it was written anew
        for number, part in enumerate(parts, start=1):
            place = f"{where}, part {number}"
            passage = _passage(parse_part(part, old, stems, place))
            if passage is None or _reads(part, new, stems) == passage:
                out, open_end = [*out, part], None
                continue
            if open_end is not None and (both := _together(open_end, passage, new)):
                out[-1:], open_end = _spelt(both, new, place), both
            else:
                spelt = _spelt(passage, new, place)
                out, open_end = [*out, *spelt], passage if len(spelt) == 1 else None
        return out

    follow(document, respelt)


def follow_edges(document: TomlText, old: Sequence[Section], new: Sequence[Section]) -> None:
    """Forms go with sections whose edges have moved: a whole section stays whole, some of its bars stay those
    bars of the song, and what began or ended with its section still does."""
    stems = list(document.table("stems"))
    by_name = {section.name: section for section in new}

    def respelt(parts: list[str], where: str) -> list[str]:
        out = []
        for number, part in enumerate(parts, start=1):
            place = f"{where}, part {number}"
            pieces = parse_part(part, old, stems, place)
            piece = pieces[0]
            if isinstance(piece, Piece):
                before = next(s for s in old if s.name == piece.section)
                part = _within(part, piece, len(pieces), before, by_name[piece.section], place)
            out.append(part)
        return out

    follow(document, respelt)


def _within(part: str, piece: Piece, count: int, old: Section, new: Section, where: str) -> str:
    if (old.first_bar, old.last_bar) == (new.first_bar, new.last_bar) or piece.bars == old.bars:
        return part
    first = new.first_bar if piece.first_bar == old.first_bar else max(piece.first_bar, new.first_bar)
    last = new.last_bar if piece.last_bar == old.last_bar else min(piece.last_bar, new.last_bar)
    if first > last:
        raise FormError(
            f'{where}: "{part}" would lie outside "{new.name}" (bars {new.bars_text}); change the form first'
        )
    return part_text(new, Passage(first, last, count, piece.treatment))


def _passage(parts: list[Part]) -> Passage | None:
    first = parts[0]
    if not isinstance(first, Piece):
        return None
    return Passage(first.first_bar, first.last_bar, len(parts), first.treatment)


def _reads(part: str, sections: Sequence[Section], stems: list[str]) -> Passage | None:
    """What a part plays under other sections; None where it cannot be read."""
    try:
        return _passage(parse_part(part, sections, stems))
    except FormError:
        return None


def _together(one: Passage, two: Passage, sections: Sequence[Section]) -> Passage | None:
    """Two passages as one, where they follow each other within one section."""
    if one.count > 1 or two.count > 1 or one.treatment != two.treatment or two.first_bar != one.last_bar + 1:
        return None
    inside = any(s.first_bar <= one.first_bar and two.last_bar <= s.last_bar for s in sections)
    return Passage(one.first_bar, two.last_bar, 1, one.treatment) if inside else None


def _spelt(passage: Passage, sections: Sequence[Section], where: str) -> list[str]:
    """A passage as parts of the sections that hold its bars."""
    bar, within = passage.first_bar, []
    while bar <= passage.last_bar:
        section = next((s for s in sections if s.first_bar <= bar <= s.last_bar), None)
        if section is None:
            raise FormError(
                f"{where}: bar {bar}, which it plays, would be in no section; change the form first"
            )
        last = min(section.last_bar, passage.last_bar)
        within.append((section, Passage(bar, last, 1, passage.treatment)))
        bar = last + 1
    if len(within) == 1:
        return [part_text(within[0][0], passage)]
    return [part_text(section, piece) for section, piece in within] * passage.count


def part_text(section: Section, passage: Passage) -> str:
    """A passage within a section in the part language."""
    first, last = (bar - section.first_bar + 1 for bar in (passage.first_bar, passage.last_bar))
    words = [section.name]
    if (first, last) != (1, section.bars):
        words.append(bars_words(first, last))
    if passage.count > 1:
        words.append(f"x{passage.count}")
    return " ".join([*words, *([str(passage.treatment)] if passage.treatment.stems else [])])


def _words(name: str) -> str:
    """A name as a pattern: any run of blanks between its words."""
    return r"\s+".join(map(re.escape, name.split()))


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()
