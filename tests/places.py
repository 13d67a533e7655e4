"""Where the tests' own data and the project's files lie."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[1]
DATA = ROOT / "tests" / "data"
