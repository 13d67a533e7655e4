"""Studies for the report's tests: invented noise as a song, scripted ratings through the real log."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from sqlalchemy import event

from render.renders.render_forms import render_forms
from sessions.log import Log
from sessions.records import RoundAnswers
from sessions.study import Study
from tests.clocks import EVENING_UTC, SetClock

RATE = 8000
BAR_S = 2.0  # 120 quarter notes a minute, 4/4
START_S = 0.5

FORMS = {
    "early bridge": '["intro", "bridge", "verse", "silence 1 bar", "refrain x2"]',
    "no intro": '["verse", "refrain without bass", "bridge", "refrain bars 1-2"]',
}
EIGHT = {
    "early bridge": FORMS["early bridge"],
    "no intro": FORMS["no intro"],
    "橋を先に、そして静かに終わる": '["intro", "bridge", "refrain"]',
    "الجسر أولاً": '["bridge", "verse", "refrain"]',
    '<b>$x_1$ & \\"cut\\"</b>': '["verse", "refrain"]',
    "the one in which all that we ever loved about the song comes back twice": '["refrain x2", "verse"]',
    "half": '["intro bars 1-2", "silence 2 beats", "refrain"]',
}


def song_folder(
    folder: Path,
    forms: Mapping[str, str] = FORMS,
    listeners: Sequence[str] = ("ana", "bo", "cy"),
    title: str = "Invented",
    rounds: int = 5,
) -> Path:
    """A study's folder: 16 bars of noise in two stems, and a song.toml."""
    folder.mkdir(parents=True, exist_ok=True)
    dice = np.random.default_rng(4)
    frames = round((START_S + 16 * BAR_S + 0.5) * RATE)
    level = np.repeat(dice.uniform(0.05, 0.2, frames // 2000 + 1), 2000)[:frames]
    stems = {
        name: (dice.standard_normal(frames) * level).astype(np.float32) * 0.3 for name in ("bass", "voice")
    }
    for name, samples in {**stems, "bounce": stems["bass"] + stems["voice"]}.items():
        soundfile.write(folder / f"{name}.wav", samples, RATE, subtype="PCM_24")
    lines = [
        "[song]", f'title = "{title}"', 'audio = "bounce.wav"', "tempo = 120.0", 'meter = "4/4"',
        f"start = {START_S}", "[stems]", 'bass = "bass.wav"', 'voice = "voice.wav"', "[sections]",
        '"intro" = { bars = "1-4" }', '"verse" = { bars = "5-8" }', '"refrain" = { bars = "9-12" }',
        '"bridge" = { bars = "13-16" }', "[forms]", *(f'"{n}" = {parts}' for n, parts in forms.items()),
        "[listeners]", *(f'"{n}" = {{ prior_listens = {0 if i else 20} }}' for i, n in enumerate(listeners)),
        "[plan]", f"rounds = {rounds}", "days = 3",
    ]  # fmt: skip
    (folder / "song.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def rendered(folder: Path, clock: SetClock | None = None) -> Study:
    """The study, rendered, its log quick."""
    study = quick(Study(folder, clock or SetClock(EVENING_UTC)))
    render_forms(study.song)
    return study


def quick(study: Study) -> Study:
    """The study, its log on a disk that need not keep what it is told."""

    @event.listens_for(study.log.store.engine, "connect")
    def hurry(connection: Any, _record: Any) -> None:
        connection.execute("PRAGMA synchronous=OFF")

    return study


Liking = Callable[[str, str], float]  # listener, form -> settled points
Saying = Callable[[str, str, int], Sequence[tuple[float | None, str]]]  # listener, form, round -> comments


def nothing(_who: str, _form: str, _round: int) -> Sequence[tuple[float | None, str]]:
    return ()


def hear(
    study: Study,
    liking: Liking,
    *,
    rounds: int = 5,
    first: int = 1,
    says: Saying = nothing,
    simulated: Sequence[str] = (),
    noise: float = 4.0,
    days: int = 3,
    aspects: bool = False,
    finish: bool = True,
    late: Callable[[str, str], float] = lambda _who, _form: 0.0,
    answers: Callable[[str, Mapping[str, int]], RoundAnswers] | None = None,
) -> None:
    """Every listener does `rounds` rounds, the form heard in the log's own order. Ratings are invented, and
    all are written in one transaction.

    `late` are the seconds of sound that came late; `answers` those to the questions at a round's end, from
    the listener and the ids of the round's listens by form.
    """
    clock = study.clock
    assert isinstance(clock, SetClock)
    ids = study.register(study.manifest, simulated)
    log: Log = study.log
    dice = np.random.default_rng(7)
    start = clock.now
    with log.store.at_once():
        for number in range(first, first + rounds):
            clock.now = start + timedelta(days=(number - first) * days // rounds, hours=(number - first) % 2)
            for listener in study.song.listeners:
                sitting = log.sit_down(listener.name, "headphones" if number % 2 else "car", "simulated")
                order = [int(i) for i in dice.permutation([*ids.values()])]
                round_id = log.start_round(listener.name, number, order, study.manifest.set_id)
                names = {ids[form.content_hash]: form.name for form in study.manifest.forms}
                listens: dict[str, int] = {}
                for position, form_id in enumerate(order, 1):
                    code = log.reserve_code(round_id, form_id)
                    listen = log.start_listen(round_id, sitting, form_id, position, code, 1000)
                    clock.now += timedelta(seconds=40)
                    log.end_listen(listen, 1000, late_s=late(listener.name, names[form_id]))
                    listens[names[form_id]] = listen
                    points = liking(listener.name, names[form_id]) + dice.normal(0, noise)
                    values = {"overall": float(np.clip(round(points), 0, 100))}
                    log.rate(listen, values | ({"flow": 50.0, "ending": 61.0} if aspects else {}))
                    for time_s, text in says(listener.name, names[form_id], number):
                        log.comment(listen, text, time_s)
                if answers is not None:
                    log.answer_round(round_id, answers(listener.name, listens))
                log.end_round(round_id, complete=True)
    if finish:
        log.add_event("opened", {"why": "all planned rounds are done"})


def likes(**points: float) -> Liking:
    """The same liking for everybody: form -> points, 50 where not named."""
    return lambda _who, form: points.get(form.replace(" ", "_"), 50.0)
