"""The sheet Song without a browser: changes of tempo and meter, listening that is stopped in its work."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from tests.command_line import told
from tests.maker import JOB_S, MakerPage, maker_page
from tests.songs import invented_song, make_study


@pytest.fixture
def page(tmp_path: Path) -> Iterator[MakerPage]:
    """A song of twelve bars of 2 s."""
    with maker_page(make_study(tmp_path / "study")) as running:
        yield running


def song_table(page: MakerPage) -> dict[str, object]:
    table: dict[str, object] = tomllib.loads(page.work.text())["song"]
    return table


def test_another_tempo_and_meter_from_a_bar_on(page: MakerPage) -> None:
    page.do("change", {"bar": "5", "new_tempo": "132,5", "new_meter": ""})
    assert song_table(page)["changes"] == [{"bar": 5, "tempo": 132.5}]
    grid = page.work.song().grid
    assert float(grid.line_s(6) - grid.line_s(5)) == pytest.approx(4 * 60 / 132.5)
    assert grid.line_s(5) == grid.start_s + 8, "what lies before it stays"
    html = page.do("change", {"bar": 5, "new_tempo": "", "new_meter": "3/4"})["html"]
    assert song_table(page)["changes"] == [{"bar": 5, "tempo": 132.5, "meter": "3/4"}]
    assert "From bar 5 on" in html and "132.5" in html
    page.do("odd_bar", {"bar": 3, "bar_meter": "2/4"})
    assert song_table(page)["changes"] == [
        {"bar": 3, "meter": "2/4"}, {"bar": 4, "meter": "4/4"}, {"bar": 5, "tempo": 132.5, "meter": "3/4"},
    ]  # fmt: skip
    told(page.folder, "check")
    page.do("no_change", {"bar": 5})
    page.do("change", {"bar": 1, "new_tempo": "121", "new_meter": ""})
    assert song_table(page)["tempo"] == 121, "from bar 1 on it is the song's own"
    for _ in range(5):
        page.do("undo")
    assert "changes" not in song_table(page) and song_table(page)["tempo"] == 120


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ({"bar": 5, "new_tempo": "", "new_meter": ""}, "Write the tempo, the meter or both"),
        ({"bar": 5, "new_tempo": "5000", "new_meter": ""}, "a number from 10 to 1000"),
        ({"bar": 5, "new_tempo": "", "new_meter": "four"}, "is no meter"),
        ({"bar": 99, "new_tempo": "90", "new_meter": ""}, "a number from 1 to 12"),
        ({"bar": "", "new_tempo": "90", "new_meter": ""}, "a number from 1 to 12"),
    ],
)
def test_a_change_that_cannot_be_is_refused(page: MakerPage, args: dict[str, object], words: str) -> None:
    before = page.work.text()
    refused = page.try_("change", args)
    assert refused.status_code == 422 and words in refused.json()["text"]
    assert page.work.text() == before


def test_a_live_take_has_no_tempo_to_set(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "study", song={"beats": "beats.csv"})
    (folder / "beats.csv").write_text("\n".join(["time_s", *(f"{0.25 + 0.5 * n}" for n in range(49))]))
    with maker_page(folder) as page:
        for action, args in (
            ("change", {"bar": 5, "new_tempo": "90", "new_meter": ""}),
            ("tempo", {"factor": 2}),
        ):
            refused = page.try_(action, args)
            assert refused.status_code == 422 and "live take" in refused.json()["text"]
        page.do("change", {"bar": 5, "new_tempo": "", "new_meter": "2/4"})
        assert song_table(page)["changes"] == [{"bar": 5, "meter": "2/4"}]


def progress(page: MakerPage, kind: str, enough: int) -> list[tuple[int, int]]:
    """(done, of) as a tab hears of it, until so much is done or the job has ended."""
    heard: list[tuple[int, int]] = []
    until = time.monotonic() + JOB_S
    while time.monotonic() < until:
        job = page.ask("GET", "/api/pulse").json()["jobs"][kind]
        if not heard or heard[-1] != (job["done"], job["of"]):
            heard.append((job["done"], job["of"]))
        if job["done"] >= enough or job["state"] != "runs":
            return heard
    raise AssertionError(f"{kind}: {heard}")


def ended(page: MakerPage, kind: str) -> str:
    until = time.monotonic() + JOB_S
    while (job := page.work.jobs.last(kind)) is None or job.state == "runs":
        assert time.monotonic() < until
        time.sleep(0.01)
    return job.state


def test_the_first_listening_says_how_far_it_is_and_stops_in_its_work(tmp_path: Path) -> None:
    audio = invented_song(48000, 2, 2.0, 0.25, 60, 0.5)
    soundfile.write(tmp_path / "song.wav", audio, 48000, subtype="PCM_24")
    before = sorted(path.name for path in tmp_path.iterdir())
    with maker_page(tmp_path) as page:
        page.do("begin", {"bounce": "song.wav", "tempo": "", "meter": "4/4"})
        heard = progress(page, "begin", 10)
        assert 10 <= heard[-1][0] < 100 and heard[-1][1] == 100
        page.do("cancel", {"job": "begin"})
        assert ended(page, "begin") == "cancelled"
        stopped = page.work.jobs.last("begin")
        assert stopped is not None and stopped.done < 60, "it stopped while it listened, not after"
        assert sorted(path.name for path in tmp_path.iterdir()) == before
        assert "Cancelled" in page.sheet("song")["html"]
        page.do("begin", {"bounce": "song.wav", "tempo": "120", "meter": "4/4"})
        whole = [done for done, _of in progress(page, "begin", 101)]
        assert whole == sorted(whole) and len(whole) >= 5, "it only ever grows"
        page.wait("begin")
        sections_are_stopped(page)


def sections_are_stopped(page: MakerPage) -> None:
    """Suggesting again, stopped at its first step that a tab hears of."""
    for kept in (page.folder / "renders").glob("frames-*"):
        kept.unlink()
    before = page.work.text()
    page.wait("fit")
    page.do("suggest", {}, "sections")
    page.do("cancel", {"job": "suggest"}, "sections")
    assert ended(page, "suggest") == "cancelled"
    assert page.work.text() == before
