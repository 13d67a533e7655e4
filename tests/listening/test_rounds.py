"""What a round demands, when it may begin, what changes of song.toml do to it, and when a study opens."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from listening.round_state import round_state
from listening.rounds import enter_round
from listening.status import rated_forms_of, retired_lines, study_status
from render.errors import ListenError, StudyError
from tests.clocks import SetClock
from tests.short_study import FORMS, SHORT, again, do_round, hear, rendered
from tests.songs import make_study

pytestmark = pytest.mark.usefixtures("on_both_stores")


def test_a_round_is_every_form_once_under_codes_of_its_own(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    round_ = enter_round(study, "ana")
    listens = [hear(study, round_) for _ in range(3)]
    assert round_.next_demand is None
    assert {x.demand.render.name for x in listens} == {"as written", "turned", "twice"}
    assert len({x.code for x in listens}) == 3 and all(100 <= x.code <= 999 for x in listens)


def test_an_interrupted_round_goes_on_at_its_place_on_another_day(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    round_ = enter_round(study, "ana")
    first = hear(study, round_)
    stopped = round_.begin(round_.next_demand, study.log.sit_down("ana", "car", "device"))  # type: ignore[arg-type]
    study.log.end_listen(stopped.id, 10, "stopped by the listener")
    clock.forward(days=3)
    resumed = enter_round(again(study), "ana")
    assert resumed.state.number == 1 and list(resumed.state.rated) == [first.demand.form_id]
    fresh = hear(study, resumed)
    assert fresh.demand.form_id == stopped.demand.form_id, "the voided form comes again"
    assert fresh.code != stopped.code, "under a fresh code"


def test_a_listen_heard_but_not_rated_is_asked_for_first(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    round_ = enter_round(study, "ana")
    demand = round_.next_demand
    assert demand is not None
    listen = round_.begin(demand, study.log.sit_down("ana", "car", "device"))
    study.log.end_listen(listen.id, demand.render.frames)  # ... and the process is killed here
    resumed = enter_round(again(study), "ana")
    assert resumed.state.waiting is not None and resumed.state.waiting.code == listen.code
    study.log.rate(listen.id, {"overall": 77})
    resumed.refresh()
    assert resumed.state.waiting is None and demand.form_id in resumed.state.rated


def test_one_round_a_sitting_and_rounds_spread_over_days(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    do_round(study, "ana")
    with pytest.raises(ListenError, match="one round a sitting"):
        enter_round(study, "ana", any_day=True)
    clock.forward(minutes=61)
    with pytest.raises(ListenError, match=r"due on 2026-03-03"):
        enter_round(study, "ana")
    assert enter_round(study, "ana", any_day=True).state.number == 2
    assert enter_round(study, "bo").state.number == 1, "listeners do not wait for each other"


def test_a_clock_that_jumps_back_a_day_locks_nobody_out(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    do_round(study, "ana")
    clock.forward(days=-1)
    due = round_state(study, study.log.contents(), "ana").due
    assert due is not None and due.day <= date(2026, 3, 3)
    clock.forward(days=2)
    assert enter_round(study, "ana").state.number == 2


def test_the_study_opens_when_everybody_has_done_everything(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    opened = []
    for _ in range(2):
        for name in ("ana", "bo"):
            opened.append(do_round(study, name))
        clock.forward(days=1)
    assert opened == [False, False, False, True]
    contents = study.log.contents()
    assert contents.opened is not None and contents.opened.detail["why"] == "all planned rounds are done"
    assert study_status(study).state == "opened; the report tells which form won"
    with pytest.raises(ListenError, match="all 2 planned rounds"):
        enter_round(study, "ana")


def test_a_form_taken_out_is_retired_and_skipped(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    round_ = enter_round(study, "ana")
    hear(study, round_)
    gone = round_.next_demand
    assert gone is not None
    if gone.render.name == "as written":  # it always exists: let the other one go
        gone = next(
            d for d in round_.demands if d.render.name != "as written" and d.form_id not in round_.state.rated
        )
    kept = {name: parts for name, parts in FORMS.items() if name != gone.render.name}
    changed = rendered(tmp_path, forms=kept)
    asked = {d.render.name for d in enter_round(changed, "ana").demands}
    assert asked == {"as written", *kept}
    assert len(changed.log.contents().forms) == 3, "the log keeps what it knew"


def test_a_changed_form_is_a_new_form_and_a_renamed_one_is_not(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    do_round(study, "ana")
    rendered(tmp_path, forms={"turned": ["b", "a"], "thrice": ["a", "b x3"]})
    assert len(study.log.contents().forms) == 4
    rendered(tmp_path, forms={"the other way": ["b", "a"], "thrice": ["a", "b x3"]})
    assert len(study.log.contents().forms) == 4


def test_a_form_added_later_joins_the_next_round(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    hear(study, enter_round(study, "ana"))
    more = rendered(tmp_path, clock, forms={**FORMS, "new": ["b bars 1", "a"]})
    round_ = enter_round(more, "ana")
    assert len(round_.demands) == 3, "never within a round"
    while round_.next_demand is not None:
        hear(more, round_)
    round_.finish()
    clock.forward(days=1)
    assert len(enter_round(more, "ana").demands) == 4


def test_a_round_keeps_the_loudness_it_began_with(tmp_path: Path) -> None:
    """A form added later may lower the target for the rounds to come, never within one."""
    study = rendered(tmp_path)
    round_ = enter_round(study, "ana")
    before = {d.render.name: d.render.lufs for d in round_.demands}
    target = study.manifest.target_lufs
    quiet = rendered(tmp_path, forms={**FORMS, "quiet": ["a bars 1", "silence 1 bar", "a bars 2"]})
    assert target is not None and quiet.manifest.target_lufs is not None
    assert quiet.manifest.target_lufs < target - 1, "the rounds to come are quieter"
    resumed = enter_round(quiet, "ana")
    assert {d.render.name: d.render.lufs for d in resumed.demands} == before
    assert all(d.path.is_file() for d in resumed.demands)
    hear(quiet, resumed)


def test_renders_older_than_song_toml_are_refused(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    make_study(tmp_path, **SHORT | {"forms": {"turned": ["b", "a x2"], "twice": ["a", "b x2"]}})
    with pytest.raises(StudyError, match=r'changed since the last render \("turned"\)'):
        enter_round(again(study), "ana")


def test_a_damaged_render_is_not_played(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    round_ = enter_round(study, "ana")
    demand = round_.next_demand
    assert demand is not None
    whole = demand.path.read_bytes()
    sitting = study.log.sit_down("ana", "car", "device")
    for damaged in (whole[:-4000], whole[:9000] + b"\x55" + whole[9001:]):
        demand.path.write_bytes(damaged)
        with pytest.raises(ListenError, match="not what was measured"):
            round_.begin(demand, sitting)
    demand.path.unlink()
    with pytest.raises(ListenError, match="missing"):
        round_.begin(demand, sitting)
    assert study.log.contents().listens == (), "nothing was begun"


def test_status_tells_progress_and_nothing_else(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    listen = hear(study, enter_round(study, "ana"), rating=87)
    status = study_status(study)
    shown = str(status).replace(status.seed_sha256 or "", "the seal")  # its digits may hold anything
    assert "1" in shown and "ana" in shown
    for secret in ("turned", "twice", "as written", "87", str(listen.code)):
        assert secret not in shown
    assert status.state == "sealed; nobody is told which form is which until the rounds are done"
    row = study_status(study).listeners[0]
    assert (row.heard_in_open_round, row.asked_in_open_round, row.days) == (1, 3, 1)


def test_a_render_says_what_it_retires(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    round_ = enter_round(study, "ana")
    while round_.next_demand is not None and round_.next_demand.render.name != "twice":
        hear(study, round_)
    hear(study, round_)
    before = rated_forms_of(study)
    changed = rendered(tmp_path, forms={**FORMS, "twice": ["a", "b x3"]})
    lines = retired_lines(changed, before)
    assert '"twice" has changed or was taken out: its one rating stays' in lines[0] and "(ana)" in lines[1]
    assert retired_lines(changed, rated_forms_of(changed)) == []
