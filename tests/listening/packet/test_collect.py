"""Answers of packets are taken in once, with the listener's own times, and nothing else is."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from listening.counts import REASONS, TOO_EARLY
from listening.packet.collect import Collected, collect
from listening.packet.packet_file import write_packet
from listening.status import study_status
from render.errors import AnswersError
from sessions.study import Study
from tests.clocks import SetClock
from tests.far_listener import Far, Packet, clock, far, listens, study
from tests.page_api import bench
from tests.page_study import copied, rendered_short

__all__ = ["clock", "far", "rendered_short", "study"]
pytestmark = pytest.mark.usefixtures("on_both_stores")


def test_answers_are_taken_in_with_the_listeners_own_times(study: Study, far: Far, tmp_path: Path) -> None:
    began = far.now
    far.hear(far.packet.about["codes"][0][0], 0.5, None, reason="stopped")
    comments = [{"text": "<b>да</b>", "time_s": 1.0}, {"text": "whole", "time_s": None}]
    far.hear(far.packet.about["codes"][0][1], 10, 71, comments=comments)
    far.hear(far.packet.about["codes"][1][0], 10, 5)
    far.hear(far.packet.about["codes"][2][0], 10, 100)
    collected = collect(study, far.file(tmp_path / "a.json"))
    assert (collected.taken, collected.refused, collected.round_complete, collected.opened) == (
        4,
        0,
        True,
        False,
    )
    assert collected.lines[0] == "ana, round 1: 3 forms rated, 1 listen broken off"
    void, *counted = listens(study)
    assert (void.void_reason, void.frames_delivered) == (REASONS["stopped"], 24000)
    assert [x.rating for x in counted] == [71, 5, 100]
    assert [x.form_id for x in counted] == list(study.log.contents().rounds[0].order)
    assert {x.means for x in counted} == {"packet"} and {x.heard_on for x in counted} == {"car"}
    assert counted[0].started_utc > began.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    assert counted[0].local_date == "2026-03-09", "the day it was heard, not the day it came in"
    assert counted[0].comments == ((1.0 - study.manifest.lead_s, "<b>да</b>"), (None, "whole"))
    assert study.log.contents().events[-1].detail == {"listener": "ana", "round": 1, "listens": 4}


def test_answers_are_taken_in_once(study: Study, far: Far, tmp_path: Path) -> None:
    far.hear_all()
    path = far.file(tmp_path / "a.json")
    assert collect(study, path).taken == 3
    before = listens(study)
    again = collect(study, path)
    assert (again.taken, again.refused) == (0, 3)
    assert again.lines[0] == "ana, round 1: 0 forms rated, 3 not taken in"
    assert all("taken in before" in line for line in again.lines[1:4])
    assert listens(study) == before
    assert [e.kind for e in study.log.contents().events].count("collected") == 1


def test_a_part_now_and_the_rest_later(study: Study, far: Far, tmp_path: Path) -> None:
    far.hear(far.packet.about["codes"][0][0], 10, 11)
    first = collect(study, far.file(tmp_path / "a.json"))
    assert (first.taken, first.round_complete) == (1, False)
    assert first.lines[0] == "ana, round 1: 1 form rated"
    assert "2 forms of this round are still to be heard" in first.lines[-1]
    for codes in far.packet.about["codes"][1:]:
        far.hear(codes[0], 10, 50)
    second = collect(study, far.file(tmp_path / "b.json"))
    assert (second.taken, second.refused, second.round_complete) == (2, 1, True)


def test_a_rating_that_comes_after_its_listen_is_taken_in(study: Study, far: Far, tmp_path: Path) -> None:
    """What there is can be saved and sent at any time: also before the form just heard is rated."""
    code = far.packet.about["codes"][0][0]
    far.hear(code, 10, None)
    first = collect(study, far.file(tmp_path / "a.json"))
    assert first.lines[0] == "ana, round 1: 0 forms rated, 1 heard and not rated"
    at = far.listens[0]["ended"]
    far.listens[0]["ratings"] = [{"aspect": "overall", "value": 40, "at": at}]
    far.listens[0]["comments"] = [{"text": "whole", "time_s": None}]
    second = collect(study, far.file(tmp_path / "b.json"))
    assert (second.taken, second.refused) == (1, 0)
    assert second.lines[0] == "ana, round 1: 1 form rated"
    assert [(x.rating, x.comments) for x in listens(study)] == [(40, ((None, "whole"),))]
    assert collect(study, tmp_path / "b.json").taken == 0, "once"


def test_a_correction_is_taken_in_unless_the_study_knows_a_later_one(
    study: Study, far: Far, tmp_path: Path
) -> None:
    code = far.packet.about["codes"][0][0]
    far.hear(code, 10, 40)
    collect(study, far.file(tmp_path / "a.json"))
    far.listens[0]["ratings"] += [{"aspect": "overall", "value": 60, "at": far.listens[0]["ended"]}]
    collected = collect(study, far.file(tmp_path / "b.json"))
    assert collected.lines[0] == "ana, round 1: 0 forms rated, 1 rating corrected"
    (listen,) = listens(study)
    assert listen.rating == 60
    study.log.rate(listen.id, {"overall": 70})  # on the page, say
    for name in ("a.json", "b.json"):
        assert collect(study, tmp_path / name).taken == 0
    assert [x.rating for x in listens(study)] == [70]


def test_a_file_damaged_on_its_way_is_refused(study: Study, far: Far, tmp_path: Path) -> None:
    far.hear_all()
    path = far.file(tmp_path / "a.json")
    text = path.read_text()
    for broken in (
        text.replace("22", "23", 1),
        text[:-40],
        text.replace("car", "cat"),
        "",
        "{}",
        "[1]",
        "\x00",
    ):
        path.write_text(broken)
        with pytest.raises(AnswersError, match=r"damaged|not an answer file"):
            collect(study, path)
    assert listens(study) == []


def test_only_tickets_of_this_study_are_taken(
    study: Study, far: Far, clock: SetClock, rendered_short: Path, tmp_path: Path
) -> None:
    far.hear_all()
    for change in ({"signature": "0" * 64}, {"ticket": far.packet.about["ticket"].replace("ana", "bo")},
                   {"signature": ""}, {"signature": "é"}):  # fmt: skip
        with pytest.raises(AnswersError, match="does not answer a packet of this study"):
            collect(study, far.file(tmp_path / "a.json", **change))
    other = copied(rendered_short, tmp_path / "other", clock)
    with pytest.raises(AnswersError, match="does not answer a packet of this study"):
        collect(other, far.file(tmp_path / "a.json"))
    assert listens(study) == []


def test_codes_of_others_and_too_short_listens_are_refused(study: Study, far: Far, tmp_path: Path) -> None:
    other = Packet(write_packet(study, "bo")).about["codes"][0][0]
    codes = [some[0] for some in far.packet.about["codes"]]
    others = other not in {code for some in far.packet.about["codes"] for code in some}  # drawn by chance
    if others:
        far.hear(other, 10, 99)
    far.hear(codes[0], 0.3, 88)
    far.hear(codes[1], 10, 77)
    collected = collect(study, far.file(tmp_path / "a.json"))
    assert any("no such code" in line for line in collected.lines) == others
    assert any(TOO_EARLY in line for line in collected.lines)
    short, counted = listens(study)
    assert short.void_reason == TOO_EARLY and short.rating is None and counted.rating == 77


def test_what_was_rated_on_the_page_meanwhile_stands(study: Study, clock: SetClock, tmp_path: Path) -> None:
    far = Far(write_packet(study, "ana"), clock())
    far.hear_all()
    with bench(study) as at:
        ana = at.caller("ana")
        code = ana.hear(at.longest_s())
        ana.answer(code, 64)
    collected = collect(study, far.file(tmp_path / "a.json"))
    assert (collected.taken, collected.refused, collected.round_complete) == (2, 1, True)
    assert any(f"rated meanwhile (as {code})" in line for line in collected.lines)
    assert [x.rating for x in listens(study)] == [64, 22, 33]
    assert [x.means for x in listens(study)] == ["page", "packet", "packet"]
    shown = next(one for one in study_status(study).listeners if one.name == "ana")
    assert (shown.rounds_done, shown.rounds_planned) == (1, 2)


def test_a_device_whose_clock_is_wrong(study: Study, far: Far, tmp_path: Path, clock: SetClock) -> None:
    far.now = datetime(2001, 1, 1, tzinfo=UTC)
    far.hear_all()
    collected = collect(study, far.file(tmp_path / "a.json"))
    assert collected.taken == 3 and sum("clock was wrong" in line for line in collected.lines) == 3
    assert {x.local_date for x in listens(study)} == {clock().date().isoformat()}


def test_answers_cannot_carry_what_is_no_answer(study: Study, far: Far, tmp_path: Path) -> None:
    code = far.packet.about["codes"][0][0]
    rating = {"aspect": "overall", "value": 101, "at": "2026-03-09T19:00Z"}
    comment = {"text": "x" * 4001, "time_s": 1}
    for more in ({"heard_s": 1e300}, {"ratings": [rating]}, {"minutes_east": 9999}, {"reason": "bored"},
                 {"comments": [comment]}, {"began": "2026-03-09T19:00:00"}, {"more": 1}):  # fmt: skip
        far.listens.clear()
        far.hear(code, 10, 50, **more)
        with pytest.raises(AnswersError, match="cannot be understood at listens"):
            collect(study, far.file(tmp_path / "a.json"))
    assert listens(study) == []


def test_a_round_that_is_over_takes_nothing_more(study: Study, far: Far, tmp_path: Path) -> None:
    far.hear_all()
    collect(study, far.file(tmp_path / "a.json"))
    far.listens.clear()
    far.hear(far.packet.about["codes"][0][2], 10, 1)
    collected: Collected = collect(study, far.file(tmp_path / "b.json"))
    assert collected.taken == 0 and "its round is over" in collected.lines[1]
