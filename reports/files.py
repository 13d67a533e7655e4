"""Small things that every written text of a report needs."""

from __future__ import annotations

import re
from pathlib import Path

from render.files import replacing


def write_text(path: Path, text: str) -> None:
    """Write a text whole or not at all, the same bytes on every system.

    Raises:
        RenderError: the file could not be written.
    """
    with replacing(path) as half:
        half.write_bytes(text.encode("utf-8"))


def plain(text: str) -> str:
    """A text in which Markdown takes no character for markup, on one line."""
    return re.sub(r"([\\`*_{}\[\]<>#|~&])", r"\\\1", " ".join(text.split()))
