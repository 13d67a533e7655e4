"""Tables of ratings from simulated studies, as a log or a CSV would give them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reports.simulation.worlds import World, simulate

FORMS = ["as written", "early bridge", "long end", "no verse 2"]


def table_of(world: World, rounds: int, seed: int, names: Sequence[str] = FORMS) -> pd.DataFrame:
    """A simulated study as a table; two rounds a day; form 0 is the incumbent."""
    study = simulate(world, rounds, seed)
    seen = study.seen
    return pd.DataFrame(
        {
            "listener": [f"listener {i}" for i in seen.listener],
            "day": [f"2025-03-{(r + 1) // 2:02d}" for r in study.round],
            "round": study.round,
            "position": seen.position + 1,
            "form": [names[i] for i in seen.form],
            "rating": seen.rating,
            "prior_listens": np.where(seen.form == 0, world.head_start, 0.0),
        }
    )
