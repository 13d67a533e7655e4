"""Resting forms: the decision from readings, its record in the log, and the check of plan and log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from listening.packet.packet_file import write_packet
from listening.page.state import state_of
from listening.round_state import MAY_STOP, round_state
from listening.rounds import Round, enter_round
from listening.status import study_status
from reports.facts.panel_reading import read_panel
from reports.output.report import why_opened
from sessions.resting import KIND, FormReading, PanelReading, forms_at_rest, may_stop, resting_hashes
from sessions.study import Study
from tests.clocks import Ticking
from tests.far_listener import Packet
from tests.panels import panel
from tests.plan_check import deviations

HOPELESS = FormReading(main=0.01, slow=0.02, own_way=0.02, among_all=0.01, leads=False)
GOOD = FormReading(main=0.45, slow=0.4, own_way=0.4, among_all=0.45, leads=True)


def reading(heard: int = 4, **forms: FormReading) -> PanelReading:
    return reading_of(forms, heard)


def reading_of(forms: Mapping[str, FormReading], heard: int = 4) -> PanelReading:
    return PanelReading("keep listening", False, heard, {"a": GOOD, "b": GOOD, "c": GOOD, **forms})


def test_a_form_rests_when_no_reading_leaves_it_a_chance() -> None:
    assert forms_at_rest((), reading(d=HOPELESS, e=GOOD), 3) == ("d",)
    assert forms_at_rest((), reading(d=HOPELESS, e=GOOD, heard=3), 3) == ()
    assert forms_at_rest((), reading(d=HOPELESS), 3) == ()  # four forms rest none


@pytest.mark.parametrize(
    ("change", "listeners", "rests"),
    [
        ({"main": 0.049}, 3, True),
        ({"main": 0.05}, 3, False),
        ({"slow": 0.07}, 3, False),
        ({"own_way": 0.045}, 3, True),
        ({"own_way": 0.045}, 1, False),  # one listener alone must be surer
        ({"leads": True}, 3, False),
    ],
)
def test_the_thresholds(change: dict[str, float], listeners: int, rests: bool) -> None:
    form = replace(HOPELESS, **change)  # type: ignore[arg-type]
    assert (forms_at_rest((), reading(d=form, e=GOOD), listeners) == ("d",)) == rests


def test_it_returns_when_its_chance_rises_and_two_always_stay() -> None:
    resting = replace(HOPELESS, main=0, slow=0, own_way=0)
    assert forms_at_rest(("d",), reading(d=replace(resting, among_all=0.15), e=GOOD), 3) == ("d",)
    assert forms_at_rest(("d",), reading(d=replace(resting, among_all=0.16), e=GOOD), 3) == ()
    bad = {name: replace(HOPELESS, among_all=i / 1000) for i, name in enumerate("bcde")}
    assert forms_at_rest((), reading_of(bad), 3) == ("b", "c", "d")  # the likeliest of the four stays


def play(study: Study, rounds: int, likes: dict[int, float], seed: int) -> None:
    """Whole rounds of every listener, as they are entered and finished for people.

    The plan's own seed is the system's, so every run hears other orders: ratings of one form vary too little
    for an equal one to fall far behind by chance.
    """
    dice = np.random.default_rng(seed)
    clock = study.clock
    assert isinstance(clock, Ticking)
    for _ in range(rounds):
        clock.forward(hours=24)
        for listener in study.song.listeners:
            play_round(study, listener.name, likes, dice)


def play_round(
    study: Study, name: str, likes: dict[int, float], dice: np.random.Generator, finish: bool = True
) -> None:
    around = enter_round(study, name, any_day=True)
    sitting = study.log.sit_down(name, "headphones", "device")
    for demand in around.demands if finish else ():
        listen = around.begin(demand, sitting)
        study.log.end_listen(listen.id, demand.render.frames)
        rating = float(np.clip(round(dice.normal(likes.get(demand.form_id, 70), 2)), 0, 100))
        study.log.rate(listen.id, {"overall": rating})
    if finish:
        Round(study, name).finish()


def test_later_rounds_are_without_it_and_the_log_can_be_checked(tmp_path: Path) -> None:
    made = panel(tmp_path / "study", 1, rounds=12)
    study = Study(made.folder, made.clock, reader=read_panel)
    assert study.song.rests  # by default for one listener alone
    play(study, 7, {1: 30, 2: 35}, seed=5)
    contents = study.log.contents()
    rounds = contents.rounds_of("listener 0000")
    assert [len(r.order) for r in rounds[:4]] == [5] * 4 and len(rounds[-1].order) == 3
    assert not {1, 2} & set(rounds[-1].order)
    gone = {contents.form(i).content_hash for i in (1, 2)}
    assert set(resting_hashes(contents.events)) == gone
    lines = " ".join(study_status(study).lines)
    assert "2 forms rest" in lines and "twice" not in lines
    seed = study.log.secret("plan_seed")
    assert list(deviations(contents, seed)) == []
    assert "not in the order" in next(iter(deviations(contents, seed[::-1])))
    forged = tuple(
        replace(e, detail={**e.detail, "resting": []}) if e.kind == KIND else e for e in contents.events
    )
    assert "do not follow" in next(iter(deviations(replace(contents, events=forged), seed)))


def test_listening_may_stop_is_told_without_a_name(tmp_path: Path) -> None:
    made = panel(tmp_path / "study", 2, rounds=8)
    study = Study(made.folder, made.clock, reader=read_panel)
    assert not study.song.rests  # a panel's rounds stay whole unless song.toml says otherwise
    play(study, 6, {3: 95, 1: 40}, seed=6)
    contents = study.log.contents()
    assert contents.opened is None and may_stop(contents.events) and resting_hashes(contents.events) == ()
    text = " ".join(study_status(study).lines)
    assert "Listening may stop" in text and not any(form.name in text for form in study.song.forms)
    assert why_opened(study) == "regularly: by the ratings listening might stop (clear)"
    name = study.song.listeners[0].name
    for stage in ("rest", "ready", "listen"):  # where the page is, each time it is opened
        if stage == "ready":
            made.clock.forward(hours=24)  # type: ignore[attr-defined]
        elif stage == "listen":
            enter_round(study, name, any_day=True)
        contents = study.log.contents(name)
        state = state_of(study, round_state(study, contents, name), contents, "drawer", any_day=True)
        assert state.stage == stage and MAY_STOP in state.text
    assert MAY_STOP in Packet(write_packet(study, name)).about["text"]
    study.log.add_event("opened", {"why": "a test"})
    contents = study.log.contents(name)
    assert MAY_STOP not in state_of(study, round_state(study, contents, name), contents, "drawer").text


@pytest.mark.usefixtures("on_both_stores")
@pytest.mark.parametrize("whole_round", [False, True])
def test_two_hosts_that_read_at_once_agree(tmp_path: Path, whole_round: bool) -> None:
    """One has read the ratings; before it writes, another reads them and begins a round, or plays it all."""
    made = panel(tmp_path / "study", 2, rounds=12)
    toml = made.folder / "song.toml"
    toml.write_text(
        toml.read_text(encoding="utf-8").replace("[plan]", "[plan]\nrests = true"), encoding="utf-8"
    )
    likes = {1: 30.0, 2: 35.0}
    play(Study(made.folder, made.clock), 5, likes, seed=5)  # without a reader: nothing rests yet
    made.clock.forward(hours=24)  # type: ignore[attr-defined]
    ana, bo = (listener.name for listener in made.song.listeners)
    one = Study(made.folder, made.clock, reader=read_panel)

    def meanwhile(study: Study) -> PanelReading | None:
        reading = read_panel(study)
        if len(one.log.contents().rounds_of(ana)) == 5:
            play_round(one, ana, likes, np.random.default_rng(8), finish=whole_round)
        return reading

    other = Study(made.folder, made.clock, reader=meanwhile)
    enter_round(other, bo, any_day=True)
    contents = other.log.contents()
    begun = [contents.rounds_of(name)[-1] for name in (ana, bo)]
    assert [round_.number for round_ in begun] == [6, 6]
    assert {frozenset(round_.order) for round_ in begun} == {frozenset({3, 4, 5})}
    gone = {contents.form(i).content_hash for i in (1, 2)}
    events = [event for event in contents.events if event.kind == KIND]
    assert len(events) == 2 + whole_round and {frozenset(event.detail["resting"]) for event in events} == {
        frozenset(gone)
    }
    assert set(resting_hashes(one.log.contents().events)) == gone
    assert list(deviations(contents, other.log.secret("plan_seed"))) == []


def test_without_a_reader_nothing_rests(tmp_path: Path) -> None:
    study = panel(tmp_path / "study", 1, rounds=8)
    play(study, 5, {1: 5, 2: 5}, seed=7)
    contents = study.log.contents()
    assert not any(event.kind == KIND for event in contents.events)
    assert all(len(round_.order) == 5 for round_ in contents.rounds)
