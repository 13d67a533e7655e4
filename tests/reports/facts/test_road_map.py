"""Road maps: bars and seconds by hand, the same in every list."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from render.audio.timeline import lay_out
from render.song.grid import Change, Meter
from reports.facts.road_map import road_map_of
from reports.facts.study_facts import gather
from reports.output.report import write_report
from reports.way_back.rebuild import sheet
from sessions.study import Study
from tests import rebuild_session
from tests.rebuild_session import RATE
from tests.report_pages import Page, read
from tests.report_studies import EIGHT, hear, likes, rendered, song_folder


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """One round of three listeners; opened."""
    study = rendered(song_folder(tmp_path_factory.mktemp("strips") / "song"))
    hear(study, likes(early_bridge=70), rounds=1)
    return study


def test_a_road_map_by_hand(panel: Study) -> None:
    """ "early bridge": intro 1-4, bridge 5-8, verse 9-12, silence 13, refrain 14-17 and 18-21; 2 s a bar."""
    form = gather(panel).form("early bridge")
    assert form.seconds == pytest.approx(0.5 + 21 * 2.0 + 0.5)  # bar 1 lies at 0.5 s; it rings on for a beat
    road_map = form.road_map
    assert [(part.first_bar, part.last_bar) for part in road_map.parts] == [
        (1, 4), (5, 8), (9, 12), (13, 13), (14, 17), (18, 21),
    ]  # fmt: skip
    assert road_map.lines_s == pytest.approx([0.5 + 2.0 * bar for bar in range(21)])
    assert [part.start_s for part in road_map.parts] == pytest.approx([0.5, 8.5, 16.5, 24.5, 26.5, 34.5])
    assert road_map.bars == 21 and not road_map.has_short_bar
    assert road_map.words == "intro › bridge › verse › silence 1 bar › refrain › refrain"
    assert road_map.bar_at(-1) == 1 and road_map.bar_at(1000) == 21 and road_map.bar_at(24.5) == 13
    assert road_map.approach_s(26.5) == 24.5 and road_map.approach_s(1.0) == 0.0
    joins = [part.text for part in road_map.parts if form.is_join(part)]
    assert joins == ["bridge", "verse", "silence 1 bar", "refrain", "refrain"]


def test_the_page_shows_every_form_s_parts_in_order(panel: Study) -> None:
    text = read(write_report(panel), "report.html").split('id="forms"')[1].split('id="ratings"')[0]
    (sheet,) = re.findall(r'<article[^>]*data-name="early bridge".*?</article>', text, flags=re.DOTALL)
    rows = [Page(row).text for row in re.findall(r"<tr.*?</tr>", sheet, flags=re.DOTALL)]
    assert rows[1:] == [
        "1 intro 4 1 0:00", "2 bridge 4 5 0:08", "3 verse 4 9 0:16", "4 silence 1 bar 1 13 0:24",
        "5 refrain 4 14 0:26", "6 refrain 4 18 0:34",
    ]  # fmt: skip


def test_check_and_report_count_the_same_bars(tmp_path: Path) -> None:
    """ "half" has a rest of two beats, bar 3 of its own: the refrain begins at bar 4, in either list."""
    study = rendered(song_folder(tmp_path / "song", EIGHT))
    form = gather(study).form("half")
    assert form.render is not None
    for join in form.render.joins:
        if join.after == "refrain":
            assert join.bar == form.road_map.bar_at(join.line_s) == 4


def test_short_silences_are_bars_of_their_own(tmp_path: Path) -> None:
    """ "half": intro bars 1-2, two beats of silence (bar 3, 1 s), refrain (bars 4-7)."""
    crowd = rendered(song_folder(tmp_path / "song", EIGHT))
    facts = gather(crowd)
    assert facts.form("half").seconds == pytest.approx(0.5 + 2 * 2.0 + 1.0 + 4 * 2.0 + 0.5)
    assert facts.form("half").road_map.bars == 6.5
    half = facts.form("half").road_map
    assert [(part.first_bar, part.last_bar) for part in half.parts] == [(1, 2), (3, 3), (4, 7)]
    assert half.lines_s == pytest.approx([0.5, 2.5, 4.5, 5.5, 7.5, 9.5, 11.5])
    assert half.has_short_bar
    described = [
        {"text": part.text, "start_s": part.start_s, "stop_s": part.stop_s, "bars": part.bars}
        for part in half.parts
    ]
    assert road_map_of(crowd.song, described, None, 0.5).lines_s == pytest.approx(half.lines_s)


def test_the_rebuild_sheet_counts_bars_as_the_road_map_does() -> None:
    sections = [("intro", 1, 4, "0"), ("verse", 5, 12, "1"), ("refrain", 13, 20, "2")]
    song = rebuild_session.make_song(sections, changes=(Change(13, meter=Meter(3, 4)),))
    form = rebuild_session.make_form(
        song, ["refrain", "silence 2 beats", "verse bars 3-6", "silence 1 bar", "intro"]
    )
    placed = lay_out(song, form).parts
    described = [
        {
            "text": one.part.text,
            "bars": float(one.bars),
            "start_s": one.start / RATE,
            "stop_s": one.stop / RATE,
        }
        for one in placed
    ]
    roads = road_map_of(song, described, form, 0.0)
    marks = sheet(song, form).landmarks
    assert [(m.first_bar, m.last_bar, m.text) for m in marks] == [
        (part.first_bar, part.last_bar, part.text) for part in roads.parts
    ]
    assert float(sheet(song, form).length_bars) == pytest.approx(roads.bars)
