"""Answer files dropped onto the page: taken in once, refused where they are damaged or of another study."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.clocks import SetClock
from tests.command_line import told
from tests.far_listener import answers_of
from tests.maker import MakerPage, maker_page
from tests.page_study import copied, rendered_short
from tests.short_study import do_round

__all__ = ["rendered_short"]


@pytest.fixture
def page(rendered_short: Path, tmp_path: Path) -> Iterator[MakerPage]:
    """The page of a rendered study."""
    with maker_page(copied(rendered_short, tmp_path / "study").folder) as running:
        yield running


def test_answers_that_are_dropped_twice_damaged_or_of_another_study(
    page: MakerPage, rendered_short: Path, tmp_path: Path
) -> None:
    answers, damaged, other = (tmp_path / f"{name}.json" for name in ("answers", "damaged", "other"))
    answers_of(page.study, answers)
    page.upload("answers", answers)
    assert "rated" in page.do("collect", {}, "rounds")["html"]
    kept = page.study.log.contents().listens
    assert sum(listen.rating is not None for listen in kept) == 3
    page.upload("answers", answers)
    page.try_("collect", {}, "rounds")
    assert page.study.log.contents().listens == kept, "nothing is doubled"
    damaged.write_bytes(answers.read_bytes()[:-200])
    answers_of(copied(rendered_short, tmp_path / "elsewhere"), other)
    for path in (damaged, other):
        page.upload("answers", path)
        refused = page.try_("collect", {}, "rounds")
        assert refused.status_code == 422 and len(refused.json()["text"]) > 20
        assert page.study.log.contents().listens == kept
    assert not (page.folder / ".answers").exists()


def test_a_packet_before_its_day_is_refused_and_then_written_when_it_is_asked_for(
    rendered_short: Path, tmp_path: Path
) -> None:
    clock = SetClock()
    study = copied(rendered_short, tmp_path / "study", clock)
    do_round(study, "bo")
    clock.forward(hours=3)
    with maker_page(study.folder, clock=clock) as page:
        page.do("packet", {"listener": "bo"}, "rounds")
        with pytest.raises(AssertionError, match="any-day"):
            page.wait("packet")
        assert "before its day" in page.sheet("rounds")["html"]
        page.do("packet", {"listener": "bo", "any_day": True}, "rounds")
        page.wait("packet")
        html = page.sheet("rounds")["html"]
        assert "take bo-round-2.html" in html and "The packet of round 2 was written on" in html
        assert "answers are not back yet" in html and "Hello bo, here is round 2" in html
        assert "Packets are out: bo (round 2, written on" in " ".join(told(study.folder, "render").split())
        do_round(study, "bo", any_day=True)
        assert "bo-round-2.html" not in page.sheet("rounds")["html"], "it is out no longer"
