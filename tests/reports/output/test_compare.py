"""Two studies side by side: two songs, or two panels on one song."""

from __future__ import annotations

import json
from pathlib import Path

from reports.output.comparison import write_comparison
from sessions.study import Study
from tests.report_pages import Page, read
from tests.report_studies import hear, likes, rendered, song_folder


def test_two_panels_on_one_song(tmp_path: Path) -> None:
    """The forms that are the same to the sample are set side by side, whatever they are called."""
    one = rendered(song_folder(tmp_path / "band"))
    folder = song_folder(tmp_path / "friends", listeners=("dee", "eli"))
    toml = folder / "song.toml"
    toml.write_text(toml.read_text().replace('"no intro"', '"straight in"'))
    two = rendered(folder)
    hear(one, likes(early_bridge=75))
    hear(two, likes(straight_in=75), simulated=("dee",))
    written = write_comparison(one, two)
    assert not written.sealed and all(path.parent == one.folder / "report" for path in written.paths)
    assert written.sentence == (
        'The two panels put different forms first: "early bridge" in band, "straight in" in friends.'
    )
    values = json.loads(read(written, "comparison.json"))
    assert {tuple(form["names"]) for form in values["same_forms"]} == {
        ("early bridge", "early bridge"), ("no intro", "straight in"), ("as written", "as written"),
    }  # fmt: skip
    text = read(written, "comparison.html")
    page = Page(text)
    assert not page.wrong and "//" not in text and "script" not in page.tags
    ids = [value for _tag, name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids)), "the two charts' identifiers must differ"
    assert "there “ straight in ”" in page.text and "dee (simulated)" in page.text
    assert "straight in" in read(written, "comparison.md")


def test_two_songs_one_of_them_sealed(tmp_path: Path) -> None:
    """The sealed one shows its progress and its state, and nothing that ties a rating to a form."""
    one = rendered(song_folder(tmp_path / "one", title="First Light"))
    two = rendered(song_folder(tmp_path / "two", {"upside down": '["bridge", "intro"]'}, title="Last Train"))
    hear(one, likes(early_bridge=75))
    hear(two, likes(upside_down=75), rounds=3, finish=False)
    written = write_comparison(one, two)
    assert written.sealed and written.sentence == '"First Light" and "Last Train", side by side.'
    for path in written.paths:
        text = path.read_text(encoding="utf-8")
        assert "upside down" not in text and "early bridge" in text
        assert "Last Train" in text
    assert "3 of 5" in Page(read(written, "comparison.html")).text
    assert json.loads(read(written, "comparison.json"))["studies"][1]["sealed"] is True


def test_the_same_panel_twice_agrees(tmp_path: Path) -> None:
    one, two = (rendered(song_folder(tmp_path / name)) for name in ("monday", "friday"))
    hear(one, likes(early_bridge=75))
    hear(two, likes(early_bridge=75))
    written = write_comparison(one, two)
    assert written.sentence.startswith("Both panels put the same form first")
    for form in json.loads(read(written, "comparison.json"))["same_forms"]:
        assert form["settled"][0] == form["settled"][1]


def test_a_study_that_is_not_rendered(tmp_path: Path) -> None:
    one = rendered(song_folder(tmp_path / "one"))
    hear(one, likes(early_bridge=75))
    written = write_comparison(one, Study(song_folder(tmp_path / "two", title="Other")))
    assert "Nothing is rendered yet" in Page(read(written, "comparison.html")).text
