"""Ideas written into song.toml: below the forms that are there, every comment and blank kept."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path

from render.errors import SongError
from render.proposals.ideas import Idea
from render.song.song import SONG_FILE, song_from_text


def write_into(toml_text: str, ideas: Sequence[Idea], folder: Path | None = None) -> str:
    """The text of a song.toml with `ideas` added to its forms, everything else as it was.

    With `folder`, the result is also checked as a whole song.

    Raises:
        SongError: the text is not TOML, or its forms are written in a way that cannot be added to.
    """
    old = _parsed(toml_text)
    newline = "\r\n" if "\r\n" in toml_text else "\n"
    entries = entry_lines(ideas)
    lines = toml_text.splitlines(keepends=True)
    header = next((i for i, line in enumerate(lines) if _is_header(lines, i, r"\[\s*forms\s*\]")), None)
    if header is None:
        if lines and not lines[-1].endswith(("\n", "\r")):
            lines[-1] += newline
        block, at = ["", "[forms]", *entries], len(lines)
    else:
        end = next((i for i in range(header + 1, len(lines)) if _is_header(lines, i, r"\[")), len(lines))
        filled = [i for i in range(header, end) if lines[i].strip() and not lines[i].lstrip().startswith("#")]
        at = max(filled) + 1
        if not lines[at - 1].endswith(("\n", "\r")):
            lines[at - 1] += newline
        block = entries
    new = "".join([*lines[:at], *(line + newline for line in block), *lines[at:]])
    _check(old, new, ideas)
    if folder is not None:
        song_from_text(new, folder)
    return new


def entry_lines(ideas: Sequence[Idea]) -> list[str]:
    """Lines for [forms], each idea below its reason."""
    return [line for idea in ideas for line in (_comment(idea), entry_line(idea))]


def entry_line(idea: Idea) -> str:
    """An idea as song.toml has it: its name and its parts."""
    return f"{toml_string(idea.name)} = [{', '.join(map(toml_string, idea.texts))}]"


def toml_string(text: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's."""
    return json.dumps(text, ensure_ascii=False)


def _comment(idea: Idea) -> str:
    return f"# {idea.length_text}, {idea.reason}"


def _parsed(text: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SongError(f"{SONG_FILE} is not valid TOML: {error}; mend that line") from None


def _is_header(lines: list[str], index: int, pattern: str) -> bool:
    """Whether a line opens a table: it looks so, and is not inside a value of several lines."""
    if not re.match(rf"\s*{pattern}", lines[index]):
        return False
    try:
        tomllib.loads("".join(lines[:index]))
    except tomllib.TOMLDecodeError:
        return False
    return True


def _check(old: dict[str, object], new: str, ideas: Sequence[Idea]) -> None:
    """The new text must say what the old one said, and the ideas."""
    try:
        found = tomllib.loads(new)
    except tomllib.TOMLDecodeError:
        found = {}
    forms = old.get("forms", {})
    assert isinstance(forms, dict)
    if found != {**old, "forms": {**forms, **{idea.name: list(idea.texts) for idea in ideas}}}:
        raise SongError(
            f"{SONG_FILE}: the forms are written in a way that cannot be added to without touching them; "
            "write them under a [forms] header, or paste the ideas yourself"
        )
