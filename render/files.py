"""Files that are written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from render.errors import RenderError


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary name in the same folder that becomes `path` when the block succeeds, else vanishes.

    Raises:
        RenderError: the disk is full, or the folder cannot be written.
    """
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield half
        half.replace(path)
    except OSError as error:
        raise RenderError(
            f"{path} could not be written: {error.strerror or error}; make room or check the "
            "folder's rights, then run the command again (nothing was left half-written)"
        ) from None
    finally:
        half.unlink(missing_ok=True)
