"""matplotlib's axes and figures, loaded without the documentation that it writes for itself as it loads.

For each of its classes it puts together the list of all settable properties: 0.3 s, a sixth of a report.
"""

from __future__ import annotations

from typing import Any

import matplotlib.artist


def _undocumented(artist: Any) -> str:
    del artist
    return ""


_kwdoc, matplotlib.artist.kwdoc = matplotlib.artist.kwdoc, _undocumented
from matplotlib.axes import Axes  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402

matplotlib.artist.kwdoc = _kwdoc

__all__ = ["Axes", "Figure"]
