"""What the page may ask for and when: order, wall time, single use, and every fault's outcome."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from listening import links
from listening.counts import REASONS, TOO_EARLY, Reason
from sessions.records import ListenRecord
from sessions.study import Study
from tests.clocks import SetClock
from tests.page_api import LONG_S, Bench, at, bench
from tests.page_study import EVENING, copied, rendered

__all__ = ["at", "rendered"]
pytestmark = pytest.mark.usefixtures("on_both_stores")


def listens(at: Bench, listener: str = "ana") -> list[ListenRecord]:
    return at.study.log.contents(listener).listens_of(listener)


def uncounted(why: str) -> dict[str, Any]:
    """The answer to a listen that did not count, the first one in a row."""
    return {"counted": False, "why": why, "ask": None, "advice": ""}


def test_a_whole_round(at: Bench) -> None:
    ana = at.caller("ana", at_home=False)
    assert ana.get("/api/state")["stage"] == "ready"
    ana.post("/api/round")
    ana.sit_down("car")
    codes = []
    for rating in (10, 20.5, 100):
        assert ana.get("/api/state")["stage"] == "listen"
        codes.append(ana.hear(at.longest_s()))
        state = ana.get("/api/state")
        assert (state["stage"], state["code"]) == ("rate", codes[-1])
        assert ana.answer(codes[-1], rating, flow=30).json() == {"kept": True}
    assert len(set(codes)) == 3 and all(100 <= code <= 999 for code in codes)
    state = ana.get("/api/state")
    assert state["stage"] == "review"
    assert [r["overall"] for r in state["ratings"]] == [10, 20.5, 100]
    ana.answer(codes[0], 11)
    state = ana.post("/api/round/close", {"round": 1})
    assert (state["stage"], state["rounds_done"]) == ("rest", 1)
    assert "Tuesday 10 March" in state["text"]
    assert [x.rating for x in listens(at)] == [11, 20.5, 100]
    assert {x.heard_on for x in listens(at)} == {"car"}
    (round_,) = at.study.log.contents().rounds
    assert round_.complete and [x.form_id for x in listens(at)] == list(round_.order)


def test_a_listen_that_ends_too_soon_by_the_servers_clock_does_not_count(at: Bench) -> None:
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    at.pass_s(at.seconds_of(code) - 0.2)
    assert ana.end(code, 1000) == uncounted(TOO_EARLY)
    (void,) = listens(at)
    assert void.void_reason == TOO_EARLY and 0 < void.fraction_heard < 1
    assert ana.answer(code, 50).status_code == 409
    assert ana.due()["code"] != code


def test_a_listen_of_which_less_was_heard_does_not_count(at: Bench) -> None:
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    at.pass_s(at.seconds_of(code))
    assert not ana.end(code, at.seconds_of(code) / 2)["counted"]
    assert listens(at)[0].fraction_heard == pytest.approx(0.5, abs=0.01)


def test_a_device_that_slept_in_the_middle(at: Bench) -> None:
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    at.pass_s(at.seconds_of(code) + 600)
    assert ana.end(code, at.seconds_of(code)) == uncounted(REASONS["paused"])


def test_an_end_that_arrives_late_counts(at: Bench) -> None:
    """The connection was lost for ten minutes after the form had ended."""
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    at.pass_s(at.seconds_of(code) + 600)
    assert ana.end(code, at.seconds_of(code), waited_s=600)["counted"]


def test_an_end_that_is_long_on_its_way_counts(at: Bench) -> None:
    """The request itself took eight seconds, as on a bad connection: the page could not know of it."""
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    at.pass_s(at.seconds_of(code) + 8)
    assert ana.end(code, at.seconds_of(code))["counted"]


@pytest.mark.parametrize("reason", sorted(REASONS))
def test_the_pages_own_reasons(at: Bench, reason: Reason) -> None:
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    at.pass_s(1)
    assert ana.end(code, 0.9, reason=reason) == uncounted(REASONS[reason])
    assert listens(at)[0].frames_delivered == round(0.9 * 48000)


def test_requests_that_are_repeated_change_nothing(at: Bench) -> None:
    ana = at.caller("ana")
    code = ana.due()["code"]
    assert ana.due()["code"] == code
    key = ana.key()
    assert [ana.begin(code, key).status_code for _ in range(3)] == [200] * 3
    at.pass_s(LONG_S / 20)
    seconds = at.seconds_of(code)
    at.pass_s(seconds - LONG_S / 20)
    assert [ana.end(code, seconds)["counted"] for _ in range(3)] == [True] * 3
    body = {"key": ana.key(), "comments": [{"text": "once"}]}
    assert [ana.answer(code, 64, **body).status_code for _ in range(3)] == [200] * 3
    (listen,) = listens(at)
    assert listen.comments == ((None, "once"),)
    with at.study.log.store.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM ratings").scalar() == 1
    assert ana.answer(code, 65).status_code == 200, "another key is a correction"
    assert listens(at)[0].rating == 65


def test_a_rating_that_is_refused_leaves_no_trace_of_its_key(at: Bench) -> None:
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    key = ana.key()
    assert ana.answer(code, 40, key=key).status_code == 409
    at.pass_s(at.seconds_of(code))
    ana.end(code, at.seconds_of(code))
    assert ana.answer(code, 40, key=key).status_code == 200
    assert listens(at)[0].rating == 40


def test_a_second_tab_takes_over(at: Bench) -> None:
    first, second = at.caller("ana"), at.caller("ana")
    code = first.due()["code"]
    first.begin(code)
    at.pass_s(1)
    assert first.ask("POST", f"/api/listens/{code}/heard", {"heard_s": 0.9}).status_code == 200
    other = second.due()["code"]
    assert other != code
    assert second.begin(other).status_code == 200
    refused = first.ask("POST", f"/api/listens/{code}/heard", {"heard_s": 1.5})
    assert (refused.status_code, refused.json()["word"]) == (409, "over")
    at.pass_s(at.longest_s())
    assert first.end(code, at.longest_s()) == uncounted(REASONS["elsewhere"])
    assert second.end(other, at.longest_s())["counted"]
    void, counted = listens(at)
    assert void.frames_delivered == 48000, "it was begun again after 1 s"
    assert void.form_id == counted.form_id


def test_another_device_begins_a_sitting_of_its_own(at: Bench) -> None:
    first, second = at.caller("ana"), at.caller("ana", at_home=False)
    second.sit_down("phone")
    assert first.ask("POST", "/api/due", {"sitting": first.sitting}).json()["word"] == "sitting"
    second.hear(at.longest_s())
    assert listens(at)[0].heard_on == "phone"


def test_only_what_is_due_can_be_fetched_or_begun(at: Bench) -> None:
    ana, bo = at.caller("ana"), at.caller("bo")
    due, other = ana.due(), bo.due()
    code, sound = due["code"], due["sound"]
    assert ana.ask("GET", sound).status_code == 200
    if other["code"] != code:
        assert ana.begin(other["code"]).status_code == 409
    for never in (other["sound"], sound[:-1] + "-", f"/api/sounds/{code}"):
        assert ana.ask("GET", never).status_code == 404
    ana.begin(code)
    assert ana.ask("GET", sound).status_code == 404, "it is no longer due: it has begun"
    at.pass_s(at.longest_s())
    ana.end(code, at.longest_s())
    assert ana.ask("POST", "/api/due", {"sitting": ana.sitting}).status_code == 409, "first the rating"
    assert ana.begin(code).status_code == 409
    assert ana.post(f"/api/listens/{code}/end", {"heard_s": 0, "reason": "stopped"})["counted"]
    assert bo.answer(code, 3).status_code in (404, 409)


def test_no_listen_without_a_heard_level_check(at: Bench) -> None:
    ana = at.caller("ana", at_home=False)
    ana.post("/api/round")
    level = ana.post("/api/level")
    answer = ana.ask("POST", "/api/sitting", {"heard_on": "car", "level": level["ticket"]})
    assert (answer.status_code, answer.json()["word"]) == (409, "level")
    invented = ana.ask("POST", "/api/sitting", {"heard_on": "car", "level": "x" * 22})
    assert invented.status_code == 409
    assert ana.ask("POST", "/api/due", {"sitting": "0" * 64}).json()["word"] == "sitting"
    at.pass_s(LONG_S)
    body = {"heard_on": "car", "level": level["ticket"]}
    assert ana.ask("POST", "/api/sitting", body).status_code == 200
    assert ana.ask("POST", "/api/sitting", body).status_code == 409, "a level check serves once"


def test_a_sitting_is_one_listeners_and_ends_after_an_hours_pause(at: Bench) -> None:
    ana, bo = at.caller("ana"), at.caller("bo")
    bo.sitting, own = ana.sitting, bo.sitting
    assert bo.ask("POST", "/api/due", {"sitting": bo.sitting}).json()["word"] == "sitting"
    bo.sitting = own
    bo.due()
    at.pass_s(timedelta(minutes=61).total_seconds())
    assert bo.ask("POST", "/api/due", {"sitting": own}).json()["word"] == "sitting"
    bo.sit_down()
    bo.due()


def test_the_server_is_restarted_in_the_middle_of_a_listen(at: Bench) -> None:
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    at.pass_s(1)
    at.restart()
    ana.client = at.client
    at.pass_s(at.seconds_of(code) - 1)
    assert ana.end(code, at.seconds_of(code))["counted"]
    at.restart()
    ana.client = at.client
    assert ana.get("/api/state")["code"] == code
    assert ana.answer(code, 50).status_code == 200
    ana.hear(at.longest_s())  # the sitting goes on


def test_a_host_clock_that_is_set_in_the_middle_of_a_listen(at: Bench) -> None:
    ana = at.caller("ana")
    for step_s in (-86400, 86400 / 2):
        code = ana.due()["code"]
        ana.begin(code)
        at.pass_s(at.seconds_of(code))
        at.clock.forward(seconds=step_s)
        assert ana.end(code, at.seconds_of(code))["counted"]
        assert ana.answer(code, 50).status_code == 200
        ana.sit_down()


def test_the_day_is_the_listeners_own_and_their_clock_is_not_asked(at: Bench) -> None:
    """19:00 UTC on 9 March is 9 March in Lisbon and 10 March in Auckland (UTC+13)."""
    for listener, minutes, date in (("ana", "0", "2026-03-09"), ("bo", "780", "2026-03-10")):
        caller = at.caller(listener, at_home=False)
        caller.headers = {"Fair-Minutes-East": minutes}
        caller.post("/api/round")
        caller.sit_down()
        code = caller.hear(at.longest_s())
        caller.answer(code, 50)
        (listen,) = listens(at, listener)
        assert listen.local_date == date
        assert listen.started_utc.startswith("2026-03-09T19:")


@pytest.mark.parametrize("minutes", ["", "x", "99999999", "-99999999", "1e9", "²"])
def test_a_senseless_time_zone_does_no_harm(at: Bench, minutes: str) -> None:
    ana = at.caller("ana", at_home=False)
    ana.headers = {"Fair-Minutes-East": minutes.encode()}
    assert ana.get("/api/state")["stage"] == "ready"


def test_song_toml_is_broken_while_somebody_listens(at: Bench) -> None:
    ana = at.caller("ana")
    code = ana.due()["code"]
    ana.begin(code)
    at.pass_s(at.seconds_of(code))
    (at.study.folder / "song.toml").write_text("[song\n")
    assert ana.end(code, at.seconds_of(code))["counted"]
    assert ana.answer(code, 77).status_code == 200
    assert listens(at)[0].rating == 77
    assert ana.get("/api/state")["stage"] == "listen"


def test_a_form_is_retired_in_the_middle_of_a_round(at: Bench) -> None:
    from render.renders.render_forms import render_forms

    ana = at.caller("ana")
    path = at.study.folder / "song.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"upside down" = ["high", "middle", "low"]\n', ""), encoding="utf-8")
    fresh = Study(at.study.folder, at.clock)
    render_forms(fresh.song, keep_sets=fresh.open_render_sets)
    for _ in range(2):
        ana.answer(ana.hear(at.longest_s()), 50)
    assert ana.get("/api/state")["stage"] == "review"


def test_a_round_closes_once_and_not_too_early(at: Bench) -> None:
    ana = at.caller("ana")
    assert ana.ask("POST", "/api/round/close", {"round": 1}).status_code == 409
    codes = []
    for _ in range(3):
        codes.append(ana.hear(at.longest_s()))
        ana.answer(codes[-1], 50)
    for _ in range(2):
        assert ana.post("/api/round/close", {"round": 1})["stage"] == "rest"
    assert ana.answer(codes[0], 99).status_code == 409, "the round is over"
    assert ana.post("/api/round")["stage"] == "rest", "the next one is not due"
    assert ana.get("/api/state")["rounds_done"] == 1


def test_the_last_round_of_the_plan_opens_the_study(at: Bench) -> None:
    path = at.study.folder / "song.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("rounds = 2", "rounds = 1"), encoding="utf-8")
    for name in ("ana", "bo", "Zoë <b>"):
        caller = at.caller(name)
        for _ in range(3):
            caller.answer(caller.hear(at.longest_s()), 50)
        assert at.study.log.contents().opened is None
        assert caller.post("/api/round/close", {"round": 1})["stage"] == "done"
    assert at.study.log.contents().opened is not None


def test_any_day_lifts_the_day_but_not_the_hour(rendered: Path, tmp_path: Path) -> None:
    study = copied(rendered, tmp_path / "study", SetClock(EVENING))
    with bench(study, any_day=True) as at:
        ana = at.caller("ana")
        for _ in range(3):
            ana.answer(ana.hear(at.longest_s()), 50)
        state = ana.post("/api/round/close", {"round": 1})
        assert state["stage"] == "rest" and "can begin at" in state["text"]
        at.pass_s(3601)
        assert ana.post("/api/round")["stage"] == "listen"


def test_a_withdrawn_link_stops_at_once(at: Bench) -> None:
    ana = at.caller("ana")
    links.withdraw(at.study, ["ana"])
    refused = ana.ask("GET", "/api/state")
    assert (refused.status_code, refused.headers["www-authenticate"]) == (401, "Bearer")


def test_a_listener_who_is_taken_out_of_song_toml(at: Bench) -> None:
    """What they were about to say is still kept; there is nothing more for them to hear."""
    bo = at.caller("bo")
    code = bo.hear(at.longest_s())
    path = at.study.folder / "song.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("bo = {}\n", ""), encoding="utf-8")
    assert bo.answer(code, 12).status_code == 200
    refused = bo.ask("GET", "/api/state")
    assert (refused.status_code, refused.json()["word"]) == (403, "link")


def test_the_sitting_is_said_to_be_long_after_half_an_hour(at: Bench) -> None:
    ana = at.caller("ana")
    assert ana.due()["long_sitting"] is False
    at.pass_s(31 * 60)
    assert ana.due()["long_sitting"] is True
