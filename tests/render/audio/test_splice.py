"""Null tests of spliced audio before any gain: against the source's own samples, and against laws of power.

Places are worked out here from tempo and meter, apart from the code under test (at 120 beats a minute, 4/4).
The crossfade's gains are those of the design, a = b = 1/sqrt(2(1+r)) in the middle, computed by hand.
"""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from render.arrays import Audio, Floats
from render.audio.crossfade import crossfade_gains
from render.audio.splice import Splicer
from render.audio.stems import Mixes, fit_stems, read_audio
from render.audio.timeline import lay_out, longest_lead
from render.song.song import Song, song_from_text
from tests.songs import SECTIONS, make_song

RATE = 48000
BEAT, BAR, LEAD_IN = 24000, 96000, 12000
AHEAD, CROSSFADE, FROM_SILENCE = 96, 480, 240


def line(bar: int) -> int:
    return LEAD_IN + (bar - 1) * BAR


def spliced(song: Song, name: str = "tried", block_frames: int | None = None) -> tuple[Audio, int]:
    """The form's whole file before gain, and the frame of its bar 1; joined without decays."""
    song = replace(song, joining=1)
    audio = read_audio(song.audio.path)
    fit = fit_stems(audio, song.stems, song.audio.sample_rate) if song.stems else None
    lead = longest_lead(song, [lay_out(song, form) for form in song.forms])
    mixes = Mixes(song, audio, fit)
    splicer = Splicer(lay_out(song, song.form(name)), mixes, lead)
    out = np.concatenate(list(splicer.blocks(block_frames) if block_frames else splicer.blocks()))
    mixes.close()
    assert len(out) == splicer.frames
    assert out.dtype == np.float32
    return out, lead


def make(folder: Path, parts: dict[str, list[str] | str] | list[str], **options: Any) -> Song:
    return make_song(folder, **{"forms": {"tried": parts}, **options})


def level(x: Audio) -> float:
    return np.sqrt(np.mean(np.square(x.astype(np.float64))))


# As written


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_as_written_is_the_source_sample_for_sample(
    tmp_path: Path, rate: int, channels: int, subtype: str
) -> None:
    loud = 3.0 if subtype == "FLOAT" else 1.0  # over full scale: kept
    song = make(
        tmp_path, ["b", "a"], rate=rate, channels=channels, subtype=subtype, gain=loud, bars=8, tempo=97,
        start=0.123, sections={"a": "1-4", "b": "5-8"},
    )  # fmt: skip
    out, lead = spliced(song, "as written")
    source = read_audio(song.audio.path)
    assert lead == song.lead_in_frames
    assert np.array_equal(out, source)
    assert subtype != "FLOAT" or np.abs(out).max() > 1.5


def test_as_written_keeps_its_samples_behind_a_longer_lead_in(tmp_path: Path) -> None:
    song = make(tmp_path, ["refrain", "verse"])  # its pickup is longer than the lead-in
    out, lead = spliced(song, "as written")
    extra = lead - LEAD_IN
    assert extra == BEAT + AHEAD + FROM_SILENCE - LEAD_IN
    assert not out[:extra].any()
    assert np.array_equal(out[extra:], read_audio(song.audio.path))


def test_bars_in_their_order_are_the_source_however_they_are_named(tmp_path: Path) -> None:
    song = make(
        tmp_path, ["intro bars 1", "intro bars 2", "verse", "refrain bars 1-2", "refrain bars 3-4", "outro"]
    )
    assert np.array_equal(spliced(song)[0], read_audio(song.audio.path))


# Away from joins


def test_every_part_is_the_sources_own_from_2_ms_before_its_line_to_the_next_join(tmp_path: Path) -> None:
    song = make(tmp_path, ["outro", "verse bars 2-3", "intro", "refrain", "verse"])
    out, lead = spliced(song)
    source = read_audio(song.audio.path)
    # (line in the form, line in the source, beats of pickup, where the next part takes over)
    expected = [
        (0, line(11), 0, 2 * BAR),
        (2 * BAR, line(4), 0, 4 * BAR),
        (4 * BAR, line(1), 0, 6 * BAR - BEAT),
        (6 * BAR, line(7), 1, 10 * BAR),
        (10 * BAR, line(3), 0, 14 * BAR + AHEAD + CROSSFADE),
    ]
    for at, source_at, pickup, until in expected:
        before = AHEAD + pickup * BEAT
        start, stop = lead + at - before, lead + until - AHEAD - CROSSFADE
        there = source[source_at - before :][: stop - start]
        assert np.array_equal(out[start:stop], there)
    assert len(out) == lead + 14 * BAR + BEAT  # rings on for a beat


@pytest.mark.parametrize(("pickup", "given_up"), [(0, 0), (2, 2 * BEAT)])
def test_the_old_parts_next_downbeat_is_never_heard(tmp_path: Path, pickup: int, given_up: int) -> None:
    """A source that is silent but for what follows the old part's cut: nothing of it may sound."""
    audio = np.zeros((line(13), 1), np.float32)
    audio[line(7) - AHEAD - given_up : line(9)] = 0.5
    sections = {**SECTIONS, "outro": {"bars": "11-12", "pickup": pickup}}
    song = make(tmp_path, ["verse", "outro"], audio=audio, sections=sections)
    assert not spliced(song)[0].any()


def test_the_new_downbeat_is_whole(tmp_path: Path) -> None:
    """The other way round: what the new part brings from 2 ms before its line on is there in full."""
    audio = np.zeros((line(13), 1), np.float32)
    audio[line(11) - AHEAD : line(11) + BEAT] = 0.5
    song = make(tmp_path, ["verse", "outro"], audio=audio)
    out, lead = spliced(song)
    at = lead + 4 * BAR
    assert (out[at - AHEAD : at + BEAT] == 0.5).all()
    assert not out[: at - AHEAD].any()


# Crossfades


@pytest.mark.parametrize(
    ("r", "gain"), [(0, 0.7071), (0.25, 0.6325), (0.5, 0.5774), (0.75, 0.5345), (1, 0.5)]
)
def test_the_gains_in_the_middle_of_a_crossfade(r: float, gain: float) -> None:
    down, up = crossfade_gains(481, r)
    assert down[240, 0] == pytest.approx(gain, abs=5e-5)
    assert up[240, 0] == pytest.approx(gain, abs=5e-5)


@given(st.integers(1, 3000), st.floats(0, 1))
def test_a_crossfades_power_is_constant_throughout(frames: int, r: float) -> None:
    a, b = (gain.astype(np.float64) for gain in crossfade_gains(frames, r))
    assert np.allclose(a**2 + b**2 + 2 * r * a * b, 1, atol=1e-6)
    assert (np.diff(a[:, 0]) <= 1e-7).all()
    assert np.allclose(a, b[::-1], atol=1e-6)


def test_identical_neighbours_join_without_a_trace(tmp_path: Path) -> None:
    bar = 0.1 * np.random.default_rng(3).standard_normal((BAR, 2), dtype=np.float32)
    audio = np.tile(bar, (13, 1))
    song = make(tmp_path, ["verse bars 1", "verse bars 3", "refrain bars 4 x3"], audio=audio, start=0)
    out, _ = spliced(song)
    source = read_audio(song.audio.path)
    assert np.abs(out[: 5 * BAR] - source[: 5 * BAR]).max() < 1e-6


def many_joins(folder: Path, shared: float, seed: int) -> Audio:
    """500 bars of an eighth of a second in random order; neighbours correlate by `shared`, squared."""
    rng = np.random.default_rng(seed)
    frames, bars = 6000, 400
    common = np.tile(rng.standard_normal((frames, 2), dtype=np.float32), (bars + 1, 1))
    own = rng.standard_normal(common.shape, dtype=np.float32)
    audio = np.float32(0.1) * (np.float32(shared) * common + np.float32(np.sqrt(1 - shared**2)) * own)
    order = rng.permutation(np.arange(1, bars, 2))[:200]  # odd bars only: no two are neighbours
    song = make(
        folder, [f"all bars {n}" for n in order], audio=audio, tempo=480, meter="1/4", start=0,
        sections={"all": f"1-{bars}"}, subtype="FLOAT",
    )  # fmt: skip
    out, _ = spliced(song)
    fades = [out[k * frames - AHEAD - CROSSFADE : k * frames - AHEAD] for k in range(1, len(order))]
    return np.array(fades)


@pytest.mark.parametrize("r", [0.0, 0.5])
def test_noise_keeps_its_power_through_a_join(tmp_path: Path, r: float) -> None:
    """Within 0.2 dB at each eighth of the crossfade, over 5 seeds and 199 joins each."""
    fades = np.concatenate([many_joins(tmp_path / str(seed), np.sqrt(r), seed) for seed in range(5)])
    power = np.mean(np.square(fades.astype(np.float64)), axis=(0, 2)).reshape(8, -1).mean(axis=1)
    assert np.abs(10 * np.log10(power / 0.01)).max() < 0.2


def test_opposite_neighbours_are_faded_as_unlike_ones(tmp_path: Path) -> None:
    """r is limited to 0..1: a negative one would raise both gains without end."""
    audio = np.full((line(13), 1), 0.25, np.float32)
    audio[line(6) :] = -0.25
    out, lead = spliced(make(tmp_path, ["intro", "outro"], audio=audio))
    assert np.abs(out[lead : lead + 4 * BAR]).max() <= 0.25


# Silence and file ends


def test_a_silence_is_silent_between_its_fades(tmp_path: Path) -> None:
    song = make(tmp_path, ["intro", "silence 1 bar", "outro"])
    out, lead = spliced(song)
    source = read_audio(song.audio.path)
    start, stop = lead + 2 * BAR, lead + 3 * BAR
    assert np.array_equal(out[: start - CROSSFADE], source[: line(3) - CROSSFADE])
    assert np.abs(out[start - 5 : start]).max() < 1e-3  # down to nothing at the line
    assert not out[start : stop - AHEAD - FROM_SILENCE].any()
    assert out[stop - AHEAD - 3 : stop].any()
    assert np.array_equal(out[stop - AHEAD :], source[line(11) - AHEAD :])


def test_a_pickup_sounds_in_the_silence_before_it(tmp_path: Path) -> None:
    song = make(tmp_path, ["intro", "silence 1 bar", "refrain"])
    out, lead = spliced(song)
    source = read_audio(song.audio.path)
    start, stop = lead + 3 * BAR - BEAT - AHEAD, lead + 7 * BAR
    assert not out[lead + 2 * BAR : start - FROM_SILENCE].any()
    assert np.array_equal(out[start:stop], source[line(7) - BEAT - AHEAD : line(11)])


def test_a_pickup_at_the_top_is_the_lead_in(tmp_path: Path) -> None:
    song = make(tmp_path, ["refrain", "outro"])
    out, lead = spliced(song)
    start = lead - BEAT - AHEAD
    assert start == FROM_SILENCE  # nothing but its fade comes before
    assert np.array_equal(out[start:], read_audio(song.audio.path)[line(7) - BEAT - AHEAD :])


@pytest.mark.parametrize(
    ("ending", "frames", "untouched"),
    [
        (None, 4 * BAR + BEAT, 4 * BAR),
        ("ring 2 bars", 6 * BAR, 4 * BAR),
        ("cut", 4 * BAR, 4 * BAR - CROSSFADE),
        ("fade 2 bars", 4 * BAR, 2 * BAR),
    ],
)
def test_endings_fall_to_nothing_from_where_they_should(
    tmp_path: Path, ending: str | None, frames: int, untouched: int
) -> None:
    song = make(tmp_path, {"parts": ["verse"], **({"ending": ending} if ending else {})})
    out, lead = spliced(song)
    source = read_audio(song.audio.path)[line(3) :]
    out = out[lead:]
    assert len(out) == frames
    assert np.array_equal(out[:untouched], source[:untouched])
    fade = frames - untouched
    if (
        ending == "ring 2 bars"
    ):  # it rings into the refrain, which is louder: compare as a share of the source
        assert level(out[-BAR // 2 :]) < 0.1 * level(source[frames - BAR // 2 : frames])
    middle = out[untouched + fade // 4 : untouched + 3 * fade // 4]
    assert level(middle) < level(source[untouched + fade // 4 : untouched + 3 * fade // 4])
    assert np.abs(out[-3:]).max() < 1e-3


def test_a_form_that_begins_within_the_song_fades_in_from_nothing(tmp_path: Path) -> None:
    out, lead = spliced(make(tmp_path, ["verse"]))
    assert lead == LEAD_IN
    assert not out[: lead - AHEAD - FROM_SILENCE].any()
    assert np.abs(out[lead - AHEAD - FROM_SILENCE :][:2]).max() < 1e-3


def test_a_last_bar_that_the_audio_does_not_fill_is_silent_to_its_end_in_mid_form(tmp_path: Path) -> None:
    song = make(tmp_path, ["outro", "intro"], tail_s=-1.0)
    out, lead = spliced(song)
    source = read_audio(song.audio.path)
    end = lead + 2 * BAR - RATE
    assert np.array_equal(out[lead : end - CROSSFADE], source[line(11) : -CROSSFADE])
    assert np.abs(out[end - 3 : end]).max() < 1e-3
    assert not out[end : lead + 2 * BAR - AHEAD - CROSSFADE].any()
    assert np.array_equal(out[lead + 2 * BAR - AHEAD :][:BAR], source[line(1) - AHEAD :][:BAR])


def test_a_song_without_room_before_bar_1(tmp_path: Path) -> None:
    song = make(tmp_path, ["verse", "intro", "verse"], start=0)
    out, lead = spliced(song)
    assert lead == 0
    source = read_audio(song.audio.path)
    assert np.array_equal(out[4 * BAR : 6 * BAR - AHEAD - CROSSFADE], source[: 2 * BAR - AHEAD - CROSSFADE])


def test_bar_1_falls_at_the_same_frame_in_every_file(tmp_path: Path) -> None:
    forms = {
        "a": ["verse", "outro"],
        "b": ["refrain", "outro"],
        "c": ["silence 1 beat", "outro"],
        "d": ["intro"],
    }
    song = make_song(tmp_path, forms=forms)
    source = read_audio(song.audio.path)
    firsts = {"as written": (0, 1), "a": (0, 3), "b": (0, 7), "c": (BEAT, 11), "d": (0, 1)}
    leads = set()
    for name, (after, first_bar) in firsts.items():
        out, lead = spliced(song, name)
        leads.add(lead)
        assert np.array_equal(out[lead + after :][:BAR], source[line(first_bar) :][:BAR])
    assert leads == {BEAT + AHEAD + FROM_SILENCE}


# Stems


STEMS = ("drums", "bass", "voice")


def stem(song: Song, *names: str) -> Floats:
    return np.sum([read_audio(song.stems[name]).astype(np.float64) for name in names], axis=0)


def test_without_and_only_by_subtraction_where_the_stems_null(tmp_path: Path) -> None:
    parts = ["intro", "verse without bass", "refrain only drums and voice", "outro without drums and voice"]
    song = make(tmp_path, parts, stems=STEMS)
    out, lead = spliced(song)
    rest = {"verse": stem(song, "drums", "voice"), "outro": stem(song, "bass")}
    for at, stop, expected in (
        (2 * BAR, 6 * BAR - BEAT, rest["verse"][line(3) :]),
        (6 * BAR, 10 * BAR, rest["verse"][line(7) :]),
        (10 * BAR, 12 * BAR + BEAT // 2, rest["outro"][line(11) :]),
    ):
        length = stop - at - AHEAD - CROSSFADE
        assert np.abs(out[lead + at :][:length] - expected[:length]).max() < 2e-7  # float32


def test_without_is_the_sum_of_the_others_at_one_gain_where_the_stems_do_not_null(tmp_path: Path) -> None:
    song = make(tmp_path, ["intro", "verse without bass", "outro only bass"], stems=STEMS, stems_gain=0.5)
    out, lead = spliced(song)
    length = 4 * BAR - AHEAD - CROSSFADE
    others = 2 * stem(song, "drums", "voice")[line(3) :]
    assert np.abs(out[lead + 2 * BAR :][:length] - others[:length]).max() < 1e-5
    bass = 2 * stem(song, "bass")[line(11) :]
    assert np.abs(out[lead + 6 * BAR :][: 2 * BAR] - bass[: 2 * BAR]).max() < 1e-5
    assert np.array_equal(out[lead : lead + BAR], read_audio(song.audio.path)[line(1) :][:BAR])


def test_a_mono_stem_is_taken_from_both_sides(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    voice = (0.1 * rng.standard_normal((line(13), 1))).astype(np.float32)
    band = (0.1 * rng.standard_normal((line(13), 2))).astype(np.float32)
    song = make(
        tmp_path, ["verse without voice"], audio=band + voice, stems=("band", "voice"), subtype="FLOAT"
    )
    soundfile.write(song.stems["voice"], voice, RATE, subtype="FLOAT")
    soundfile.write(song.stems["band"], band, RATE, subtype="FLOAT")
    out, lead = spliced(song)
    assert np.abs(out[lead : lead + 4 * BAR] - band[line(3) : line(7)]).max() < 1e-6


# Any form


PARTS = st.sampled_from(
    ["intro", "verse", "refrain", "outro", "verse bars 2-3", "refrain x2", "silence 1 bar", "silence 3 beats",
     "outro without voice", "refrain only voice", "intro bars 2"]
)  # fmt: skip


@pytest.fixture(scope="module")
def small_song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("small")
    make_song(folder, rate=8000, tempo=143.7, start=0.5, stems=("drums", "voice"), channels=1)
    return folder


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    parts=st.lists(PARTS, min_size=1, max_size=8),
    ending=st.sampled_from([None, "cut", "fade 2 bars", "ring 3 beats"]),
)
def test_any_form_reads_the_same_in_blocks_of_any_size_and_lasts_as_long_as_its_bars(
    small_song: Path, parts: list[str], ending: str | None
) -> None:
    pieces = [part for part in parts if not part.startswith("silence")]
    if not pieces or (parts[-1].startswith("silence") and ending):
        return
    text = (small_song / "song.toml").read_text(encoding="utf-8")
    head, rest = text.split("[forms]")
    listed = ", ".join(f'"{part}"' for part in parts)
    form = f"tried = {{ parts = [{listed}]{f', ending = {ending!r}' if ending else ''} }}"
    song = song_from_text(f"{head}[forms]\n{form}\n[listeners]{rest.split('[listeners]')[1]}", small_song)
    whole, lead = spliced(song)
    assert np.isfinite(whole).all()
    assert np.array_equal(whole, spliced(song, block_frames=997)[0])
    bar_frames = Fraction(8000 * 240 * 10, 1437)
    timeline = lay_out(song, song.form("tried"))
    if str(timeline.ending) in ("cut", "fade 2 bars"):
        assert abs(len(whole) - lead - timeline.bars * bar_frames) <= 2


def test_a_splice_is_read_as_it_is_asked_for(tmp_path: Path) -> None:
    song = replace(make(tmp_path, ["refrain", "intro"]), joining=1)
    whole, lead = spliced(song)
    audio = read_audio(song.audio.path)
    splicer = Splicer(lay_out(song, song.form("tried")), Mixes(song, audio, None), lead)
    for start, stop in ((-lead, 5), (4 * BAR - 1000, 4 * BAR + 1000), (0, 0)):
        assert np.array_equal(splicer.read(start, stop), whole[start + lead : stop + lead])
