"""A change to song.toml's text: comments and order kept, the result checked as `check` does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from render.edits.toml_text import TomlText
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
