"""True peak against ITU-R BS.1770-5 Annex 2, EBU Tech 3341 and interpolating everything."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from render.arrays import Audio, Floats
from render.loudness.true_peak import TruePeak, oversampling_phases
from tests.meter_series import measure
from tests.meter_signals import FS, by_case, rows

PRINTED = np.array([[float(v) for v in row.values()] for row in rows("bs1770_5_truepeak_fir.csv")]).T
TECH_3341 = by_case("ebu_tech3341_2023_table1.csv")


def everything(audio: Audio, fs: int) -> float:
    """Every interpolated value, in float64, and the samples: the answer without any short cut."""
    factor = 4 if fs < 96_000 else 2 if fs < 192_000 else 1
    peak = np.abs(audio).max(initial=0.0)
    if factor > 1:
        taps = PRINTED[:: 4 // factor].T.ravel()  # interleaved: tap k of each phase in turn
        values = scipy.signal.upfirdn(taps, audio.astype(np.float64), up=factor, axis=0)
        peak = max(peak, np.abs(values).max(initial=0.0))
    return float(peak)


def meter(audio: Audio, fs: int, cuts: Sequence[int] = ()) -> TruePeak:
    peak_meter = TruePeak(fs, audio.shape[1])
    for block in np.split(audio, cuts):
        peak_meter.add(block)
    return peak_meter


def test_the_printed_filter() -> None:
    """BS.1770-5 Annex 2: the taps, and the structure they have (computed from the print)."""
    phases = oversampling_phases(FS)
    assert np.array_equal(phases, PRINTED)
    assert phases.sum() == 3.94921875
    assert np.allclose(phases.sum(axis=1), [1.00158691, 0.97302246, 0.97302246, 1.00158691], atol=1e-8)
    assert np.abs(phases).sum(axis=1).max() == pytest.approx(2.023, abs=5e-4)
    assert [len(oversampling_phases(fs)) for fs in (8_000, 88_200, 96_000, 176_400, 192_000)] == [
        4,
        4,
        2,
        2,
        0,
    ]


# ---- EBU Tech 3341, cases 15 to 23 ----------------------------------------------------------------------


def faded(sine: Floats, seconds: float, fs: int = FS) -> Floats:
    ramp = np.minimum(1.0, np.arange(len(sine)) / (seconds * fs))
    return sine * ramp * ramp[::-1]


def check_3341(case: int, sine: Floats) -> None:
    row = TECH_3341[case]
    expected = float(row["expected"].removeprefix("TP=").removesuffix(" dBTP"))
    true_peak_dbtp = measure(np.column_stack((sine, sine)), FS).true_peak_dbtp
    assert -float(row["tol_minus"]) <= true_peak_dbtp - expected <= float(row["tol_plus"])


@pytest.mark.parametrize(
    ("case", "per_period", "amplitude", "degrees"),
    [(15, 4, 0.5, 0.0), (16, 4, 0.5, 45.0), (17, 6, 0.5, 60.0), (18, 8, 0.5, 67.5), (19, 4, 1.41, 45.0)],
)
def test_tech_3341_sines(case: int, per_period: int, amplitude: float, degrees: float) -> None:
    n = np.arange(FS)
    sine = amplitude * np.sin(2 * np.pi * n / per_period + math.radians(degrees))
    check_3341(case, faded(sine, 0.010))


@pytest.mark.parametrize(("case", "offset"), [(20, 0), (21, 1), (22, 2), (23, 3)])
def test_tech_3341_transient(case: int, offset: int) -> None:
    """One phase-continuous period of fs/4 at full scale in fs/6 at half, made at 4 fs, then decimated."""
    before, burst = 24 * 1000, 16
    phase = np.cumsum(
        np.r_[
            np.full(before, 2 * np.pi / 24), np.full(burst, 2 * np.pi / 16), np.full(before, 2 * np.pi / 24)
        ]
    )
    amplitude = np.r_[np.full(before, 0.5), np.full(burst, 1.0), np.full(before, 0.5)]
    low_pass = scipy.signal.firwin(511, 22_000, fs=4 * FS)
    high_rate = scipy.signal.fftconvolve(
        faded(amplitude * np.sin(phase), 0.005, 4 * FS), low_pass, mode="same"
    )
    check_3341(case, high_rate[offset::4])


# ---- the short cut gives the whole answer ---------------------------------------------------------------


def signal(seed: int, kind: str, frames: int, channels: int) -> Audio:
    """Noise of several crest factors: bright, dull, clipped, or a few spikes in silence."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((frames, channels))
    if kind == "dull":
        x = scipy.signal.lfilter([1.0], [1.0, -0.95], x, axis=0)
    elif kind == "clipped":
        x = np.clip(x, -0.5, 0.5)
    elif kind == "spikes":
        x = x * (rng.random((frames, channels)) < 0.003)
    elif kind == "swell":
        x = x * np.linspace(0, 1, frames)[:, None] ** 2
    return (x * 0.3).astype(np.float32)


@settings(max_examples=120, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    kind=st.sampled_from(["bright", "dull", "clipped", "spikes", "swell"]),
    frames=st.one_of(st.integers(0, 120), st.integers(0, 80_000)),
    channels=st.sampled_from([1, 2, 3]),
    fs=st.sampled_from([44_100, 48_000, 96_000, 192_000]),
    cuts=st.lists(st.floats(0, 1), max_size=6),
)
def test_same_answer_as_interpolating_everything(
    seed: int, kind: str, frames: int, channels: int, fs: int, cuts: list[float]
) -> None:
    audio = signal(seed, kind, frames, channels)
    peak_meter = meter(audio, fs, sorted(round(cut * frames) for cut in cuts))
    expected = everything(audio, fs)
    assert peak_meter.true_peak == pytest.approx(expected, rel=2e-6)
    sample_peak = np.abs(audio).max(initial=0.0)
    assert sample_peak <= peak_meter.true_peak <= 2.023 * sample_peak


def test_one_frame_at_a_time() -> None:
    audio = signal(5, "bright", 300, 2)
    assert meter(audio, FS, range(1, 300)).true_peak == pytest.approx(everything(audio, FS), rel=2e-6)


def test_the_loudest_overshoot_the_filter_can_make() -> None:
    """Samples signed like the taps of the largest phase: the bound itself, 2.023, anywhere in a block."""
    worst = np.sign(PRINTED[np.abs(PRINTED).sum(axis=1).argmax()])[::-1]
    for at in (0, 5, 32_750, 32_768, 39_988):
        audio = np.zeros((40_000, 1), dtype=np.float32)
        audio[at : at + 12, 0] = 0.4 * worst
        audio[20_000] = 0.79  # a lone sample, just too small to beat it
        assert meter(audio, FS).true_peak == pytest.approx(
            0.4 * np.abs(PRINTED).sum(axis=1).max(), rel=1e-6
        ), at


def test_over_full_scale_is_reported_not_clipped() -> None:
    audio = np.zeros((FS, 2), dtype=np.float32)
    audio[1000, 1] = -2.0
    loudness = measure(audio, FS)
    assert loudness.true_peak_dbtp >= 20 * math.log10(2)


def test_reading_does_not_disturb() -> None:
    audio = signal(2, "bright", 1000, 2)
    peak_meter = TruePeak(FS, 2)
    for block in np.split(audio, [17, 40, 500]):
        peak_meter.add(block)
        assert peak_meter.true_peak >= np.abs(block).max()
    assert peak_meter.true_peak == pytest.approx(everything(audio, FS), rel=2e-6)
