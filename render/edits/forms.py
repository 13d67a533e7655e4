"""Changes to a song's forms."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from render.edits.editing import edited
from render.edits.toml_text import TomlText
from render.errors import SongError
from render.song.forms import name_in
from render.song.song import SONG_FILE

REMARK = r"# \d+:\d\d, "  # how the comment that comes with an idea begins: its length


def set_form(
    text: str, folder: Path, name: str, parts: Sequence[str], *, ending: str | None = None,
    replaces: str | None = None, remark: str = "",
) -> str:  # fmt: skip
    """A form's parts, ending and what it replaces; a new one is added, below `remark` as a comment."""
    more = {key: value for key, value in (("ending", ending), ("replaces", replaces)) if value is not None}

    def change(document: TomlText) -> None:
        table = bool(more) or isinstance(document.table("forms").get(name), dict)
        value = {"parts": list(parts), **more} if table else list(parts)
        document.set("forms", name, value, remark=remark)

    return edited(text, folder, change)


def remove_form(text: str, folder: Path, name: str) -> str:
    """Take a form out, with its prior listens. (Rated, it is retired: its ratings stay in the log.)"""

    def change(document: TomlText) -> None:
        form = name_in(document.table("forms"), name, "form")
        document.remove("forms", form, REMARK)
        _follow_prior_listens(document, form, None)

    return edited(text, folder, change)


def rename_form(text: str, folder: Path, old: str, new: str) -> str:
    """Another name for a form, also where it is replaced and where listeners have heard it before."""

    def change(document: TomlText) -> None:
        forms = document.table("forms")
        form = name_in(forms, old, "form")
        if any(other.casefold() == new.casefold() for other in forms if other != form):
            raise SongError(f'forms."{new}": there is a form of that name in {SONG_FILE}; give another')
        document.rename("forms", form, new)
        for other, value in list(forms.items()):
            if isinstance(value, dict) and str(value.get("replaces", "")).casefold() == form.casefold():
                document.set("forms", other, {**value, "replaces": new})
        _follow_prior_listens(document, form, new)

    return edited(text, folder, change)


def _follow_prior_listens(document: TomlText, old: str, new: str | None) -> None:
    """Listeners' prior listens of a form that is renamed or (None) taken out."""
    for listener, value in list(document.table("listeners").items()):
        counts = value.get("prior_listens") if isinstance(value, dict) else None
        if not isinstance(counts, dict) or not any(f.casefold() == old.casefold() for f in counts):
            continue
        kept: dict[str, Any] = {}
        for form, count in counts.items():
            if form.casefold() != old.casefold():
                kept[form] = count
            elif new is not None:
                kept[new] = count
        rest = {key: entry for key, entry in value.items() if key != "prior_listens"}
        document.set("listeners", listener, {"prior_listens": kept, **rest} if kept else rest)
