"""Writing and escaping of report texts: Markdown, CSV cells, file names."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from render.files import replacing

REPORT = "report"  # the folder of a study that holds what is written about it
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def write_text(path: Path, text: str) -> None:
    """Write a text whole or not at all, the same bytes on every system.

    Raises:
        WriteError: the file could not be written.
    """
    with replacing(path) as half:
        half.write_bytes(text.encode("utf-8"))


def plain(text: str) -> str:
    """A text in which Markdown takes no character for markup, on one line."""
    return re.sub(r"([\\`*_{}\[\]<>#|~&])", r"\\\1", " ".join(text.split()))


def message(text: str) -> str:
    """The same for a message of ours, whose commands in backticks stay code: "run `fairhearing render`"."""
    return re.sub(r"\\`(fairhearing[ a-zA-Z-]*)\\`", r"`\1`", plain(text))


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> str:
    """A table as CSV, a header line first."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def cell(text: str) -> str:
    """A text that a spreadsheet takes for text: an apostrophe before what it would run as a formula."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def file_name(text: str) -> str:
    """A text as a file name that Linux, macOS and Windows take, at most 120 bytes long."""
    clean = re.sub(r'[<>:"/\\|?*\x00-\x1f]+', " ", text)
    clean = " ".join(clean.split()).encode("utf-8")[:120].decode("utf-8", "ignore").strip(" .")
    return clean or "form"
