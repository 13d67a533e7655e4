"""The demo's study: the invented song, four forms, and three scripted listeners over ten days.

The listeners are simulated, and marked so in the log, on the screen and in the report. Their rounds go
through the same plan, codes and log as real ones; only the sound and the ears are missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from listening.demo.song import song_toml, write_song
from listening.rounds import Round, enter_round
from render.errors import StudyError
from render.files import OWNERS_FOLDER
from render.steps import Step, no_step
from sessions.records import OVERALL
from sessions.study import Study

SEED = 20
ROUND_HOURS = (11, 20)
NOISE_POINTS = 7.0


@dataclass(frozen=True)
class Script:
    """A simulated listener: settled points by form, what unfamiliarity costs, what they listen on."""

    liking: dict[str, float]
    novelty_points: float
    heard_on: tuple[str, ...]


SCRIPTS = {
    "marit": Script(
        {"as written": 58, "refrain first": 55, "early bridge": 71, "one verse": 52, "going away": 47}, 14,
        ("monitors", "headphones", "car"),
    ),
    "joao": Script(
        {"as written": 54, "refrain first": 60, "early bridge": 70, "one verse": 50, "going away": 44}, 4,
        ("headphones", "phone"),
    ),
    "tove": Script(
        {"as written": 60, "refrain first": 50, "early bridge": 68, "one verse": 57, "going away": 49}, 7,
        ("headphones", "car", "phone"),
    ),
}  # fmt: skip

# (listener, form, seconds after bar 1, words)
COMMENTS = (
    ("marit", "early bridge", 41.0, "the bridge answers the verse here, I had never heard it that way"),
    ("marit", "as written", 62.0, "verse 2 again, and I wait"),
    ("joao", "refrain first", 9.0, "in at once, but then where does it grow?"),
    ("joao", "early bridge", 110.0, "goose bumps at the last refrain"),
    ("tove", "one verse", 70.0, "too soon for me, I miss the second story"),
    ("tove", "going away", None, "it never comes home"),
)


class ScriptedClock:
    """A clock that only the script moves."""

    def __init__(self, start: datetime) -> None:
        self.now = start

    def __call__(self) -> datetime:
        return self.now

    def pass_s(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


def require_empty(folder: Path) -> None:
    """Refuse a folder that holds something already (StudyError)."""
    if folder.exists() and any(folder.iterdir()):
        raise StudyError(f"{folder} is not empty; name another folder for the demo, or delete it first")


def write_study(folder: Path) -> None:
    """Write the invented song, its stems and its song.toml into an empty or new folder.

    Raises:
        StudyError: the folder holds something already.
    """
    require_empty(folder)
    folder.mkdir(OWNERS_FOLDER, parents=True, exist_ok=True)
    write_song(folder)
    (folder / "song.toml").write_text(song_toml(), encoding="utf-8")


def play_through(study: Study, step: Step = no_step) -> list[str]:
    """Scripted listeners do every planned round; returns what to tell about it."""
    days = study.song.days
    first = study.clock().replace(hour=ROUND_HOURS[0], minute=0, second=0, microsecond=0) - timedelta(
        days=days
    )
    clock = ScriptedClock(first)
    scripted = Study(study.folder, clock)
    with scripted.log.store.at_once():
        _hear_all(scripted, clock, step)
    contents = scripted.log.contents()
    voids = sum(x.void_reason is not None for x in contents.listens)
    rated = sum(x.rating is not None for x in contents.listens)
    return [
        f"{rated} whole listens rated over {days} days, {voids} voided; all marked as simulated",
        f"the plan's seed was sealed before the first: SHA-256 {contents.seed_sha256}",
    ]


def _hear_all(scripted: Study, clock: ScriptedClock, step: Step) -> None:
    scripted.register(scripted.manifest, simulated=SCRIPTS)
    first, days, rounds = clock.now, scripted.song.days, scripted.song.rounds
    said: set[tuple[str, str]] = set()
    for number in range(rounds):
        day, hour = divmod(number, -(-rounds // days))
        for minute, name in enumerate(SCRIPTS):
            clock.now = first.replace(hour=ROUND_HOURS[hour % 2], minute=7 * minute) + timedelta(days=day)
            _hear_round(scripted, clock, name, number, said)
            step(f"round {number + 1}, {name}", number * len(SCRIPTS) + minute + 1, rounds * len(SCRIPTS))


def _hear_round(
    study: Study,
    clock: ScriptedClock,
    name: str,
    number: int,
    said: set[tuple[str, str]],
) -> None:
    script = SCRIPTS[name]
    round_ = enter_round(study, name)
    sitting = study.log.sit_down(name, script.heard_on[number % len(script.heard_on)], "simulated")
    mood = _chance(name, number).normal(0, 4)
    while (demand := round_.next_demand) is not None:
        listen = round_.begin(demand, sitting)
        if name == "joao" and number == 2 and demand.position == 2 and not _voided(round_):
            clock.pass_s(40)
            study.log.end_listen(listen.id, demand.render.frames // 4, "stopped by the listener")
            round_.refresh()
            continue
        clock.pass_s(demand.render.seconds)
        study.log.end_listen(listen.id, demand.render.frames)
        form = demand.render.name
        heard = number + (60 if (name, form) == ("marit", "as written") else 0)
        rating = (
            script.liking[form]
            - script.novelty_points * np.exp(-heard / 2)
            + mood
            + _chance(name, number, form).normal(0, NOISE_POINTS)
        )
        study.log.rate(listen.id, {OVERALL: float(np.clip(np.rint(rating), 0, 100))})
        if number >= 1:
            _say(study, listen.id, name, form, said)
        clock.pass_s(25)
        round_.refresh()
    round_.finish()


def _chance(*about: str | int) -> np.random.Generator:
    """Dice of their own for each listener, round and form: the plan's random orders change no rating."""
    return np.random.default_rng([SEED, *" ".join(map(str, about)).encode()])


def _voided(round_: Round) -> bool:
    return any(x.round_id == round_.record.id and x.void_reason for x in round_.contents.listens)


def _say(study: Study, listen_id: int, name: str, form: str, said: set[tuple[str, str]]) -> None:
    for who, about, time_s, words in COMMENTS:
        if (who, about) == (name, form) and (who, words) not in said:
            said.add((who, words))
            study.log.comment(listen_id, words, time_s)
            return
