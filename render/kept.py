"""Results kept in a file beside the renders, so that what has not changed is not computed again.

A file is used only where its key and its checksum are right; it is made anew otherwise, and nothing is
lost without it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from render.digests import digests
from render.files import signs, write_beside

T = TypeVar("T")


def kept(path: Path, key: str, kind: Any, compute: Callable[[], T]) -> T:
    """What `compute` gives, or gave under the same key: plain data of the type `kind`, kept in `path`.

    Raises:
        what `compute` raises; then nothing is kept. A folder that cannot be written only costs time.
    """
    adapter: TypeAdapter[T] = TypeAdapter(kind)
    there: T | None = kept_already(path, key, kind)
    if there is not None:
        return there
    result = compute()
    with suppress(ValueError):  # not plain data (an infinity, say): not kept
        text = adapter.dump_json(result).decode()
        same = adapter.validate_json(text)
        if adapter.dump_json(same).decode() == text:
            write_beside(path, json.dumps({"key": key, "sha256": _sha256(text), "result": text}).encode())
            return same  # what the next call will give, down to numbers written as 0 or 0.0
    return result


def kept_already(path: Path, key: str, kind: Any) -> Any:
    """What is kept in `path` under the key, of the type `kind`; None where nothing is, or it is damaged."""
    with suppress(OSError, ValueError, KeyError, TypeError, ValidationError):
        there = json.loads(path.read_text(encoding="utf-8"))
        if there["key"] == key and there["sha256"] == _sha256(there["result"]):
            return TypeAdapter(kind).validate_json(there["result"])
    return None


def key_of(*values: object, files: Sequence[Path], folder: Path) -> str:
    """A key for what depends on these values, on the content of these files of the study in `folder` (by
    their SHA-256 sums), and on the program that computes it (by size and times of its own files)."""
    here = Path(__file__).parent
    program = sorted([*here.rglob("*.py"), *(here.parent / "listening").glob("*.py")])
    return _sha256(repr((values, digests(files, folder), [(str(path), signs(path)) for path in program])))


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
