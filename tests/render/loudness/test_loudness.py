"""The meter against ITU-R BS.1770-5, pyloudnorm and libebur128; its laws and its limits."""

import ctypes
import ctypes.util
import math
import tracemalloc
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from listening.demo.song import FULL, synthesise
from render.arrays import Audio, Floats
from render.loudness.k_response import k_weighting_sos
from render.loudness.meter import Loudness, LoudnessMeter, integrated_lufs, lufs
from tests.meter_series import block_bounds, k_weight, measure, short_term_lufs
from tests.meter_signals import FS, noise, tone
from tests.short_demo import SHORT


def by_the_equations(audio: Audio, fs: int, gains: tuple[float, float] = (1.0, 1.0)) -> float:
    """BS.1770-5 Annex 1 word by word, in float64: filter, blocks (eq. 3), gates (eq. 4 to 7)."""
    weighted = scipy.signal.sosfilt(k_weighting_sos(fs), audio.astype(np.float64), axis=0)
    length, blocks, i = round(0.4 * fs), [], 0
    while math.floor(i * fs / 10 + 0.5) + length <= len(audio):
        start = math.floor(i * fs / 10 + 0.5)
        blocks.append(np.mean(weighted[start : start + length] ** 2, axis=0) @ np.array(gains))
        i += 1
    with np.errstate(divide="ignore"):
        loud = [z for z in blocks if -0.691 + 10 * np.log10(z) > -70]
        if not loud:
            return -math.inf
        gate = -0.691 + 10 * np.log10(np.mean(loud)) - 10
        return -0.691 + 10 * np.log10(np.mean([z for z in loud if -0.691 + 10 * np.log10(z) > gate]))


# ---- the K-weighting ------------------------------------------------------------------------------------


@pytest.mark.parametrize("fs", [8000, 22050, 44100, 48000, 88200, 96000, 192000])
def test_deman_filter_class_gives_the_same_coefficients(fs: int) -> None:
    """pyloudnorm's "DeMan"; at 48 kHz that is ITU-R BS.1770-5 Annex 1, Tables 1 and 2."""
    stages = pyloudnorm.Meter(fs, filter_class="DeMan")._filters.values()
    derived = np.array([[*stage.b, *stage.a] for stage in stages])
    assert np.abs(derived - k_weighting_sos(fs)).max() < (1e-9 if fs == FS else 1e-14)


def response_db(fs: int, hz: Floats | int) -> Floats | float:
    z = np.exp(-2j * np.pi * np.asarray(hz) / fs)
    sos = k_weighting_sos(fs)
    return 20 * np.log10(
        np.abs(np.prod([np.polyval(s[2::-1], z) / np.polyval(s[:2:-1], z) for s in sos], axis=0))
    )


@pytest.mark.parametrize(
    ("hz", "gain_db"),
    [
        (997, 0.6910),
        (1000, 0.6977),
        (25, -10.393),
        (100, -1.134),
        (500, 0.043),
        (2000, 3.071),
        (10_000, 4.042),
    ],
)
def test_k_gain(hz: int, gain_db: float) -> None:
    """Gains computed from BS.1770-5's printed coefficients, outside this project."""
    assert response_db(FS, hz) == pytest.approx(gain_db, abs=6e-4)


@pytest.mark.parametrize(("fs", "within_db"), [(44_100, 0.03), (88_200, 0.03), (96_000, 0.03)])
def test_same_response_at_other_rates(fs: int, within_db: float) -> None:
    """BS.1770-5 Annex 1 asks for the response of 48 kHz; compared from 20 Hz to 10 kHz."""
    hz = np.geomspace(20, 10_000, 60)
    at_48, here = response_db(FS, hz), response_db(fs, hz)
    assert np.abs(here - at_48).max() < within_db


@pytest.mark.parametrize("fs", [8_000, 11_025, 44_100, 48_000, 96_000, 192_000])
def test_block_filter_is_the_recursive_filter(fs: int) -> None:
    """Against scipy's sample-by-sample filter; 1e-6 of full scale is -120 dB."""
    audio = noise(1.1, fs)
    expected = scipy.signal.sosfilt(k_weighting_sos(fs), audio.astype(np.float64), axis=0)
    weighted, _ = k_weight(audio, fs)
    assert weighted.dtype == np.float32
    assert np.abs(weighted - expected).max() < 1e-6


def test_a_large_offset_does_not_cost_accuracy() -> None:
    """A constant of half full scale under noise at about -70 dBFS still measures right."""
    audio = (noise(20) * 0.01 + 0.5).astype(np.float32)[FS:]
    weighted, _ = k_weight(audio, FS)
    expected = scipy.signal.sosfilt(k_weighting_sos(FS), audio.astype(np.float64), axis=0)
    settled = slice(FS // 2, None)
    error_db = 10 * np.log10(
        np.mean(weighted[settled] ** 2, dtype=np.float64) / np.mean(expected[settled] ** 2)
    )
    assert abs(error_db) < 1e-4


# ---- integrated loudness --------------------------------------------------------------------------------


def test_full_scale_tones() -> None:
    """BS.1770-5 Annex 1: 0 dBFS at 997 Hz in one front channel reads -3.01 LKFS; in both, 0.00."""
    both = tone((0.0, 5), hz=997)
    left = both * [1, 0]
    right = both * [0, 1]
    for one in (left, right, both[:, :1]):
        assert measure(one, FS).integrated_lufs == pytest.approx(-3.01, abs=0.002)
    assert measure(both, FS).integrated_lufs == pytest.approx(0.0, abs=0.002)


@pytest.mark.parametrize("seconds", [1.30, 1.37])
def test_incomplete_last_block_is_not_used(seconds: float) -> None:
    """BS.1770-5 Annex 1 and Tech 3341 section 2.3; value computed from the standard: 10 blocks each."""
    audio = tone((-20.0, seconds))
    assert measure(audio, FS).integrated_lufs == pytest.approx(-19.993, abs=0.001)
    assert len(block_bounds(len(audio), FS)[0]) == 10


def test_what_follows_the_last_complete_block_has_no_effect() -> None:
    audio = tone((-20.0, 1.30), (0.0, 0.0999))
    assert measure(audio, FS).integrated_lufs == pytest.approx(-19.993, abs=0.001)
    assert measure(tone((-20.0, 1.30), (0.0, 0.1)), FS).integrated_lufs > -19


def test_blocks_do_not_drift() -> None:
    """At 11025 Hz a hop is 1102.5 frames: every start is rounded from the top, none from the last."""
    starts, length = block_bounds(11_025 * 600, 11_025)
    assert length == 4410
    assert starts[:4].tolist() == [0, 1103, 2205, 3308]
    assert starts[-1] == math.floor((len(starts) - 1) * 1102.5 + 0.5) == 11_025 * 600 - length
    assert block_bounds(FS, FS)[0].tolist() == [0, 4800, 9600, 14_400, 19_200, 24_000, 28_800]
    assert block_bounds(19_199, FS)[0].size == 0


@pytest.mark.parametrize("fs", [8_000, 11_025, 22_050, 44_056, 44_100, 47_952, 48_000, 88_200])
def test_by_the_equations(fs: int) -> None:
    """Every rate, also where 100 ms (11025) or 400 ms (44056) is no whole number of frames."""
    audio = noise(4.567, fs)
    assert measure(audio, fs).integrated_lufs == pytest.approx(by_the_equations(audio, fs), abs=1e-5)


def test_gates_are_strict() -> None:
    """BS.1770-5 eq. 4 to 7: a block counts when it is above the gate, not at it."""
    at_gate = 10 ** ((-70 + 0.691) / 10)
    assert integrated_lufs([at_gate, at_gate]) == -math.inf
    assert integrated_lufs([at_gate * 1.0001]) == pytest.approx(-70, abs=0.001)
    # mean of the three 0.7, gate 0.07: the third goes, and -0.691 + 10 log10(1.015) is left
    assert integrated_lufs([1.0, 1.03, 0.07]) == pytest.approx(-0.691 + 10 * math.log10(1.015), abs=1e-9)
    assert integrated_lufs([]) == -math.inf


def test_block_powers_predict_the_meter() -> None:
    """What another module does with sums of the source's K-weighted energy gives the meter's answer."""
    audio = noise(10)
    weighted, _ = k_weight(audio, FS)
    energy = np.concatenate(([0.0], np.cumsum(np.square(weighted, dtype=np.float64).sum(axis=1))))
    starts, length = block_bounds(len(audio), FS)
    powers = (energy[starts + length] - energy[starts]) / length
    assert integrated_lufs(powers) == pytest.approx(measure(audio, FS).integrated_lufs, abs=1e-5)


MATERIAL = [
    *(("noise", fs) for fs in (44_100, 48_000, 96_000)),
    ("short demo song", 44_100),
    ("demo song", 48_000),
    ("short demo song", 96_000),
]


@pytest.fixture(scope="module", params=MATERIAL, ids=lambda chosen: f"{chosen[0]} {chosen[1]}")
def material(request: pytest.FixtureRequest) -> tuple[Audio, int]:
    """(float32 audio, sample rate); no length is a whole number of 100 ms."""
    kind, fs = request.param
    if kind == "noise":
        return noise(12.34, fs), fs
    song = synthesise(fs, plan=SHORT if kind.startswith("short") else FULL)["bounce"]
    return (song / 2**23).astype(np.float32), fs


def test_agrees_with_pyloudnorm(material: tuple[Audio, int]) -> None:
    """pyloudnorm, filter class "DeMan". Cut to whole hops of 100 ms: at other lengths it rounds the number
    of blocks and may use an incomplete last one, which the standard does not."""
    audio, fs = material
    audio = audio[: len(audio) // (fs // 10) * (fs // 10)]
    expected = pyloudnorm.Meter(fs, filter_class="DeMan").integrated_loudness(audio.astype(np.float64))
    assert measure(audio, fs).integrated_lufs == pytest.approx(expected, abs=0.001)


def libebur128() -> Any:
    path = ctypes.util.find_library("ebur128")
    if path is None:
        pytest.skip("libebur128 is not installed")
    library = ctypes.CDLL(path)
    library.ebur128_init.restype = ctypes.c_void_p
    library.ebur128_init.argtypes = (ctypes.c_uint, ctypes.c_ulong, ctypes.c_int)
    library.ebur128_add_frames_float.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)
    library.ebur128_loudness_global.argtypes = (ctypes.c_void_p, ctypes.POINTER(ctypes.c_double))
    library.ebur128_destroy.argtypes = (ctypes.POINTER(ctypes.c_void_p),)
    return library


def test_agrees_with_libebur128(material: tuple[Audio, int]) -> None:
    """Debian's libebur128 through ctypes, with an incomplete last block left over."""
    library = libebur128()
    audio, fs = material
    audio = np.ascontiguousarray(audio)
    assert len(audio) % (fs // 10)
    integrated_mode = (1 << 2) | 1
    state = ctypes.c_void_p(library.ebur128_init(2, fs, integrated_mode))
    value = ctypes.c_double()
    try:
        assert library.ebur128_add_frames_float(state, audio.ctypes.data, len(audio)) == 0
        assert library.ebur128_loudness_global(state, ctypes.byref(value)) == 0
    finally:
        library.ebur128_destroy(ctypes.byref(state))
    assert measure(audio, fs).integrated_lufs == pytest.approx(value.value, abs=0.001)


# ---- edges, streaming, laws -----------------------------------------------------------------------------


def test_nothing_to_measure() -> None:
    for audio in (np.zeros((0, 2)), np.zeros((4 * FS, 2)), tone((-20, 0.399)), tone((-90, 4))):
        loudness = measure(audio.astype(np.float32), FS)
        assert loudness.integrated_lufs == -math.inf
        assert loudness.lra_lu is None
    assert measure(np.zeros((FS, 2)), FS).true_peak_dbtp == -math.inf
    assert measure(tone((-20, 2.99)), FS).lra_lu is None
    assert measure(tone((-20, 3.0)), FS).lra_lu is not None
    assert measure(tone((-20, 20)), FS).lra_lu == pytest.approx(0.0, abs=0.01)
    assert short_term_lufs(tone((-20, 2.99)), FS).size == 0


def test_memory_stays_bounded() -> None:
    """Ten minutes through the meter: what is kept grows by kilobytes a minute, not by the audio's 23 MB."""
    block = noise(1)
    meter = LoudnessMeter(FS, 2)
    meter.add(block)
    tracemalloc.start()
    for _ in range(600):
        meter.add(block)
    kept, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert kept < 1e6
    assert peak < 8e6


def readings(loudness: Loudness) -> Floats:
    return np.array(
        [
            loudness.integrated_lufs,
            loudness.lra_lu if loudness.lra_lu is not None else math.nan,
            loudness.true_peak_dbtp,
        ]
    )


@settings(max_examples=25, deadline=None)
@given(
    sizes=st.lists(st.integers(0, 90_000), min_size=1, max_size=12),
    fs=st.sampled_from([11_025, 44_056, 44_100, 48_000]),
    channels=st.sampled_from([1, 2]),
)
def test_how_audio_is_cut_does_not_matter(sizes: list[int], fs: int, channels: int) -> None:
    audio = noise(4.2, fs, channels=channels)
    meter = LoudnessMeter(fs, channels)
    cuts = np.minimum(np.cumsum(sizes), len(audio))
    for block in np.split(audio, cuts):
        meter.add(block)
    np.testing.assert_allclose(readings(meter.result()), readings(measure(audio, fs)), atol=2e-5)


def test_tiny_blocks() -> None:
    audio = noise(0.45)
    meter = LoudnessMeter(FS, 2)
    for start in range(0, len(audio), 7):
        meter.add(audio[start : start + 7])
    np.testing.assert_allclose(readings(meter.result()), readings(measure(audio, FS)), atol=2e-5)


@settings(max_examples=20, deadline=None)
@given(gain_db=st.floats(-20, 20), seed=st.integers(0, 1000))
def test_gain_shifts_every_level_and_no_range(gain_db: float, seed: int) -> None:
    audio = noise(4, seed=seed)
    shift = readings(measure(audio * np.float32(10 ** (gain_db / 20)), FS)) - readings(measure(audio, FS))
    np.testing.assert_allclose(shift, np.array([gain_db, 0, gain_db]), atol=2e-5)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 1000))
def test_laws_of_channels(seed: int) -> None:
    audio = noise(3.5, seed=seed)
    mono = audio[:, :1]
    np.testing.assert_allclose(readings(measure(audio[:, ::-1], FS)), readings(measure(audio, FS)), atol=2e-5)
    np.testing.assert_allclose(readings(measure(-audio, FS)), readings(measure(audio, FS)), atol=2e-5)
    louder = measure(np.hstack((mono, mono)), FS).integrated_lufs - measure(mono, FS).integrated_lufs
    assert louder == pytest.approx(10 * math.log10(2), abs=1e-5)


def test_loudness_of_a_mean_square_of_one() -> None:
    assert lufs(1.0) == pytest.approx(-0.691)
