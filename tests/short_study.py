"""Studies of some seconds whose rounds are heard by calls: what a device, a page or a packet would do."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from listening.rounds import Listen, Round, enter_round
from render.renders.render_forms import render_forms
from render.song.song import load_song
from sessions.study import Study
from tests.clocks import EVENING_UTC, SetClock, Ticking
from tests.songs import make_study

FORMS = {"turned": ["b", "a"], "twice": ["a", "b x2"]}
SHORT: dict[str, Any] = {
    "sections": {"a": "1-2", "b": "3-4"},
    "forms": FORMS,
    "bars": 4,
    "tempo": 240,
    "listeners": {"ana": {"prior_listens": 20}, "bo": {}},
}
PLAN: dict[str, Any] = {"plan": {"rounds": 2, "days": 2}}
SMALL: dict[str, Any] = SHORT | {
    "rate": 8000, "channels": 1, "listeners": {"ana": {}, "bo": {}}, "plan": {"rounds": 200, "days": 1},
}  # fmt: skip


def rendered(folder: Path, clock: SetClock | None = None, **options: Any) -> Study:
    """Two listeners, two rounds; made and rendered anew where it is there already."""
    if options or (folder / "song.toml").exists():
        make_study(folder, **SHORT | PLAN | options)
    else:
        shutil.copytree(_made(), folder, dirs_exist_ok=True)
    study = Study(folder, clock or SetClock())
    manifest = render_forms(study.song, keep_sets=study.open_render_sets)
    study.register(manifest)
    return study


@cache
def _made() -> Path:
    """The study as it mostly is, rendered once a process: tests get copies."""
    folder = Path(tempfile.mkdtemp(prefix="fh-short-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    render_forms(load_song(make_study(folder, **SHORT | PLAN)))
    return folder


def again(study: Study) -> Study:
    """The same folder as a new process would open it."""
    return Study(study.folder, study.clock)


def hear(study: Study, round_: Round, rating: float = 50, sitting: int | None = None) -> Listen:
    """The next form of a round, heard to its end and rated (in a sitting that goes on, or begins)."""
    demand = round_.next_demand
    assert demand is not None
    if sitting is None:
        sitting = study.log.sit_down(round_.listener, "headphones", "device")
    listen = round_.begin(demand, sitting)
    study.log.end_listen(listen.id, demand.render.frames)
    study.log.rate(listen.id, {"overall": rating})
    round_.refresh()
    return listen


def do_round(study: Study, listener: str, **how: bool) -> bool:
    round_ = enter_round(study, listener, **how)
    while round_.next_demand is not None:
        hear(study, round_)
    return round_.finish()


def small_study(folder: Path, store: str | None = None) -> Study:
    """As small as can be, with rounds enough for a campaign, and a clock that goes on by itself."""
    make_study(folder, **SMALL)
    study = Study(folder, Ticking(EVENING_UTC), store)
    study.register(render_forms(study.song))
    return study
