"""What a form is foreseen to measure against what meters say of the form itself."""

from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from render.audio.splice import Splicer
from render.audio.stems import Mixes, fit_stems
from render.audio.timeline import lay_out, longest_lead
from render.renders.forecast import SETTLED_S, Bounce, Forecast, read_bounce, stretches
from render.song.song import Song, load_song
from tests.meter_series import k_weight, measure
from tests.songs import make_study

FORMS = {
    "refrain first": ["refrain", "verse", "outro"],
    "twice": ["intro", "verse bars 1-2", "refrain x2", "silence 1 bar", "outro"],
    "short parts": ["verse bar 1", "verse bar 1", "intro bar 2", "silence 1 beat", "refrain bar 4"],
    "quiet": ["intro", "intro"],
}
TREATED = {
    "bare": ["verse without voice", "outro"],
    "drums": ["outro", "refrain only drums", "verse", "refrain without drums"],
}


def splicers(song: Song) -> tuple[Bounce, list[Splicer]]:
    """(bounce, splicers) of a song's forms."""
    bounce = read_bounce(song)
    fit = fit_stems(bounce.audio, song.stems, song.audio.sample_rate) if song.stems else None
    timelines = [lay_out(song, form) for form in song.forms]
    lead = longest_lead(song, timelines)
    mixes = Mixes(song, bounce.audio, fit)
    return bounce, [Splicer(timeline, mixes, lead) for timeline in timelines]


def require_as_measured(song: Song) -> None:
    rate = song.audio.sample_rate
    bounce, forms = splicers(song)
    forecast = Forecast(bounce, forms)
    for splicer in forms:
        own = forecast.own(splicer)
        itself = measure(np.concatenate(list(splicer.blocks())), rate)
        assert own.lufs == pytest.approx(itself.integrated_lufs, abs=1e-5)
        assert own.true_peak_dbtp == pytest.approx(itself.true_peak_dbtp, abs=1e-5)


@pytest.mark.parametrize(("rate", "channels"), [(48000, 2), (44100, 2), (96000, 1), (192000, 1), (8000, 2)])
def test_as_measured_on_the_form_itself(tmp_path: Path, rate: int, channels: int) -> None:
    make_study(tmp_path, rate=rate, channels=channels, forms=FORMS, tempo=123.4)
    require_as_measured(load_song(tmp_path))


@pytest.mark.parametrize("stems_gain", [1.0, 0.9])
def test_under_treatments(tmp_path: Path, stems_gain: float) -> None:
    make_study(tmp_path, forms=TREATED | FORMS, stems=("drums", "voice"), stems_gain=stems_gain)
    require_as_measured(load_song(tmp_path))


def test_with_a_fade_over_the_end(tmp_path: Path) -> None:
    folder = tmp_path
    make_study(folder, forms={"fades": {"parts": ["verse", "refrain"], "ending": "fade 4 bars"}})
    require_as_measured(load_song(folder))


def test_a_constant_offset_rings_long_after_a_join(tmp_path: Path) -> None:
    """The worst for a weighting that must forget: silence after full scale of one sign."""
    rng = np.random.default_rng(5)
    audio = (0.01 * rng.standard_normal((26 * 48000, 2))).astype(np.float32)
    audio[: 12 * 48000] += 0.9
    make_study(tmp_path, audio=audio, forms={"fall": ["outro", "verse", "outro", "intro", "refrain"]})
    require_as_measured(load_song(tmp_path))


def test_against_another_meter(tmp_path: Path) -> None:
    """pyloudnorm with the same filter (class "DeMan")."""
    make_study(tmp_path, forms=FORMS)
    song = load_song(tmp_path)
    bounce, forms = splicers(song)
    forecast = Forecast(bounce, forms)
    meter = pyloudnorm.Meter(48000, filter_class="DeMan")
    for splicer in forms:
        whole = np.concatenate(list(splicer.blocks()))
        assert forecast.own(splicer).lufs == pytest.approx(meter.integrated_loudness(whole), abs=0.001)


PARTS = [
    "intro",
    "verse",
    "refrain",
    "outro",
    "verse bars 2-3",
    "refrain bar 1",
    "silence 1 beat",
    "intro bar 1",
]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from(PARTS), min_size=1, max_size=7))
def test_any_form(tmp_path: Path, parts: list[str]) -> None:
    if all(part.startswith("silence") for part in parts):
        parts = [*parts, "verse"]
    make_study(tmp_path, forms={"tried": parts}, tempo=137)
    require_as_measured(load_song(tmp_path))


def test_nothing_is_measured_twice_but_around_joins(tmp_path: Path) -> None:
    make_study(tmp_path, forms=FORMS)
    _, (written, first, *_) = splicers(load_song(tmp_path))
    settled = round(SETTLED_S * 48000)
    assert len(stretches(written, settled)) == 1
    runs = stretches(first, settled)
    assert len(runs) == 3
    by_itself = first.frames - sum(stretch.stop - stretch.start for stretch in runs)
    assert by_itself < 4 * 2 * settled
    for stretch in runs:
        form = first.read(stretch.start, stretch.stop)
        assert (
            form == first.source.read(first.timeline.spans[0].treatment, stretch.source, stretch.source_stop)
        ).all()


@pytest.mark.parametrize("rate", [8000, 44100, 48000, 192000])
def test_the_weighting_has_forgotten_after_that_time(rate: int) -> None:
    """-300 dB says the module; float32 needs -150."""
    _, state = k_weight(np.ones((rate, 1), np.float32), rate)
    rest, _ = k_weight(np.zeros((rate, 1), np.float32), rate, state)
    settled = round(SETTLED_S * rate)
    assert np.abs(rest[settled:]).max() < 1e-13 * np.abs(rest).max()
