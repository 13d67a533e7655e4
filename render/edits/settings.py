"""Changes to song.toml's tables of settings: song, stems, listeners, render, plan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from render.edits.editing import edited
from render.edits.toml_text import TomlText
from render.song.forms import AS_WRITTEN, name_in
from render.song.song import Listener


def set_keys(text: str, folder: Path, table: str, values: Mapping[str, object]) -> str:
    """Keys of a table such as [song] (title, tempo, changes …), several at once; None takes one out.

    Args:
        values: as TOML has them: numbers, "4/4", [{"bar": 33, "tempo": 92.0}].

    Raises:
        SongError, AudioError: in the words of `check`.
    """

    def change(document: TomlText) -> None:
        for key, value in values.items():
            if value is None:
                document.remove(table, key)
            else:
                document.set(table, key, value)

    return edited(text, folder, change)


def set_stems(text: str, folder: Path, stems: Mapping[str, str]) -> str:
    """All stems: names and their files, relative to the study's folder."""

    def change(document: TomlText) -> None:
        for name in [name for name in document.table("stems") if name not in stems]:
            document.remove("stems", name)
        for name, path in stems.items():
            document.set("stems", name, path)

    return edited(text, folder, change)


def set_listener(text: str, folder: Path, listener: Listener) -> str:
    """A listener's prior listens and weight; added where there is none of that name."""
    counts = {form: _number(count) for form, count in listener.prior_listens.items() if count}
    values: dict[str, object] = {}
    if counts:
        values["prior_listens"] = counts[AS_WRITTEN] if list(counts) == [AS_WRITTEN] else counts
    if listener.weight != 1:
        values["weight"] = _number(listener.weight)
    return edited(text, folder, lambda document: document.set("listeners", listener.name, values))


def rename_listener(text: str, folder: Path, old: str, new: str) -> str:
    """Another name for a listener. (To the log it is somebody else: only before the first listen.)"""

    def change(document: TomlText) -> None:
        document.rename("listeners", name_in(document.table("listeners"), old, "listener"), new)

    return edited(text, folder, change)


def remove_listener(text: str, folder: Path, name: str) -> str:
    """Take a listener out."""

    def change(document: TomlText) -> None:
        document.remove("listeners", name_in(document.table("listeners"), name, "listener"))

    return edited(text, folder, change)


def _number(number: float) -> float:
    return int(number) if number == int(number) else number
