"""Where the parts of a form lie, in frames: figures worked out by hand from the design, section 6.

At 48 kHz and 120 beats a minute a beat is 24000 frames and a bar of 4/4 is 96000; a crossfade of 10 ms is 480
frames and ends 2 ms = 96 frames before the line; from silence 5 ms = 240 frames.
"""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from render.audio.timeline import Timeline, content_hash, lay_out, longest_lead
from render.errors import FormError
from tests.songs import SECTIONS, make_song

BEAT, BAR = 24000, 96000
LEAD_IN = 12000  # the helper's songs begin 0.25 s into the file
CROSSFADE, AHEAD, FROM_SILENCE = 480, 96, 240


def line(bar: int) -> int:
    return LEAD_IN + (bar - 1) * BAR


@pytest.fixture(scope="module")
def laid_out(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Any]:
    """Lay out a form, given as its parts, in a song of 12 bars that ends half a second after them.

    By default with the crossfades of the first two versions of joining.
    """

    def lay(
        parts: dict[str, list[str] | str] | list[str],
        joining: int = 2,
        **options: Any,
    ) -> Timeline:
        folder = tmp_path_factory.mktemp("song")
        song = make_song(folder, forms={"tried": parts}, **{"subtype": "PCM_16", "channels": 1, **options})
        return lay_out(replace(song, joining=joining), song.form("tried"))

    return lay


def places(timeline: Timeline) -> list[tuple[int, int]]:
    return [(p.start, p.stop) for p in timeline.parts]


def spans(timeline: Timeline) -> list[tuple[int, ...]]:
    return [(s.start, s.stop, s.source, s.fade_in, s.fade_out) for s in timeline.spans]


def joins(timeline: Timeline) -> list[tuple[int, int, int | None, int | None]]:
    return [(j.at, j.line, j.before, j.after) for j in timeline.joins]


def test_as_written_is_one_unbroken_span_of_the_whole_file(tmp_path: Path) -> None:
    song = make_song(tmp_path)
    timeline = lay_out(song, song.form("as written"))
    assert spans(timeline) == [(-LEAD_IN, song.audio.frames - LEAD_IN, 0, 0, 0)]
    assert timeline.joins == ()
    assert places(timeline) == [(0, 2 * BAR), (2 * BAR, 6 * BAR), (6 * BAR, 10 * BAR), (10 * BAR, 12 * BAR)]


def test_a_crossfade_lies_ahead_of_the_line_and_lengths_stay(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["intro", "verse bars 3-4", "outro"])
    assert places(timeline) == [(0, 2 * BAR), (2 * BAR, 4 * BAR), (4 * BAR, 6 * BAR)]
    at = 2 * BAR - AHEAD
    first, second, third = spans(timeline)
    assert first == (-LEAD_IN, at, 0, 0, CROSSFADE)
    assert second[:4] == (at - CROSSFADE, 4 * BAR - AHEAD, line(5) - AHEAD - CROSSFADE, CROSSFADE)
    assert third[0] == 4 * BAR - AHEAD - CROSSFADE
    assert joins(timeline) == [(2 * BAR, 2 * BAR, 0, 1), (4 * BAR, 4 * BAR, 1, 2)]


@pytest.mark.parametrize("joining", [3, 4])
def test_from_the_third_version_on_parts_meet_where_the_new_one_takes_over(
    laid_out: Callable[..., Any], joining: int
) -> None:
    timeline = laid_out(["intro", "refrain", "verse bars 3-4"], joining=joining)
    first, second, third = spans(timeline)
    assert first == (-LEAD_IN, 2 * BAR - BEAT, 0, 0, 0)
    assert second == (2 * BAR - BEAT, 6 * BAR, line(7) - BEAT, 0, 0)
    assert third[:4] == (6 * BAR, 8 * BAR + BEAT, line(5), 0)  # rings on for a beat
    assert joins(timeline) == joins(laid_out(["intro", "refrain", "verse bars 3-4"]))


def test_neighbours_in_the_song_go_on_unbroken(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["verse bars 1-2", "verse bars 3-4", "refrain bars 1", "refrain bars 2-4", "outro"])
    assert len(timeline.spans) == 1
    assert [j.before for j in timeline.joins] == [None]


def test_neighbours_of_another_treatment_are_joined(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["verse", "refrain without voice"], stems=("drums", "voice"))
    assert len(timeline.spans) == 2
    same = laid_out(["verse only voice", "refrain only voice"], stems=("drums", "voice"))
    assert len(same.spans) == 1


def test_a_pickup_takes_the_last_beats_of_the_part_before(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["intro", "refrain", "outro"])
    assert joins(timeline) == [(2 * BAR - BEAT, 2 * BAR, 0, 1)]  # refrain and outro are neighbours
    assert spans(timeline)[0][1] == 2 * BAR - BEAT - AHEAD
    assert places(timeline)[1] == (2 * BAR, 6 * BAR)


def test_each_repeat_takes_its_pickup_from_the_one_before(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["refrain x3"])
    assert [at for at, *_ in joins(timeline)] == [-BEAT, 4 * BAR - BEAT, 8 * BAR - BEAT, 12 * BAR]
    assert places(timeline)[-1] == (8 * BAR, 12 * BAR)


def test_a_part_from_the_middle_of_its_section_has_no_pickup(laid_out: Callable[..., Any]) -> None:
    assert joins(laid_out(["intro", "refrain bars 2-4"]))[0][:2] == (2 * BAR, 2 * BAR)
    assert joins(laid_out(["intro", "refrain bars 1-2"]))[0][:2] == (2 * BAR - BEAT, 2 * BAR)


def test_at_the_top_a_pickup_is_a_lead_in(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["refrain", "outro"])
    assert timeline.start == -BEAT - AHEAD - FROM_SILENCE
    assert spans(timeline)[0][:4] == (
        timeline.start,
        spans(timeline)[0][1],
        line(7) + timeline.start,
        FROM_SILENCE,
    )


def test_at_the_top_another_first_bar_fades_in_within_the_lead_in(laid_out: Callable[..., Any]) -> None:
    assert laid_out(["verse"]).start == -AHEAD - FROM_SILENCE


def test_after_silence_a_pickup_sounds_in_it(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["intro", "silence 1 bar", "refrain"])
    assert places(timeline) == [(0, 2 * BAR), (2 * BAR, 3 * BAR), (3 * BAR, 7 * BAR)]
    intro, refrain = spans(timeline)
    assert intro[1:] == (2 * BAR, 0, 0, CROSSFADE)
    assert refrain[0] == 3 * BAR - BEAT - AHEAD - FROM_SILENCE
    assert refrain[3] == FROM_SILENCE


def test_a_pickup_may_fill_a_silence_but_not_exceed_it(laid_out: Callable[..., Any]) -> None:
    assert len(laid_out(["intro", "silence 1 beat", "refrain"]).spans) == 2
    with pytest.raises(FormError, match=r'part 2 \("silence 0\.5 beats"\): it is shorter than the pickup'):
        laid_out(["intro", "silence 0.5 beats", "refrain"])


def test_a_part_that_its_successors_pickup_would_swallow_is_refused(laid_out: Callable[..., Any]) -> None:
    long_pickup = {"sections": {**SECTIONS, "refrain": {"bars": "7-10", "pickup": 4}}}
    with pytest.raises(
        FormError, match=r'forms\."tried", part 2 .*not longer than the pickup \(4 beats\) of "refrain"'
    ):
        laid_out(["outro", "intro bars 1 x1", "refrain"], **long_pickup)
    with pytest.raises(FormError, match="part 2"):  # the entry in song.toml, not the fourth part
        laid_out(["outro", "intro bars 1 x3", "refrain"], **long_pickup)
    assert laid_out(["outro", "intro", "refrain"], **long_pickup).bars == 8


def test_a_pickup_from_before_the_audio_is_refused(laid_out: Callable[..., Any]) -> None:
    with pytest.raises(FormError, match="begins before the audio does"):
        laid_out(["verse", "intro"], sections={**SECTIONS, "intro": {"bars": "1-2", "pickup": 1}})


@pytest.mark.parametrize(
    ("parts", "silence_frames", "bars"),
    [
        (["verse", "silence 1 bar", "outro"], BAR, 1),
        (["verse", "silence 2.5 bars", "outro"], 5 * BAR // 2, Fraction(5, 2)),
        (["verse", "silence 1 beat", "outro"], BEAT, Fraction(1, 4)),
        (["outro", "silence 1 bar", "intro"], 54000, 1),  # 3/8 at 80 (bars 11-12): 1.125 s
        (["outro", "silence 2 beats", "intro"], 36000, Fraction(2, 3)),
        (["outro", "silence 1 beat", "silence 1 bar", "intro"], 18000, Fraction(1, 3)),
    ],
)
def test_a_silence_has_tempo_and_meter_of_the_bar_before_it(
    laid_out: Callable[..., Any], parts: list[str], silence_frames: int, bars: Fraction | int
) -> None:
    changes = [{"bar": 11, "tempo": 80.0, "meter": "3/8"}]
    silence = laid_out(parts, song={"changes": changes}).parts[1]
    assert (silence.stop - silence.start, silence.bars) == (silence_frames, bars)


def test_a_silence_at_the_top_has_those_of_the_bar_after_it(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["silence 1 bar", "outro"], song={"changes": [{"bar": 11, "tempo": 60.0}]})
    assert places(timeline)[0] == (0, 2 * BAR)
    assert timeline.start == 0


def test_moved_bars_keep_their_tempo(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["outro", "intro"], song={"changes": [{"bar": 11, "tempo": 60.0}]})
    assert places(timeline) == [(0, 4 * BAR), (4 * BAR, 6 * BAR)]


def test_the_form_ends_as_the_song_does_where_it_ends_there(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["verse", "outro"])
    assert timeline.stop == 6 * BAR + 24000  # with the song's tail of half a second
    assert str(timeline.ending) == "song"


def test_elsewhere_the_source_rings_on_for_a_beat(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["verse"])
    assert timeline.stop == 4 * BAR + BEAT
    assert spans(timeline)[-1][4] == BEAT
    assert joins(timeline)[-1] == (4 * BAR, 4 * BAR, 0, None)


@pytest.mark.parametrize(
    ("ending", "stop", "fade_out", "whole_fade"),
    [
        ("cut", 4 * BAR, CROSSFADE, 0),
        ("ring 2 beats", 4 * BAR + 2 * BEAT, 2 * BEAT, 0),
        ("ring 1 bar", 5 * BAR, BAR, 0),
        ("fade 2 bars", 4 * BAR, 0, 2 * BAR),
        ("fade 9 bars", 4 * BAR, 0, 4 * BAR),
    ],
)
def test_an_ending_says_otherwise(
    laid_out: Callable[..., Any], ending: str, stop: int, fade_out: int, whole_fade: int
) -> None:
    timeline = laid_out({"parts": ["verse"], "ending": ending})
    assert (timeline.stop, spans(timeline)[-1][4], timeline.fade_out) == (stop, fade_out, whole_fade)


def test_a_ring_that_the_audio_cuts_short_leaves_the_last_bar_whole(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out({"parts": ["outro"], "ending": "ring 2 bars"})
    assert timeline.stop == 2 * BAR + 24000
    assert spans(timeline)[-1][4] == 24000


def test_a_form_that_ends_in_silence_ends_with_it(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["verse", "silence 1 bar"])
    assert timeline.stop == 5 * BAR


def test_all_files_of_a_song_have_the_same_lead_in(tmp_path: Path) -> None:
    song = make_song(tmp_path, forms={"a": ["refrain"], "b": ["verse"], "c": ["silence 1 bar", "outro"]})
    timelines = [lay_out(song, form) for form in song.forms]
    assert longest_lead(song, timelines) == BEAT + AHEAD + FROM_SILENCE
    assert longest_lead(song, [timelines[0], timelines[2]]) == LEAD_IN


@pytest.mark.parametrize("parts", [["verse"], ["silence 1 beat", "refrain"], ["silence 1 bar", "intro"]])
def test_a_fade_alone_never_lengthens_the_lead_in(laid_out: Callable[..., Any], parts: list[str]) -> None:
    assert laid_out(parts, start=0).start == 0


@pytest.mark.parametrize("rate", [44100, 48000])
def test_the_roundings_of_500_parts_do_not_add_up(tmp_path: Path, rate: int) -> None:
    """97 beats a minute: 109113.402 frames a bar at 44.1 kHz; rounding each part would be 201 frames off."""
    song = make_song(
        tmp_path, rate=rate, channels=1, subtype="PCM_16", tempo=97, bars=3,
        sections={"a": "1-3"}, forms={"tried": ["a bars 2 x500"]},
    )  # fmt: skip
    timeline = lay_out(song, song.form("tried"))
    for index, part in enumerate(timeline.parts):
        assert abs(part.start - index * Fraction(rate * 240, 97)) <= Fraction(3, 2)
    assert {b.start - a.stop for a, b in zip(timeline.parts, timeline.parts[1:], strict=False)} == {0}


def test_silences_do_not_add_up_their_roundings_either(tmp_path: Path) -> None:
    song = make_song(
        tmp_path, rate=44100, channels=1, subtype="PCM_16", tempo=97, bars=3,
        sections={"a": "1-3"}, forms={"tried": ["a bars 2", "silence 1 beat"] * 100 + ["a"]},
    )  # fmt: skip
    timeline = lay_out(song, song.form("tried"))
    assert abs(timeline.parts[-1].start - 100 * 5 * Fraction(44100 * 60, 97)) <= Fraction(3, 2)


def test_a_form_of_more_than_an_hour_is_refused(laid_out: Callable[..., Any]) -> None:
    with pytest.raises(FormError, match="passes 60 minutes here"):
        laid_out(["verse x450", "intro bars 1"])
    with pytest.raises(FormError, match="passes 60 minutes here"):
        laid_out(["verse", "silence 999999 bars", "intro"])
    assert laid_out(["verse x450"]).bars == 1800  # an hour to the frame


def test_bars_are_counted_from_the_forms_top(laid_out: Callable[..., Any]) -> None:
    timeline = laid_out(["intro", "silence 2 beats", "verse", "outro"])
    assert [p.start_bar for p in timeline.parts] == [0, 2, Fraction(5, 2), Fraction(13, 2)]
    assert timeline.bars == Fraction(17, 2)


def test_the_content_hash_tells_what_is_heard_and_nothing_else(laid_out: Callable[..., Timeline]) -> None:
    """Design, section 8: source audio, resolved pieces, treatments and fades, not the gain, not the name."""

    def told(
        parts: dict[str, list[str] | str] | list[str],
        audio: str = "a",
        **options: Any,
    ) -> str:
        return content_hash(laid_out(parts, **options), audio, {"": "", "without voice": "w"})

    stems: dict[str, Any] = {"stems": ("drums", "voice")}
    same = told(["verse", "outro"], **stems)
    assert told(["verse bars 1-2", "verse bars 3-4", "outro"], **stems) == same
    renamed: dict[str, Any] = {"sections": {"strophe": "3-6", "coda": "11-12"}, "song": {"bars": 12}}
    assert told(["strophe", "coda"], **renamed, **stems) == same
    others = [
        told(["verse", "outro"], audio="b", **stems),
        told(["verse", "outro bars 1"], **stems),
        told(["verse without voice", "outro"], **stems),
        told(["verse", "silence 1 beat", "outro"], **stems),
        told({"parts": ["verse", "outro"], "ending": "fade 1 bar"}, **stems),
        told(["verse", "outro"], render={"crossfade_ms": 11}, **stems),
        told(["verse", "outro"], start=0.2501, **stems),
    ]
    assert len({same, *others}) == len(others) + 1
