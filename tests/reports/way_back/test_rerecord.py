"""The re-record list against forms worked out by hand on a song of six sections."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from render.song.audio_header import AudioInfo
from render.song.forms import Form, Section, parse_part
from render.song.grid import Grid, Meter
from render.song.song import Song, as_written
from reports.facts.comments import PlacedComment
from reports.way_back.rerecord import ORDER, Item, listing

SECTIONS = tuple(
    Section(name, first, last, Fraction(pickup))
    for name, first, last, pickup in [
        ("intro", 1, 4, 0), ("verse 1", 5, 12, 1), ("refrain", 13, 20, 2),
        ("verse 2", 21, 28, 1), ("bridge", 29, 32, 0), ("last refrain", 33, 40, 2),
    ]
)  # fmt: skip


@pytest.fixture
def song() -> Song:
    grid = Grid(48000, Fraction(1, 2), Fraction(96), Meter(4, 4))
    audio = AudioInfo(Path("song.wav"), 48000, 2, grid.line_frame(41) + 48000)
    stems = {name: Path(f"{name}.wav") for name in ("bass", "drums", "voice")}
    return Song(
        title="An invented song", listeners=(), rounds=6, days=3, rests=False, folder=Path(),
        audio=audio, grid=grid,
        sections=SECTIONS, last_bar=40, stems=stems, forms=(as_written(SECTIONS, 40),),
        matching="integrated", crossfade_ms=10.0,
    )  # fmt: skip


def said(bar: int | None, text: str) -> PlacedComment:
    return PlacedComment("new", "ana", "ana", 1, 1, 50.0, text, None, bar, None, False, 1)


def make_form(song: Song, *parts: str) -> Form:
    return Form("new", tuple(p for text in parts for p in parse_part(text, song.sections, list(song.stems))))


def bars_of(item: Item) -> str:
    """ "28", "5-6"; the item says "Bar 28", "Bars 5-6"."""
    return item.bars.removeprefix("Bars ").removeprefix("Bar ")


def brief(items: list[Item]) -> list[tuple[str, str, str]]:
    return [(item.kind, bars_of(item), item.part) for item in items]


def test_as_written_needs_nothing(song: Song) -> None:
    assert listing(song, song.forms[0]) == []


def test_a_dropped_bridge(song: Song) -> None:
    """By hand: verse 2 (bars 21-28) now leads to the last refrain (29-36), whose pickup is two beats."""
    items = listing(song, make_form(song, "intro", "verse 1", "refrain", "verse 2", "last refrain"))
    assert brief(items) == [
        ("pickup given up", "28", "verse 2"),
        ("join", "28-29", "verse 2 › last refrain"),
    ]
    assert items[0].what == "the last 2 beats" and items[0].why.startswith("they were given up")
    assert items[1].what == "the last bar and the entry"
    assert items[1].why == (
        'the last bar was performed leading to "bridge"; the entry was performed coming from "bridge"'
    )


def test_one_beat_is_the_last_beat(song: Song) -> None:
    items = listing(song, make_form(song, "intro", "verse 1", "verse 2", "bridge", "last refrain"))
    assert (items[0].what, items[0].why.split(";")[0]) == (
        "the last beat", 'it was given up to the pickup of "verse 2"',
    )  # fmt: skip


def test_everything_at_once(song: Song) -> None:
    """By hand: intro 1-4, bridge 5-8, silence 9, refrain 10-17, refrain 18-25, ending there."""
    items = listing(song, make_form(song, "intro", "bridge without bass", "silence 1 bar", "refrain x2"))
    assert brief(items) == [
        ("pickup given up", "17", "refrain"),
        ("heard again", "18-25", "refrain"),
        ("treatment", "5-8", "bridge without bass"),
        ("join", "4-5", "intro › bridge without bass"),
        ("join", "8-10", "bridge without bass › silence 1 bar › refrain"),
        ("join", "17-18", "refrain › refrain"),
        ("join", "25", "refrain"),
    ]
    assert "time 2 of 2 for bars 13-20 of the song" in items[1].why
    assert "without bass" in items[2].why
    # pickups to what does not follow: one beat into verse 1, two into the last refrain, one into verse 2;
    # at bar 17 the refrain's own two beats cover the one into verse 2
    loose = [item.why.split("the pickup to ")[1].split()[0] for item in items if "the pickup to" in item.why]
    assert loose == ['"verse', '"last', '"verse']
    assert "the pickup to" not in items[5].why and items[6].why.startswith("the form now ends here")


def test_a_silence_between_neighbours(song: Song) -> None:
    """ "verse 1" still leads to "refrain", but no longer at once; a silence first; bars by hand."""
    items = listing(song, make_form(song, "silence 1 bar", "verse 1", "silence 2 beats", "refrain"))
    assert brief(items) == [
        ("join", "2", "silence 1 bar › verse 1"),
        ("join", "9-11", "verse 1 › silence 2 beats › refrain"),
        ("join", "18", "refrain"),
    ]
    assert items[0].why == 'the form now begins here; the entry was performed coming from "intro"'
    assert items[1].why.startswith("they were performed without the silence between them")


def test_only_the_bars_heard_before_are_heard_again(song: Song) -> None:
    """By hand: bars 15-16 of the song, then the whole refrain as new bars 3-10: its bars 3-4 come again."""
    items = listing(song, make_form(song, "refrain bars 3-4", "refrain", "last refrain"))
    again = [item for item in items if item.kind == "heard again"]
    assert [(bars_of(item), item.what) for item in again] == [("5-6", "a new performance")]


def test_the_longest_repeat_comes_first_and_kinds_keep_their_order(song: Song) -> None:
    items = listing(song, make_form(song, "intro", "intro bars 1-2", "refrain", "refrain", "intro bars 3-4"))
    assert [bars_of(item) for item in items if item.kind == "heard again"] == ["15-22", "5-6", "23-24"]
    assert [ORDER.index(item.kind) for item in items] == sorted(ORDER.index(item.kind) for item in items)


def test_comments_stand_where_they_fall(song: Song) -> None:
    """A comment on a join may come a bar late; one about the whole belongs to no item."""
    form = make_form(song, "intro", "verse 1", "refrain", "verse 2", "last refrain")
    comments = [said(30, "she comes in too early"), said(3, "fine"), said(None, "too long")]
    items = listing(song, form, comments)
    assert [[c.text for c in item.comments] for item in items] == [[], ["she comes in too early"]]


def test_a_comment_appears_once(song: Song) -> None:
    """Bar 18 belongs to the repeat (18-25) and to the join (17-18), bar 17 also to the pickup (17)."""
    form = make_form(song, "intro", "bridge without bass", "silence 1 bar", "refrain x2")
    items = listing(song, form, [said(18, "a bump"), said(17, "cut off"), said(20, "again?")])
    assert [(item.kind, [c.text for c in item.comments]) for item in items if item.comments] == [
        ("pickup given up", ["cut off"]), ("heard again", ["again?"]), ("join", ["a bump"]),
    ]  # fmt: skip
