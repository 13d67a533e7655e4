"""The strips of the report: bars and seconds by hand, and where words and numbers stand."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from reports.facts.strips import letters_wide, strip_of
from reports.facts.study_facts import gather
from reports.output.report import write_report
from sessions.study import Study
from tests.report_pages import read
from tests.report_studies import EIGHT, hear, likes, rendered, song_folder


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """One round of three listeners; opened."""
    study = rendered(song_folder(tmp_path_factory.mktemp("strips") / "song"))
    hear(study, likes(early_bridge=70), rounds=1)
    return study


def test_a_strip_by_hand(panel: Study) -> None:
    """ "early bridge": intro 1-4, bridge 5-8, verse 9-12, silence 13, refrain 14-17 and 18-21; 2 s a bar."""
    form = gather(panel).form("early bridge")
    assert form.seconds == pytest.approx(0.5 + 21 * 2.0 + 0.5)  # bar 1 lies at 0.5 s; it rings on for a beat
    strip = form.strip
    assert [(part.first_bar, part.last_bar) for part in strip.parts] == [
        (1, 4), (5, 8), (9, 12), (13, 13), (14, 17), (18, 21),
    ]  # fmt: skip
    assert strip.lines_s == pytest.approx([2.0 * bar for bar in range(21)])
    assert strip.bars == 21 and [part.silent for part in strip.parts].index(True) == 3
    assert strip.parts[0].tint == 0 and strip.parts[1].tint == 7
    assert strip.bar_at(-1) == 1 and strip.bar_at(1000) == 21 and strip.bar_at(24.0) == 13
    assert sum(strip.share(part, 21) for part in strip.parts) == pytest.approx(100)


def test_a_phone_s_strip_has_names_throughout_or_numbers(panel: Study) -> None:
    """ "early bridge" has a silence of one bar, whose name has no room; all of "as written" has."""
    facts = gather(panel)
    assert not facts.form("early bridge").strip.all_fit(21, 44)
    assert facts.form("as written").strip.all_fit(16, 44)
    text = read(write_report(panel), "report.html")
    for name in ("early bridge", "as written"):
        strip = text.split(f'aria-label="{name}: ')[1].split("</div>")[0]
        spans = re.findall(r'<span class="((?:silent|tint)[^"]*)"', strip)
        narrow = [" narrow" in f"{span} " for span in spans]
        assert len(spans) == len(facts.form(name).strip.parts) and len(set(narrow)) == 1
        assert set(narrow) == {facts.form(name).strip.all_fit(21, 44)}
        assert any(" wide" in span for span in spans)


def test_words_and_numbers_stand_only_where_they_fit(panel: Study) -> None:
    strip = gather(panel).form("early bridge").strip
    refrain, silence = strip.parts[4], strip.parts[3]
    assert strip.fits(refrain, 21, 112) and not strip.fits(refrain, 210, 112)
    assert not strip.fits(silence, 21, 112) and strip.numbered(silence, 21, 112)
    assert not strip.numbered(silence, 210, 112)
    assert letters_wide("橋") == 2 and letters_wide("a\u0301") == 1  # East Asian width; a combining accent


def test_short_silences_are_bars_of_their_own(tmp_path: Path) -> None:
    """ "half": intro bars 1-2, two beats of silence (bar 3, 1 s), refrain (bars 4-7)."""
    crowd = rendered(song_folder(tmp_path / "song", EIGHT))
    facts = gather(crowd)
    assert facts.form("half").seconds == pytest.approx(0.5 + 2 * 2.0 + 1.0 + 4 * 2.0 + 0.5)
    assert facts.form("half").strip.bars == 6.5
    strip = facts.form("half").strip
    assert [(part.first_bar, part.last_bar) for part in strip.parts] == [(1, 2), (3, 3), (4, 7)]
    assert strip.lines_s == pytest.approx([0, 2, 4, 5, 7, 9, 11])
    described = [
        {"text": part.text, "start_s": part.start_s, "stop_s": part.stop_s, "bars": part.bars}
        for part in strip.parts
    ]
    assert strip_of(crowd.song, described, None).lines_s == pytest.approx(strip.lines_s)
