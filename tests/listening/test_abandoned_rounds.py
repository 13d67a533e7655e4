"""A round that cannot go on (its sound is lost, or its forms have been replaced) gives way to another, and
whoever it concerns is told: on the page, in the terminal, in a packet, by `status` and by `collect`."""

from __future__ import annotations

from pathlib import Path

import pytest

from listening.packet.collect import collect
from listening.packet.packet_file import write_packet
from listening.page import messages
from listening.page.session import PageSessions
from listening.round_state import round_state, set_aside_text
from listening.rounds import Round, enter_round, require_round
from listening.status import study_status
from render.errors import ListenError
from sessions.study import Study
from tests.clocks import SetClock
from tests.far_listener import Far, Packet
from tests.page_request import ask
from tests.short_study import FORMS, again, do_round, hear, rendered

pytestmark = pytest.mark.usefixtures("on_both_stores")

LOST = "could not go on, because the sound it was to play is lost"
REPLACED = "could not go on, because its forms have been replaced"


def lose(round_: Round) -> Study:
    """The renders of an open round are lost for good: their manifest is broken, song.toml has moved on."""
    folder = round_.study.folder
    (folder / "renders" / f"manifest-{round_.record.render_set}.json").write_text("{")
    forms = {**FORMS, "quiet": ["a bars 1", "silence 1 bar", "a bars 2"]}
    return rendered(folder, round_.study.clock, forms=forms)  # type: ignore[arg-type]


def replace(study: Study) -> Study:
    """Another bounce: every form is a new one, and the old ones' files are still there."""
    return rendered(study.folder, study.clock, gain=0.5)  # type: ignore[arg-type]


def begun(folder: Path, clock: SetClock | None = None) -> tuple[Study, Round]:
    """ana's first round, with one form rated."""
    study = rendered(folder, clock)
    round_ = enter_round(study, "ana")
    hear(study, round_, rating=64)
    return study, round_


def test_a_round_whose_renders_are_lost_gives_way_to_another(tmp_path: Path) -> None:
    _study, round_ = begun(tmp_path)
    more = lose(round_)
    after = enter_round(more, "ana")
    assert (after.record.number, after.state.number) == (2, 1), (
        "an abandoned round is none of the planned ones"
    )
    assert len(after.demands) == 4
    contents = more.log.contents()
    assert [x.rating for x in contents.listens] == [64], "what was rated stays"
    texts = {name: set_aside_text(round_state(more, contents, name), contents) for name in ("ana", "bo")}
    assert LOST in texts["ana"] and texts["bo"] == ""


def test_a_round_whose_forms_are_replaced_gives_way_to_another(tmp_path: Path) -> None:
    study, round_ = begun(tmp_path)
    fresh = replace(study)
    after = enter_round(fresh, "ana")
    assert after.record.id != round_.record.id and len(after.demands) == 3
    first, _second = fresh.log.contents().rounds
    assert first.complete is False, "one rated form of three is no round"
    assert REPLACED in set_aside_text(after.state, after.contents)


def test_it_is_told_until_the_new_round_has_a_rating(tmp_path: Path) -> None:
    clock = SetClock()
    study, _round = begun(tmp_path, clock)
    fresh = replace(study)
    page = PageSessions(fresh)
    state = ask(page.state)
    assert (state.stage, state.round) == ("ready", 1)
    assert REPLACED in state.text and "what you rated is kept" in state.text
    assert not [form.name for form in fresh.manifest.forms if form.name in state.text]
    assert REPLACED in ask(page.enter).text
    hear(fresh, enter_round(fresh, "ana"))
    assert ask(page.state).text == ""
    assert REPLACED in status_lines(fresh), "the host is told until the other one is complete"
    do_round(fresh, "ana")
    clock.forward(days=1)
    assert "could not go on" not in status_lines(fresh)
    assert ask(page.state).text == "" and ask(page.state).round == 2


def status_lines(study: Study) -> str:
    return "\n".join(study_status(again(study)).lines)


def test_status_names_listener_day_and_reason_and_no_form(tmp_path: Path) -> None:
    _study, round_ = begun(tmp_path)
    more = lose(round_)
    assert "could not go on" not in status_lines(more), "it may come back until its listener does"
    enter_round(more, "ana")
    lines = status_lines(more)
    assert f"ana's round of 2026-03-02 {LOST}; what was rated in it is kept" in lines
    assert not [name for name in (*FORMS, "as written") if name in lines]
    assert study_status(more).listeners[0].next_text == "round 1 goes on at any time"


def test_a_packet_tells_it_too(tmp_path: Path) -> None:
    study, _round = begun(tmp_path)
    about = Packet(write_packet(replace(study), "ana")).about
    assert REPLACED in about["text"] and about["round"] == 1


def test_a_form_that_was_heard_is_rated_though_the_rest_is_lost(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    round_ = enter_round(study, "ana")
    demand = round_.next_demand
    assert demand is not None
    listen = round_.begin(demand, study.log.sit_down("ana", "phone", "page"))
    study.log.end_listen(listen.id, demand.render.frames)
    more = lose(round_)
    page = PageSessions(more)
    assert ask(page.state).stage == "rate"
    comment = messages.Comment(text="the join", time_s=1.0)
    ask(page.answer, listen.code, messages.Answer(key="k" * 16, overall=71, comments=(comment,)))
    state = ask(page.state)
    assert state.stage == "ready" and LOST in state.text
    (kept,) = more.log.contents().listens
    assert kept.rating == 71 and kept.comments[0][1] == "the join"


def test_a_listen_that_ends_after_its_renders_were_lost_counts(tmp_path: Path) -> None:
    study = rendered(tmp_path, SetClock())
    round_ = enter_round(study, "ana")
    demand = round_.next_demand
    assert demand is not None
    listen = round_.begin(demand, study.log.sit_down("ana", "phone", "page"))
    more = lose(round_)
    more.clock.forward(seconds=demand.render.seconds)  # type: ignore[attr-defined]
    ended = ask(PageSessions(more).end, listen.code, messages.End(heard_s=demand.render.seconds))
    assert ended.counted, ended.why


def test_a_round_that_is_rated_to_its_end_counts_though_its_renders_are_lost(tmp_path: Path) -> None:
    study, round_ = begun(tmp_path)
    while round_.next_demand is not None:
        hear(study, round_)
    more = lose(round_)
    page = PageSessions(more)
    assert ask(page.state).stage == "review"
    ask(page.close, messages.Close(round=1))
    assert [r.complete for r in more.log.contents().rounds] == [True]


def test_answers_from_afar_do_not_complete_a_round_whose_forms_were_replaced(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    far = Far(write_packet(study, "ana"), clock())
    clock.forward(days=1)
    fresh = replace(study)
    first, second, third = (codes[0] for codes in far.packet.about["codes"])
    far.hear(first, 30, 11)
    collected = collect(fresh, far.file(tmp_path / "a.json"))
    assert (collected.taken, collected.round_complete) == (1, False)
    assert "not rated have been replaced; a new round takes its place" in collected.lines[-1]
    far.hear(second, 30, 22)
    assert collect(fresh, far.file(tmp_path / "b.json")).taken == 1, "the round waits for what is on its way"
    enter_round(fresh, "ana")
    far.hear(third, 30, 33)
    late = collect(fresh, far.file(tmp_path / "c.json"))
    assert late.taken == 0 and late.round_complete is False
    assert "another round took the place" in late.lines[-1]
    assert [x.rating for x in fresh.log.contents().listens] == [11, 22]


def test_a_round_that_takes_a_lost_ones_place_waits_for_its_day_too(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    do_round(study, "ana")
    clock.forward(hours=2)
    round_ = enter_round(study, "ana", any_day=True)
    more = lose(round_)
    for enquire in (require_round, enter_round):
        with pytest.raises(ListenError, match="due on 2026-03-03"):
            enquire(more, "ana")
    state = ask(PageSessions(more).state)
    assert state.stage == "rest" and LOST in state.text and "due on Tuesday 3 March" in state.text


def test_whether_a_round_is_due_is_asked_without_beginning_it(tmp_path: Path) -> None:
    study = rendered(tmp_path, SetClock())
    require_round(study, "ana")
    assert study.log.contents().rounds == ()
    do_round(study, "ana")
    with pytest.raises(ListenError, match="due on 2026-03-03"):
        require_round(study, "ana")
    with pytest.raises(ListenError, match="one round a sitting"):
        require_round(study, "ana", any_day=True)


def test_asking_ends_no_round_that_is_stuck(tmp_path: Path) -> None:
    """Where a listener stands, and the page's GET, write nothing; only entering a round does."""
    _study, round_ = begun(tmp_path)
    more = lose(round_)
    before = more.log.contents()
    assert not require_round(more, "ana").goes_on
    assert ask(PageSessions(more).state).stage == "ready"
    assert more.log.contents() == before
    assert ask(PageSessions(more).enter).stage == "listen"
    assert [r.complete for r in more.log.contents().rounds] == [False, None]
