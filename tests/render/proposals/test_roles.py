"""What sections are for, and that changes suit them: our own rules, as a producer would put them."""

import pytest

from render.proposals.moves import LONGEST_ALONE_BARS, half_of, moves
from render.proposals.roles import Role, SongPlan, roles_of
from render.song.forms import Section, parse_part


def sections(text: str) -> tuple[Section, ...]:
    """ "A 4, B 1 8": names with their bars."""
    sections, bar = [], 1
    for part in text.split(", "):
        name, bars = part.rsplit(" ", 1)
        sections.append(Section(name, bar, bar + int(bars) - 1))
        bar += int(bars)
    return tuple(sections)


def plan(
    text: str, levels: list[float], playing: tuple[str, ...] = (), stems: tuple[str, ...] = ()
) -> SongPlan:
    parts = sections(text)
    return SongPlan(parts, tuple(roles_of(parts, levels)), stems or playing, (playing,) * len(parts))


UNNAMED = "A 8, B 1 16, C 1 16, B 2 16, D 8, C 2 16, E 4"
LEVELS = [-20.0, -16.0, -12.0, -16.0, -17.0, -12.0, -20.0]


def test_without_telling_names_place_level_and_returns_say_what_a_section_is() -> None:
    assert roles_of(sections(UNNAMED), LEVELS) == [
        "intro", "verse", "refrain", "verse", "bridge", "refrain", "outro",
    ]  # fmt: skip


def test_names_go_before_sound() -> None:
    roles = roles_of(sections("Intro 4, Strophe 8, Hook 8, interlude 4, C-part 8, Coda 2"), [0.0] * 6)
    assert roles == ["intro", "verse", "refrain", "other", "bridge", "outro"]


def test_four_bars_of_stops_are_no_verse() -> None:
    roles = roles_of(
        sections("A 8, B 1 16, S 1 4, C 1 16, S 2 4, B 2 16, C 2 16"), [-20, -16, -24, -12, -24, -16, -12]
    )
    assert [roles[2], roles[4]] == ["stop", "stop"]
    reasons = [m.reason for m in moves(plan("A 8, B 1 16, S 1 4, C 1 16, S 2 4, B 2 16, C 2 16",
                                         [-20, -16, -24, -12, -24, -16, -12]))]  # fmt: skip
    assert not any('"S 1"' in reason or '"S 2"' in reason for reason in reasons)


@pytest.mark.parametrize("playing", [("guitar", "drums"), ("drums", "bass", "guitar"), ("one", "two")])
def test_no_stem_plays_alone_for_long(playing: tuple[str, ...]) -> None:
    song = plan(UNNAMED, LEVELS, playing)
    treated = 0
    for move in moves(song):
        for text in move.apply(song.names) or ():
            piece = parse_part(text, song.sections, song.stems)[0]
            treatment = getattr(piece, "treatment", None)
            if treatment is None or treatment.mode == "all":
                continue
            treated += 1
            left = (
                set(playing) - set(treatment.stems) if treatment.mode == "without" else set(treatment.stems)
            )
            assert len(left) > 1 or piece.bars <= LONGEST_ALONE_BARS, text  # type: ignore[union-attr]
    assert treated


def test_without_a_stem_is_offered_where_it_plays_and_something_is_left() -> None:
    offered = {move.name for move in moves(plan(UNNAMED, LEVELS, ("bass", "drums", "voice")))}
    assert {"C 2 without drums", "B 2 without drums", "D without drums", "C 2 only voice"} <= offered
    silent = {move.name for move in moves(plan(UNNAMED, LEVELS, ("voice",), ("bass", "drums", "voice")))}
    assert not any("without" in name for name in silent)


@pytest.mark.parametrize(("bars", "half"), [(16, 8), (12, 8), (8, 4), (6, 4), (4, 2), (3, 2), (2, 1)])
def test_halves_are_whole_phrases(bars: int, half: int) -> None:
    assert half_of(bars) == half


def test_every_role_is_one_that_moves_know() -> None:
    known: set[Role] = {"intro", "verse", "refrain", "bridge", "outro", "stop", "other"}
    assert set(roles_of(sections(UNNAMED), LEVELS)) <= known
