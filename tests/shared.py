"""What one process of a test run has computed, for the others: `python -m tests` names a folder for it."""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

FOLDER = "FAIRHEARING_TESTS_SHARED"
Made = TypeVar("Made")


def shared(make: Callable[[], Made], *key: object) -> Made:
    """What `make` gives, or gave in another process of this run under the same key."""
    folder = os.environ.get(FOLDER)
    if folder is None:
        return make()
    path = Path(folder) / hashlib.sha256(repr(key).encode()).hexdigest()
    if path.exists():
        kept: Made = pickle.loads(path.read_bytes())
        return kept
    made = make()
    half = path.with_suffix(f".{os.getpid()}")
    half.write_bytes(pickle.dumps(made, protocol=pickle.HIGHEST_PROTOCOL))
    half.replace(path)
    return made
