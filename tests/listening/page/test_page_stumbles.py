"""What stumbled is kept, asked about or void; what is asked at a round's end; what is told before it."""

from __future__ import annotations

import pytest

from listening.counts import ADVICE, REASONS
from listening.page.state import sound_minutes
from sessions.records import MOST_BLEMISH_S, MOST_JUDGED_S, NOT_JUDGED, ListenRecord, RoundAnswers
from sessions.study import Study
from tests.page_api import Bench, Caller, at
from tests.page_study import rendered, rendered_short

__all__ = ["at", "rendered", "rendered_short"]


def stumbled(at: Bench, who: Caller, late_s: float, place_s: float = 1.5) -> tuple[int, dict[str, object]]:
    """A form heard to its end, with `late_s` late at one place: its code, and the answer to its end."""
    code = int(who.due()["code"])
    assert who.begin(code).status_code == 200
    at.pass_s(at.longest_s() + late_s)
    stumbles = [{"at_s": 0.2, "length_s": late_s / 10}, {"at_s": place_s, "length_s": 0.9 * late_s}]
    return code, who.end(code, at.longest_s(), late_s=late_s, stumbles=stumbles)


def last_listen(study: Study) -> ListenRecord:
    return study.log.contents("ana").listens[-1]


@pytest.mark.parametrize("late_s", [0.1, MOST_BLEMISH_S])
def test_up_to_three_tenths_a_listen_counts_and_the_blemish_is_kept(at: Bench, late_s: float) -> None:
    ana = at.caller("ana")
    code, ended = stumbled(at, ana, late_s)
    assert ended == {"counted": True, "why": "", "ask": None, "advice": ""}
    assert ana.answer(code, 61).status_code == 200
    listen = last_listen(at.study)
    assert listen.blemished and listen.late_s == late_s and listen.rating == 61
    place = listen.stumbles[1].at_s + at.study.manifest.lead_s
    assert place == pytest.approx(1.5, abs=1e-3), "kept as comments are: after the first bar line"


@pytest.mark.parametrize("could_judge", [True, False])
def test_up_to_two_seconds_the_listener_is_asked_before_the_rating(at: Bench, could_judge: bool) -> None:
    ana = at.caller("ana")
    code, ended = stumbled(at, ana, 0.8)
    assert ended["counted"] is False
    assert ended["ask"] == pytest.approx({"at_s": 1.5, "length_s": 0.72}, abs=1e-3)
    at.restart()  # the question outlasts the server
    ana.client = at.client
    state = ana.get("/api/state")
    assert (state["stage"], state["code"], state["ask"]) == ("judge", code, ended["ask"])
    assert ana.answer(code, 61).status_code == 409, "first the question"
    judged = ana.post(f"/api/listens/{code}/judged", {"could_judge": could_judge})
    assert judged["counted"] is could_judge
    again = ana.post(f"/api/listens/{code}/judged", {"could_judge": not could_judge})
    assert again == judged, "the first answer stands"
    assert ana.answer(code, 61).status_code == (200 if could_judge else 409)
    listen = last_listen(at.study)
    assert listen.could_judge is could_judge and listen.late_s == 0.8
    assert listen.void_reason == (None if could_judge else NOT_JUDGED)
    assert listen.fraction_heard == 1.0, "it was heard, and is as familiar as any"
    assert ana.get("/api/state")["stage"] == "listen"


def test_beyond_two_seconds_it_is_void_and_after_two_in_a_row_there_is_advice(at: Bench) -> None:
    ana = at.caller("ana")
    for advice in ("", ADVICE):
        _code, ended = stumbled(at, ana, MOST_JUDGED_S + 0.1)
        assert ended == {"counted": False, "why": REASONS["broke"], "ask": None, "advice": advice}
    code = int(ana.due()["code"])
    ana.begin(code)
    assert ana.end(code, 0.5, reason="stopped")["advice"] == "", "one's own stop is no failure of the sound"


def test_the_copy_is_fetched_once_for_all_listens_of_a_form_and_ahead_of_the_next(at: Bench) -> None:
    ana = at.caller("ana")
    first = ana.due()
    _code, _ended = stumbled(at, ana, 3.0)
    again = ana.due()
    assert again["sound"] == first["sound"] and again["code"] != first["code"]
    state = ana.get("/api/state")
    assert state["next_sound"] == first["sound"] and state["form_bytes"] == first["bytes"]
    code = ana.hear(at.longest_s())
    ahead = ana.get("/api/state")["next_sound"]
    assert ahead != first["sound"]
    fetched = ana.ask("GET", ahead)
    assert fetched.status_code == 200 and len(fetched.content) == first["bytes"]
    ana.answer(code, 50)
    assert ana.due()["sound"] == ahead


def test_forms_minutes_and_bytes_are_told_before_a_round_and_no_length_of_one(at: Bench) -> None:
    before = at.caller("ana", at_home=False).get("/api/state")
    forms = at.study.manifest.forms
    assert (before["stage"], before["forms_asked"]) == ("ready", len(forms))
    assert before["minutes"] == sound_minutes(forms) == 1
    assert sound_minutes(forms[:1]) is None


def rate_all(at: Bench, who: Caller) -> list[int]:
    codes = []
    for number in range(3):
        codes.append(who.hear(at.longest_s()))
        comments = [{"text": "the join", "time_s": 1.0}, {"text": "all of it"}]
        assert who.answer(codes[-1], 50 + number, opening=7, comments=comments).status_code == 200
    return codes


def test_the_last_questions_with_all_that_was_said_beside_them(at: Bench) -> None:
    ana = at.caller("ana")
    early = ana.ask("POST", "/api/round/questions", {"cuts": [], "keep": "none"})
    assert early.status_code == 409, "not before all is rated"
    codes = rate_all(at, ana)
    state = ana.get("/api/state")
    assert (state["stage"], state["questions_answered"]) == ("review", False)
    first = state["ratings"][0]
    assert (first["code"], first["overall"], first["opening"], first["flow"]) == (codes[0], 50, 7, None)
    assert first["comments"] == [{"text": "the join", "time_s": 1.0}, {"text": "all of it", "time_s": None}]
    for wrong in ({"cuts": [99999]}, {"keep": 99999}, {"keep": "this one"}):
        assert ana.ask("POST", "/api/round/questions", wrong).status_code == 422
    for asked, kept in (
        ({"cuts": [], "keep": None}, ((), "no answer", None)),
        ({"cuts": codes[1:], "keep": "none"}, (codes[1:], "none", None)),
        ({"cuts": codes[:1], "keep": codes[2]}, (codes[:1], "form", codes[2])),
    ):
        assert ana.post("/api/round/questions", asked) == {"kept": True}
        contents = at.study.log.contents("ana")
        ids = {listen.code: listen.id for listen in contents.listens}
        cuts, keep, code = kept
        wanted = RoundAnswers(tuple(ids[c] for c in cuts), keep, ids[code] if code else None)  # type: ignore[arg-type,union-attr]
        assert contents.rounds[0].answers == wanted, "three things, and the last answer counts"
    assert ana.get("/api/state")["questions_answered"] is True
    ana.post("/api/round/close", {"round": 1})
    assert ana.ask("POST", "/api/round/questions", {"cuts": []}).status_code == 409, "it is over"


def test_a_round_is_closed_without_answers_too(at: Bench) -> None:
    ana = at.caller("ana")
    rate_all(at, ana)
    ana.post("/api/round/close", {"round": 1})
    (round_,) = at.study.log.contents("ana").rounds
    assert (round_.complete, round_.answers) == (True, None)
