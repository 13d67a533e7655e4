"""song.toml and the bounce's header -> a checked Song.

The file is the user's: it is read, never rewritten. Every message names the key, what was found,
what was expected and, where a name is nearly right, the name that was probably meant.
"""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import ValidationError

from render.errors import BeyondTheEndError, FormError, SongError
from render.song.audio_header import AudioInfo, audio_info
from render.song.forms import (
    AS_WRITTEN,
    MOST_PARTS,
    RESERVED_WORDS,
    Form,
    Part,
    Piece,
    Section,
    bars_words,
    did_you_mean,
    name_in,
    parse_bars,
    parse_ending,
    parse_part,
)
from render.song.grid import Grid, exact
from render.song.schema import FormTable, SongFile, problems, song_file
from render.song.song_grid import grid_of
from render.song.toml_hints import toml_problem

if TYPE_CHECKING:
    from render.song.song_map import SongMap

SONG_FILE = "song.toml"
MOST_MISTAKES = 8  # in forms that are named at once
# What follows the last section is the song's tail while it is shorter than this; longer, it is bars
# that no section names. Our own rule of thumb: a decay rarely outlasts it. `song.bars` overrides it.
LONGEST_TAIL_BARS = 2
LONGEST_TAIL_S = 6
# How forms are joined and opened, as a version: 1 crossfades ahead of the line, whatever sounds there; in 2
# what rang dies away under the new downbeat, and forms that open without a lead-in fade in for 5 ms; in 3 it
# rings until its own next attack, and early attacks are whole; in 4 each stem does so on its own. 5 and 6
# do as 3 and 4, at the song's own decay, and also hear attacks beside louder notes.
NEWEST_JOINING = 6
WITHOUT_STEMS = 5
BY_STEM = (4, 6)


@dataclass(frozen=True)
class Listener:
    """A listener of song.toml: prior listens by form, and the weight of their ballot."""

    name: str
    prior_listens: Mapping[str, float] = field(default_factory=dict)
    weight: float = 1.0


@dataclass(frozen=True)
class Outline:
    """Listeners, form names and plan: the part of song.toml that needs no audio to be read."""

    title: str
    listeners: tuple[Listener, ...]
    rounds: int
    days: int
    rests: bool  # forms that hardly can be the best any more are left out of later rounds


@dataclass(frozen=True)
class Song(Outline):
    """The bounce, its grid, sections and stems, and the forms to compare ("as written" first)."""

    folder: Path
    audio: AudioInfo
    grid: Grid
    sections: tuple[Section, ...]
    last_bar: int
    stems: Mapping[str, Path]
    forms: tuple[Form, ...]
    matching: Literal["integrated", "same gain"]
    crossfade_ms: float
    joining: int = NEWEST_JOINING
    map: SongMap | None = None

    @cached_property
    def lead_in_frames(self) -> int:
        """Frames of the file before bar 1."""
        return self.grid.line_frame(1)

    def form(self, name: str) -> Form:
        """The form called `name`, in any case."""
        by_name = {form.name: form for form in self.forms}
        return by_name[name_in(by_name, name, "form")]

    @property
    def uncovered(self) -> list[tuple[int, int]]:
        """Ranges of bars (inclusive) that no section names."""
        return uncovered_bars(self.sections, self.last_bar)


def without_stems(joining: int) -> int:
    """The version that joins as `joining` does, from the bounce alone."""
    return joining - 1 if joining in BY_STEM else joining


def load_song(folder: Path) -> Song:
    """Read `folder`/song.toml and check it against the bounce's header.

    Raises:
        SongError, FormError: naming the key; AudioError: naming the file.
    """
    return song_from_text(read_text(folder / SONG_FILE), folder)


def load_outline(folder: Path) -> Outline:
    """Read `folder`/song.toml without looking at audio, sections or forms.

    Raises:
        SongError: the file is missing or not in order.
    """
    file = _song_file(read_text(folder / SONG_FILE))
    listeners = _listeners(file, [AS_WRITTEN, *file.forms])
    return Outline(file.song.title, listeners, file.plan.rounds, file.plan.days, _rests(file))


def read_text(path: Path) -> str:
    """song.toml as text (some editors put a byte-order mark before it)."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SongError(
            f"there is no {path.name} in {path.parent}; start a study with `fairhearing new AUDIO`, "
            "or name its folder with --study"
        ) from None
    except UnicodeDecodeError as error:
        raise SongError(f"{path.name} is not UTF-8 text (byte {error.start}); save it as UTF-8") from None
    except OSError as error:
        raise SongError(f"{path} cannot be read: {error.strerror}") from None


def song_from_text(text: str, folder: Path) -> Song:
    """The text of a song.toml, checked; audio and stems are found relative to `folder`."""
    file = _song_file(text)
    audio = audio_info(folder / file.song.audio)
    grid, song_map = grid_of(file.song, folder, audio.sample_rate, audio.frames)
    sections = _sections(file) or (song_map.sections().sections if song_map is not None else ())
    if not sections:
        raise SongError(
            "sections: neither song.toml nor the map's markers name any; write some into [sections]"
        )
    last_bar = _last_bar(file, grid, sections, audio)
    stems = _stems(file, folder)
    forms = _forms(file, sections, last_bar)
    return Song(
        title=file.song.title,
        folder=folder,
        audio=audio,
        grid=grid,
        sections=sections,
        last_bar=last_bar,
        stems=stems,
        forms=forms,
        listeners=_listeners(file, [form.name for form in forms]),
        matching=file.render.matching,
        crossfade_ms=file.render.crossfade_ms,
        joining=NEWEST_JOINING if stems else WITHOUT_STEMS,
        rounds=file.plan.rounds,
        days=file.plan.days,
        rests=_rests(file),
        map=song_map,
    )


def sections_of(text: str) -> tuple[Section, ...]:
    """The sections in the text of a song.toml, in the order of the song, without a look at the audio.

    Raises:
        SongError: the text, or a section, is not in order.
    """
    return _sections(_song_file(text))


def _rests(file: SongFile) -> bool:
    return len(file.listeners) == 1 if file.plan.rests is None else file.plan.rests


def _song_file(text: str) -> SongFile:
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SongError(f"{SONG_FILE} is not valid TOML: {toml_problem(text, error)}") from None
    try:
        return song_file(table)
    except ValidationError as error:
        raise SongError(problems(error, SONG_FILE)) from None


def uncovered_bars(sections: tuple[Section, ...], last_bar: int) -> list[tuple[int, int]]:
    """Ranges of bars 1..last_bar (inclusive) that no section names."""
    gaps, bar = [], 1
    for section in sections:
        if section.first_bar > bar:
            gaps.append((bar, section.first_bar - 1))
        bar = section.last_bar + 1
    if bar <= last_bar:
        gaps.append((bar, last_bar))
    return gaps


def _sections(file: SongFile) -> tuple[Section, ...]:
    sections: list[Section] = []
    for name, table in file.sections.items():
        where = f'sections."{name}"'
        _check_name(name, where, [s.name for s in sections])
        if set(name.casefold().split()) & RESERVED_WORDS:
            raise SongError(
                f'{where}: "silence" is a word of the part language; give the section another name'
            )
        try:
            first, last = parse_bars(table.bars, where)
        except FormError as error:
            raise SongError(str(error)) from None
        sections.append(Section(name, first, last, exact(table.pickup)))
    sections.sort(key=lambda s: s.first_bar)
    for one, two in itertools.pairwise(sections):
        if two.first_bar <= one.last_bar:
            raise SongError(
                f'sections."{two.name}": bars {two.bars_text} overlap "{one.name}" (bars {one.bars_text}); '
                "each bar belongs to one section"
            )
    return tuple(sections)


def _stems(file: SongFile, folder: Path) -> dict[str, Path]:
    stems: dict[str, Path] = {}
    for name, path in file.stems.items():
        _check_name(name, f'stems."{name}"', list(stems))
        stems[name] = folder / path
    return stems


def _last_bar(file: SongFile, grid: Grid, sections: tuple[Section, ...], audio: AudioInfo) -> int:
    for section in sections:
        if grid.line_frame(section.last_bar) >= audio.frames:
            last = grid.position(Fraction(audio.frames - 1, audio.sample_rate))[0]
            raise BeyondTheEndError(
                f'sections."{section.name}": bars {section.bars_text} go beyond the end of the audio '
                f"({audio.seconds:.2f} s), which ends in bar {last}; correct them, or look at tempo and start"
            )
    named = sections[-1].last_bar
    if file.song.bars is not None:
        if file.song.bars < named:
            raise SongError(
                f"song.bars: {file.song.bars}, but a section reaches bar {named}; give {named} or more"
            )
        if grid.line_frame(file.song.bars) >= audio.frames:
            raise BeyondTheEndError(
                f"song.bars: {file.song.bars} bars go beyond the end of the audio ({audio.seconds:.2f} s); "
                "give fewer, or look at tempo and start"
            )
        return file.song.bars
    rest_s = Fraction(audio.frames, audio.sample_rate) - grid.line_s(named + 1)
    last = named
    while grid.line_frame(last + 2) <= audio.frames:
        last += 1
    return last if last - named >= LONGEST_TAIL_BARS and rest_s >= LONGEST_TAIL_S else named


def _forms(file: SongFile, sections: tuple[Section, ...], last_bar: int) -> tuple[Form, ...]:
    forms = [as_written(sections, last_bar)]
    mistakes: list[str] = []
    for name, table in file.forms.items():
        where = f'forms."{name}"'
        try:
            form = _form(name, table, sections, list(file.stems), where)
            if name.casefold() == AS_WRITTEN:
                _check_as_written(form, forms[0], where)
                continue
            _check_name(name, where, [f.name for f in forms])
            forms.append(form)
        except FormError as error:
            mistakes += str(error).splitlines()
    if mistakes:  # all of them: nobody wants to hear of the next one only when this one is mended
        more = [f"and {len(mistakes) - MOST_MISTAKES} more"] if len(mistakes) > MOST_MISTAKES else []
        raise FormError("\n".join([*mistakes[:MOST_MISTAKES], *more]))
    return tuple(forms)


def as_written(sections: tuple[Section, ...], last_bar: int) -> Form:
    """The song in its own order, every bar of it."""
    pieces = [
        Piece(s.name, s.first_bar, s.last_bar, pickup_beats=s.pickup_beats, text=s.name) for s in sections
    ]
    pieces += [
        Piece("", first, last, text=bars_words(first, last))
        for first, last in uncovered_bars(sections, last_bar)
    ]
    pieces.sort(key=lambda p: p.first_bar)
    return Form(AS_WRITTEN, tuple(pieces), texts=tuple(p.text for p in pieces))


def _form(name: str, table: FormTable, sections: tuple[Section, ...], stems: list[str], where: str) -> Form:
    if not table.parts:
        raise FormError(f"{where}: the form has no parts; list at least one section")
    parts: list[Part] = []
    entries: list[int] = []
    mistakes: list[str] = []
    for number, text in enumerate(table.parts, start=1):
        try:
            parts += parse_part(text, sections, stems, f"{where}, part {number}")
        except FormError as error:
            mistakes.append(str(error))
        entries += [number] * (len(parts) - len(entries))
        if len(parts) > MOST_PARTS:
            raise FormError(f"{where}: more than {MOST_PARTS} parts (each repeat counts); shorten the form")
    if mistakes:
        raise FormError("\n".join(mistakes))
    if not any(isinstance(part, Piece) for part in parts):
        raise FormError(f"{where}: the form is silent throughout; list at least one section")
    ending = parse_ending(table.ending, f"{where}, ending") if table.ending is not None else None
    if ending is not None and not isinstance(parts[-1], Piece):
        raise FormError(f"{where}, ending: the form ends with a silence already; take one of the two out")
    texts = tuple(t.strip() for t in table.parts)
    return Form(name, tuple(parts), ending, table.replaces, texts, tuple(entries))


def _check_as_written(listed: Form, real: Form, where: str) -> None:
    bars = [bar for p in listed.parts if isinstance(p, Piece) for bar in range(p.first_bar, p.last_bar + 1)]
    plain = all(isinstance(p, Piece) and p.treatment.mode == "all" for p in listed.parts)
    last = real.parts[-1]
    assert isinstance(last, Piece)
    if not plain or bars != list(range(1, last.last_bar + 1)) or listed.ending is not None:
        raise FormError(
            f'{where}: "as written" is the whole song in its own order; give this form another name'
        )


def _listeners(file: SongFile, forms: Iterable[str]) -> tuple[Listener, ...]:
    names = {name.casefold(): name for name in forms}
    listeners: list[Listener] = []
    taken: dict[str, str] = {}
    for name, table in file.listeners.items():
        where = f"listeners.{name}"
        other = taken.setdefault(name.casefold(), name)
        _check_name(name, where, [other] if other != name else [])
        for form in table.prior_listens:
            if form.casefold() not in names:
                raise SongError(
                    f'{where}.prior_listens: there is no form "{form}"{did_you_mean(form, names.values())}'
                )
        counts = {names[form.casefold()]: count for form, count in table.prior_listens.items()}
        listeners.append(Listener(name, counts, table.weight))
    return tuple(listeners)


def _check_name(name: str, where: str, taken: list[str]) -> None:
    if not name.strip() or name != " ".join(name.split()):
        raise SongError(f"{where}: a name needs letters, with single spaces and none at its ends")
    if not name.isprintable() or len(name) > 80:
        raise SongError(f"{where}: a name is at most 80 printable characters")
    for other in taken:
        if other.casefold() == name.casefold():
            raise SongError(f'{where}: the name is taken by "{other}" (capitals do not count); give another')
