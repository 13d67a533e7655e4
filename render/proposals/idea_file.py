"""Ideas written into song.toml: below the forms that are there, every comment and blank kept."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from render.edits.editing import edited
from render.edits.forms import put_form
from render.edits.toml_text import TomlText, toml_text
from render.proposals.idea import Idea


def write_into(text: str, ideas: Sequence[Idea], folder: Path) -> str:
    """The text of a song.toml with `ideas` added to its forms, each below its reason.

    Raises:
        SongError: the text is not TOML, or what came out is no song in order.
    """

    def change(document: TomlText) -> None:
        for idea in ideas:
            put_form(document, idea.name, idea.texts, remark=f"{idea.length_text}, {idea.reason}")

    return edited(text, folder, change)


def entry_line(idea: Idea) -> str:
    """An idea as song.toml has it: its name and its parts."""
    return f"{toml_text(idea.name)} = {toml_text(idea.texts)}"
