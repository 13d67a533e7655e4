"""A panel of any size in a study's log, by the log's own methods: `fill(study, rounds=5)`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from render.renders.render_forms import render_forms
from sessions.study import Study
from tests.clocks import EVENING_UTC, Ticking
from tests.songs import make_study

FORMS: Mapping[str, Any] = {
    "turned": ["b", "a"], "twice": ["a", "b x2"], "short": ["a bars 1", "b"], "b alone": ["b"],
}  # fmt: skip


def panel(folder: Path, listeners: int, store: str | None = None, rounds: int = 5) -> Study:
    """A rendered study of five short forms for so many invented listeners."""
    make_study(
        folder, rate=8000, channels=1, tempo=240, bars=4, sections={"a": "1-2", "b": "3-4"}, forms=FORMS,
        listeners={f"listener {n:04}": {} for n in range(listeners)}, plan={"rounds": rounds, "days": 3},
    )  # fmt: skip
    study = Study(folder, Ticking(EVENING_UTC), store)
    manifest = render_forms(study.song)
    with study.log.store.at_once():
        study.register(manifest)
    return study


def fill(study: Study, *, first: int = 1, last: int = 5, seed: int = 3) -> dict[int, float]:
    """Rounds `first` to `last` of every listener, all rated; listen id -> rating. Form 3 is liked best."""
    dice = np.random.default_rng(seed)
    log = study.log
    clock = study.clock
    assert isinstance(clock, Ticking)
    given = {}
    with log.store.at_once():
        forms = [*study.register(study.manifest).values()]
        for number in range(first, last + 1):
            clock.forward(hours=16)
            for listener in study.song.listeners:
                order = [int(form) for form in dice.permutation(forms)]
                round_id = log.start_round(listener.name, number, order, study.manifest.set_id)
                sitting = log.sit_down(listener.name, "headphones", "page")
                for position, form in enumerate(order, 1):
                    code = log.reserve_code(round_id, form)
                    listen = log.start_listen(round_id, sitting, form, position, code, 1000)
                    log.end_listen(listen, 1000)
                    rating = float(np.clip(round(dice.normal(66 if form == 3 else 50, 12)), 0, 100))
                    log.rate(listen, {"overall": rating})
                    given[listen] = rating
                log.end_round(round_id, complete=True)
    return given
