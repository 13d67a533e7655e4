"""The part language: plain English words -> the parts of a form.

    part      = silence | piece
    silence   = "silence" NUMBER ("bar"|"bars"|"beat"|"beats")
    piece     = SECTION [ ("bars"|"bar") A ["-" B] ] [ "x" N ] [ ("without" | "only") STEM { "and" STEM } ]

Names are matched longest first, at word boundaries, in any case.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from render.errors import FormError, SongError
from render.song.grid import exact

AS_WRITTEN = "as written"
MOST_PARTS = 500
RESERVED_WORDS = frozenset({"silence"})
_WORDS = ("without", "only", "bars")
_AFTER_SECTION = re.compile(r"(?:bars?|x ?\d+|without|only)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Section:
    """A named range of whole bars (inclusive, 1-based) with the beats of pickup that belong to it."""

    name: str
    first_bar: int
    last_bar: int
    pickup_beats: Fraction = Fraction(0)

    @property
    def bars(self) -> int:
        return self.last_bar - self.first_bar + 1

    @property
    def bars_text(self) -> str:
        return bars_text(self.first_bar, self.last_bar)


@dataclass(frozen=True)
class Treatment:
    """Which stems are heard: all, all but some, or only some."""

    mode: Literal["all", "without", "only"] = "all"
    stems: tuple[str, ...] = ()

    def __str__(self) -> str:
        return "" if self.mode == "all" else f"{self.mode} {' and '.join(self.stems)}"

    def plays(self, stem: str) -> bool:
        """Whether a stem is heard."""
        return (stem in self.stems) == (self.mode == "only")


@dataclass(frozen=True)
class Piece:
    """Bars of the song, heard once: one repeat of one entry of a form."""

    section: str
    first_bar: int
    last_bar: int
    treatment: Treatment = Treatment()
    pickup_beats: Fraction = Fraction(0)
    text: str = ""

    @property
    def bars(self) -> int:
        return self.last_bar - self.first_bar + 1


@dataclass(frozen=True)
class Silence:
    """Bars or beats in which nothing sounds."""

    length: Fraction
    unit: Literal["bars", "beats"]
    text: str = ""


Part = Piece | Silence


@dataclass(frozen=True)
class Ending:
    """How a form stops when it does not stop where the song does."""

    kind: Literal["ring", "cut", "fade", "song"]
    length: Fraction = Fraction(0)
    unit: Literal["bars", "beats"] = "beats"

    def __str__(self) -> str:
        if self.kind in ("cut", "song"):
            return self.kind
        unit = self.unit[:-1] if self.length == 1 else self.unit
        return f"{self.kind} {_number_text(self.length)} {unit}"


DEFAULT_RING = Ending("ring", Fraction(1), "beats")


@dataclass(frozen=True)
class Form:
    """A named order of parts; `ending` is None where the author left it to the default.

    `texts` are its entries in song.toml, `entries` each part's (from 1; a repeat's parts share theirs).
    """

    name: str
    parts: tuple[Part, ...]
    ending: Ending | None = None
    replaces: str | None = None
    texts: tuple[str, ...] = ()
    entries: tuple[int, ...] = ()

    def entry(self, part: int) -> int:
        """The number in song.toml of the part with this index."""
        return self.entries[part] if self.entries else part + 1

    def bar_of_silence(self, part: int) -> int:
        """The bar whose tempo and meter a silence takes: the one before it; at the top, the one after it."""
        before = [p for p in self.parts[:part] if isinstance(p, Piece)]
        if before:
            return before[-1].last_bar
        return next(p for p in self.parts[part:] if isinstance(p, Piece)).first_bar


def goes_on(before: Part | None, part: Piece) -> bool:
    """Whether `part` simply continues `before`: the next bar of the song, under the same treatment."""
    if not isinstance(before, Piece):
        return False
    return before.last_bar + 1 == part.first_bar and before.treatment == part.treatment


def bars_text(first_bar: int, last_bar: int) -> str:
    """Bars as a person writes them: "5-12", or "5"."""
    return str(first_bar) if first_bar == last_bar else f"{first_bar}-{last_bar}"


def bars_words(first_bar: int, last_bar: int) -> str:
    """Bars in the part language: "bars 5-12", or "bar 5"."""
    return f"bar{'s' if last_bar > first_bar else ''} {bars_text(first_bar, last_bar)}"


def parse_part(
    text: str, sections: Sequence[Section], stems: Sequence[str], where: str = "part"
) -> list[Part]:
    """One entry of a form as its parts (xN gives N of them).

    Raises:
        FormError: naming `where`, what was found, and the nearest name that exists.
    """
    return _PartParser(text, sections, stems, where).parts()


def parse_ending(text: str, where: str) -> Ending:
    """An ending: "ring 1 beat", "fade 2 bars" or "cut"."""
    words = text.lower().split()
    if words == ["cut"]:
        return Ending("cut")
    number = _number(words[1]) if len(words) == 3 else None
    if number and words[0] in ("ring", "fade") and words[2] in ("bar", "bars", "beat", "beats"):
        unit: Literal["bars", "beats"] = "bars" if words[2].startswith("bar") else "beats"
        return Ending("ring" if words[0] == "ring" else "fade", number, unit)
    raise FormError(f'{where}: "{text}" is not an ending; write "ring 1 beat", "fade 2 bars" or "cut"')


def parse_bars(text: str, where: str) -> tuple[int, int]:
    """Bars as written, "5-12" or "5", as (first, last)."""
    match = re.fullmatch(r"\s*(\d{1,6})\s*(?:[-–]\s*(\d{1,6})\s*)?", text)
    if not match:
        raise FormError(f'{where}: "{text}" is not a range of bars; write "5-12", or "5" for one bar')
    first = int(match[1])
    last = int(match[2] or match[1])
    if first < 1:
        raise FormError(f"{where}: bars are counted from 1, not from {first}")
    if last < first:
        raise FormError(f"{where}: bars {first}-{last} run backwards; write the earlier bar first")
    return first, last


def did_you_mean(name: str, names: Iterable[str]) -> str:
    """`; did you mean "bridge"?`, or the names there are, or nothing."""
    known = list(names)
    folded = {n.casefold(): n for n in known}
    near = difflib.get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.6)
    if near:
        return f'; did you mean "{folded[near[0]]}"?'
    if known:
        return "; there is " + ", ".join(f'"{n}"' for n in known[:8]) + ("…" if len(known) > 8 else "")
    return ""


def name_in(names: Iterable[str], name: str, what: str) -> str:
    """`name` as song.toml spells it among `names`, in any case.

    Raises:
        SongError: there is no such name.
    """
    for known in names:
        if known.casefold() == name.casefold():
            return known
    raise SongError(f'there is no {what} "{name}" in song.toml{did_you_mean(name, names)}')


def _meant_word(rest: str) -> str | None:
    """The word of the part language that the first word of `rest` probably was meant to be, if it is none."""
    word = rest.split(" ")[0].casefold()
    if not word or _AFTER_SECTION.match(rest):
        return None
    return next(iter(difflib.get_close_matches(word, _WORDS, n=1, cutoff=0.75)), None)


def _number(word: str) -> Fraction | None:
    """A positive decimal number of a sane size, exactly, or None."""
    if not re.fullmatch(r"\d{1,6}(\.\d{1,6})?|\.\d{1,6}", word):
        return None
    return exact(word) or None


def _number_text(number: Fraction) -> str:
    return f"{float(number):.12g}"


class _PartParser:
    """Reads one part from left to right; `at` is the position in the text."""

    def __init__(self, text: str, sections: Sequence[Section], stems: Sequence[str], where: str) -> None:
        self.text = re.sub(r"\s+", " ", text).strip()
        self.sections = sections
        self.stems = stems
        self.where = where
        self.at = 0

    def parts(self) -> list[Part]:
        if not self.text:
            raise self.error("the part is empty; write a section's name or a silence")
        if self.word("silence"):
            return [self.silence()]
        section = self.section()
        first, last, at_top = self.bars_within(section)
        count = self.repeats()
        treatment = self.treatment()
        self.expect_end()
        pickup = section.pickup_beats if at_top else Fraction(0)
        heard = section.name if last - first + 1 == section.bars else (
            f"{section.name} {bars_words(first - section.first_bar + 1, last - section.first_bar + 1)}"
        )  # fmt: skip
        piece = Piece(section.name, first, last, treatment, pickup, f"{heard} {treatment}".strip())
        return [piece] * count

    def silence(self) -> Silence:
        match = re.compile(r"(\S+) (bars|bar|beats|beat)\b", re.IGNORECASE).match(self.text, self.at)
        length = _number(match[1]) if match else None
        if not match or not length:
            raise self.error(f'"{self.text}" is not a silence; write "silence 1 bar" or "silence 2 beats"')
        self.at = match.end()
        self.expect_end()
        unit: Literal["bars", "beats"] = "bars" if match[2].lower().startswith("bar") else "beats"
        return Silence(length, unit, self.text)

    def section(self) -> Section:
        by_name = {s.name.casefold(): s for s in self.sections}
        name = self.longest(by_name)
        rest = self.text[self.at :]
        if name is not None and (word := _meant_word(rest)):
            raise self.error(f'cannot read "{rest}" in "{self.text}"; did you mean "{word}"?')
        if name is None or (rest and not _AFTER_SECTION.match(rest)):
            spelt = re.split(f" {_AFTER_SECTION.pattern}", self.text, flags=re.IGNORECASE)[0]
            raise self.error(
                f'there is no section "{spelt}"{did_you_mean(spelt, [s.name for s in self.sections])}'
            )
        return by_name[name]

    def bars_within(self, section: Section) -> tuple[int, int, bool]:
        """First and last bar in the song, and whether the part starts at its section's first bar."""
        if not (self.word("bars") or self.word("bar")):
            return section.first_bar, section.last_bar, True
        match = re.compile(r"\d{1,6}(?: ?[-–] ?\d{1,6})?(?= |$)").match(self.text, self.at)
        if not match:
            raise self.error(f'after "bars" comes a range within "{section.name}", such as "bars 1-2"')
        first, last = parse_bars(match[0], self.where)
        if last > section.bars:
            raise self.error(
                f'"{section.name}" has {section.bars} bars (bars within a part count from its section\'s '
                f"first), so there is no bar {last} in it"
            )
        self.skip_to(match.end())
        return section.first_bar + first - 1, section.first_bar + last - 1, first == 1

    def repeats(self) -> int:
        match = re.compile(r"x ?(\d{1,6})(?= |$)", re.IGNORECASE).match(self.text, self.at)
        if not match:
            return 1
        count = int(match[1])
        if not 1 <= count <= MOST_PARTS:
            raise self.error(f"x{match[1]} is not a number of repeats; write x2 or more, up to x{MOST_PARTS}")
        self.skip_to(match.end())
        return count

    def treatment(self) -> Treatment:
        mode: Literal["without", "only"]
        if self.word("without"):
            mode = "without"
        elif self.word("only"):
            mode = "only"
        else:
            return Treatment()
        if not self.stems:
            raise self.error(f'"{mode}" needs stems, and song.toml has none; list them under [stems]')
        named = [self.stem(mode)]
        while self.word("and"):
            named.append(self.stem("and"))
        if len(set(named)) == len(self.stems) and mode == "only":
            return Treatment()
        if len(set(named)) == len(self.stems):
            raise self.error("without every stem nothing is left; write a silence instead")
        return Treatment(mode, tuple(sorted(set(named))))

    def stem(self, after: str) -> str:
        by_name = {s.casefold(): s for s in self.stems}
        name = self.longest(by_name)
        if name is None:
            unknown = re.split(r" and\b", self.text[self.at :], flags=re.IGNORECASE)[0]
            if not unknown:
                raise self.error(f'after "{after}" comes the name of a stem{did_you_mean("", self.stems)}')
            raise self.error(f'there is no stem "{unknown}"{did_you_mean(unknown, self.stems)}')
        return by_name[name]

    def word(self, word: str) -> bool:
        """Take `word` if it comes next as a whole word."""
        return self.longest([word]) is not None

    def longest(self, names: Iterable[str]) -> str | None:
        """Take the longest of the (casefolded) names that comes next and ends at a word's end."""
        known = set(names)
        ends = [match.start() for match in re.finditer(r" |$", self.text) if match.start() > self.at]
        for end in reversed(ends):
            if (name := self.text[self.at : end].casefold()) in known:
                self.skip_to(end)
                return name
        return None

    def skip_to(self, at: int) -> None:
        self.at = at + 1 if self.text[at : at + 1] == " " else at

    def expect_end(self) -> None:
        rest = self.text[self.at :].strip()
        if word := _meant_word(rest):
            raise self.error(f'cannot read "{rest}" in "{self.text}"; did you mean "{word}"?')
        if rest:
            raise self.error(
                f'cannot read "{rest}" in "{self.text}"; a part is a section, then "bars A-B", "xN", '
                '"without STEM" or "only STEM", in that order'
            )

    def error(self, message: str) -> FormError:
        return FormError(f"{self.where}: {message}")
