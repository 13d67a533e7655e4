"""Changes of song.toml that may mend a join, tried on the song's forms before they are offered."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from render.audio.timeline import lay_out
from render.edits.parts import Passage, part_text
from render.errors import FormError
from render.joins.finding import ReplacePart
from render.song.forms import Form, Part, Piece, Treatment, bars_words, parse_part
from render.song.grid import exact
from render.song.song import Song


def no_room(song: Song, section: str, pickup_beats: float) -> str | None:
    """Why the forms cannot hold such a pickup of `section`, in words; None where they can."""
    for form in song.forms:
        try:
            lay_out(song, _with_pickup(form, song, section, pickup_beats))
        except FormError as error:
            return str(error)
    return None


def _with_pickup(form: Form, song: Song, section: str, pickup_beats: float) -> Form:
    first_bars = {s.name: s.first_bar for s in song.sections}
    parts = tuple(
        replace(part, pickup_beats=exact(pickup_beats))
        if isinstance(part, Piece) and part.section == section and part.first_bar == first_bars[section]
        else part
        for part in form.parts
    )
    return replace(form, parts=parts)


def bar_earlier(song: Song, form: Form, index: int) -> ReplacePart | None:
    """End the part with this index a bar earlier; None where that leaves nothing, or a form out of order."""
    old = form.parts[index]
    if not isinstance(old, Piece) or old.bars < 2:
        return None
    shorter = _text(song, old, old.first_bar, old.last_bar - 1, old.treatment)
    words = f'end "{old.section}" a bar earlier ({_within(song, old, old.first_bar, old.last_bar - 1)})'
    return _tried(song, form, index, (shorter,), words)


def last_bar_without(song: Song, form: Form, index: int, stem: str) -> ReplacePart | None:
    """Play the last bar of the part with this index without a stem; None where nothing would be left."""
    old = form.parts[index]
    if not isinstance(old, Piece):
        return None
    heard = [name for name in song.stems if old.treatment.plays(name)]
    if stem not in heard or len(heard) < 2:
        return None
    if old.treatment.mode == "only":
        treatment = Treatment("only", tuple(s for s in old.treatment.stems if s != stem))
    else:
        treatment = Treatment("without", (*old.treatment.stems, stem))
    new = [_text(song, old, old.last_bar, old.last_bar, treatment)]
    if old.bars > 1:
        new.insert(0, _text(song, old, old.first_bar, old.last_bar - 1, old.treatment))
    return _tried(song, form, index, tuple(new), f'play the last bar of "{old.section}" without {stem}')


def without_last_beats(song: Song, old: Piece) -> str:
    """How `old` can do without its last beats, which are another section's pickup, in words."""
    ways = []
    if old.bars > 1:
        bars = _within(song, old, old.first_bar, old.last_bar - 1)
        ways.append(f'end "{old.section}" a bar earlier ({bars})')
    if song.stems and old.treatment.mode != "only":
        ways.append("leave out the stem that has it")
    return ", or ".join(ways) or "let the section that it leads to follow, or cut at another bar"


def _tried(song: Song, form: Form, index: int, new: tuple[str, ...], words: str) -> ReplacePart | None:
    """The remedy that plays `new` in place of one part, if the form is in order with it."""
    entry = form.entry(index)
    own = [at for at in range(len(form.parts)) if form.entry(at) == entry]
    texts = [
        *_again(song, [form.parts[at] for at in own if at < index]),
        *new,
        *_again(song, [form.parts[at] for at in own if at > index]),
    ]
    parts: list[Part] = [*form.parts[: own[0]]]
    try:
        for text in texts:
            parts += parse_part(text, song.sections, list(song.stems), "remedy")
        parts += form.parts[own[-1] + 1 :]
        lay_out(song, replace(form, parts=tuple(parts), entries=()))
    except FormError:
        return None
    old = form.texts[entry - 1] if form.texts else form.parts[index].text
    return ReplacePart(form.name, entry, old, tuple(texts), words)


def _again(song: Song, repeats: Sequence[Part]) -> Iterator[str]:
    """The text for repeats of one entry in a row."""
    count, piece = len(repeats), repeats[0] if repeats else None
    if isinstance(piece, Piece):
        yield _text(song, piece, piece.first_bar, piece.last_bar, piece.treatment, count)


def _text(song: Song, piece: Piece, first: int, last: int, treatment: Treatment, count: int = 1) -> str:
    """Bars of a piece's section as the part language writes them."""
    section = next(s for s in song.sections if s.name == piece.section)
    return part_text(section, Passage(first, last, count, treatment))


def _within(song: Song, piece: Piece, first: int, last: int) -> str:
    """ "bars 1-3", or "bar 3", counted within the piece's section."""
    origin = next(s for s in song.sections if s.name == piece.section).first_bar - 1
    return bars_words(first - origin, last - origin)
