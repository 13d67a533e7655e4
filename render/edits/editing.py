"""A change to song.toml's text: comments and order kept, the result checked as `check` does."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from render.edits.toml_text import TomlText
from render.errors import SongError
from render.song.forms import did_you_mean
from render.song.song import SONG_FILE, song_from_text


def edited(text: str, folder: Path, change: Callable[[TomlText], None]) -> str:
    """`text` after `change`; audio and stems are looked for in `folder`.

    Raises:
        SongError, FormError, AudioError: what came out is no song in order, in the words of `check`.
    """
    document = TomlText(text, SONG_FILE)
    change(document)
    new = str(document)
    song_from_text(new.removeprefix("\ufeff"), folder)
    return new


def name_in(table: Mapping[str, Any], name: str, what: str) -> str:
    """`name` as the table spells it, in any case.

    Raises:
        SongError: there is no such name.
    """
    for key in table:
        if key.casefold() == name.casefold():
            return key
    raise SongError(f'there is no {what} "{name}" in {SONG_FILE}{did_you_mean(name, table)}')
