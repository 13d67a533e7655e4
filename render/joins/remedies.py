"""What can be done about pickups at a join, within what song.toml already says and its forms can hold."""

from __future__ import annotations

from dataclasses import replace

from render.audio.timeline import lay_out
from render.errors import FormError
from render.song.forms import Form, Piece
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


def without_last_beats(song: Song, old: Piece) -> str:
    """How `old` can do without its last beats, which are another section's pickup."""
    section = next(s for s in song.sections if s.name == old.section)
    first, last = old.first_bar - section.first_bar + 1, old.last_bar - section.first_bar + 1
    ways = []
    if last > first:
        bars = f"bars {first}-{last - 1}" if last - 1 > first else f"bar {first}"
        ways.append(f'end "{old.section}" a bar earlier ({bars})')
    if song.stems and old.treatment.mode != "only":
        ways.append("leave out the stem that has it")
    return ", or ".join(ways) or "let the section that it leads to follow, or cut at another bar"
