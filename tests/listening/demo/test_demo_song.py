"""The demo's invented song: that it is what its song.toml says, and that it is fit to be heard.

Frames are computed here from tempo and meter with exact fractions, apart from the code under test; loudness
is pyloudnorm's with the exact BS.1770 filter ("DeMan"). Bounds on levels, spectra and steps are common
practice for a mix (no source) or say where they come from.
"""

from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from listening.demo.score import STEMS
from listening.demo.song import FULL, DemoPlan, song_toml, synthesise, write_song
from render.arrays import Floats
from render.song.forms import Piece, Silence
from render.song.song import load_song
from tests.short_demo import SHORT

RATE = 48000
FULL_SCALE = 2.0**23
SECTIONS = {s.name: (s.first_bar, s.last_bar, s.pickup_beats) for s in FULL.sections}


def line_frame(bar: int, beats: int | Fraction = 0, rate: int = RATE) -> int:
    """The frame of `bar` (from 1) plus `beats`: 97.3 quarter notes a minute from 1.37 s, bar 44 in 2/4."""
    quarters = 4 * (bar - 1) - (2 if bar > 44 else 0) + Fraction(beats)
    return round(rate * (Fraction("1.37") + quarters * 60 / Fraction("97.3")))


@pytest.fixture(scope="module")
def song() -> dict[str, NDArray[np.int32]]:
    return synthesise(RATE)


@pytest.fixture(scope="module")
def short_song() -> dict[str, NDArray[np.int32]]:
    return synthesise(RATE, plan=SHORT)


def heard(samples: NDArray[np.int32]) -> Floats:
    return samples / FULL_SCALE


def bars_of(song: dict[str, NDArray[np.int32]], stem: str, first_bar: int, last_bar: int) -> Floats:
    return heard(song[stem][line_frame(first_bar) : line_frame(last_bar + 1)])


def section_of(song: dict[str, NDArray[np.int32]], stem: str, name: str) -> Floats:
    first_bar, last_bar, _ = SECTIONS[name]
    return bars_of(song, stem, first_bar, last_bar)


def lufs(samples: Floats) -> float:
    return pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(samples)


def rms_db(samples: Floats) -> float:
    return 10 * np.log10(np.mean(np.square(samples)) + 1e-20)


def test_it_has_the_length_and_sections_promised(song: dict[str, NDArray[np.int32]]) -> None:
    seconds = len(song["bounce"]) / RATE
    assert 150 <= seconds <= 180
    assert len(song["bounce"]) > line_frame(FULL.bars + 1) + 3 * RATE  # a tail
    assert len(FULL.sections) >= 5
    ends = [0] + [section.last_bar for section in FULL.sections]
    assert [section.first_bar for section in FULL.sections] == [end + 1 for end in ends[:-1]]
    assert ends[-1] == FULL.bars
    assert [s.name for s in SHORT.sections] == [s.name for s in FULL.sections]


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_every_bar_line_is_computed_from_the_start(rate: int) -> None:
    assert [FULL.grid(rate).line_frame(bar) for bar in range(1, FULL.bars + 2)] == [
        line_frame(bar, rate=rate) for bar in range(1, FULL.bars + 2)
    ]


def test_stems_add_up_to_the_bounce_exactly(
    song: dict[str, NDArray[np.int32]], short_song: dict[str, NDArray[np.int32]]
) -> None:
    for audio in (song, short_song):
        assert set(audio) == {*STEMS, "bounce"}
        assert np.array_equal(sum(audio[stem].astype(np.int64) for stem in STEMS), audio["bounce"])
        for samples in audio.values():
            assert samples.dtype == np.int32
            assert samples.shape == audio["bounce"].shape
            assert np.abs(samples).max() < 2**23


def test_another_seed_is_another_sound(short_song: dict[str, NDArray[np.int32]]) -> None:
    other = synthesise(RATE, seed=1, plan=SHORT)
    assert not np.array_equal(short_song["bounce"], other["bounce"])


def test_sensible_levels(song: dict[str, NDArray[np.int32]]) -> None:
    assert 20 * np.log10(np.abs(heard(song["bounce"])).max()) == pytest.approx(-3.0, abs=0.01)
    assert -16 <= lufs(heard(song["bounce"])) <= -14
    for samples in song.values():
        assert np.all(np.abs(heard(samples).mean(axis=0)) < 3e-4)  # no DC: below -70 dBFS


def test_the_form_is_audible_in_its_levels(song: dict[str, NDArray[np.int32]]) -> None:
    loudness = {name: lufs(section_of(song, "bounce", name)) for name in SECTIONS}
    assert loudness["refrain"] > loudness["verse 1"] + 3
    assert loudness["refrain"] > loudness["verse 2"] + 2.5
    assert loudness["verse 2"] > loudness["verse 1"] + 0.3
    assert loudness["last refrain"] > loudness["refrain"] + 0.3
    assert loudness["bridge"] < loudness["refrain"] - 3
    assert min(loudness, key=lambda name: loudness[name]) == "intro"
    for climb in (13, 33):  # the last four bars of a verse build
        assert (
            lufs(bars_of(song, "bounce", climb, climb + 2))
            > lufs(bars_of(song, "bounce", climb - 8, climb - 1)) + 1
        )


def test_the_form_is_audible_in_its_notes_and_timbres(song: dict[str, NDArray[np.int32]]) -> None:
    """No two kinds of section share both their pitch classes and their spectrum."""
    profiles = {}
    for name in SECTIONS:
        mono = section_of(song, "bounce", name).mean(axis=1)
        power = np.abs(np.fft.rfft(mono)) ** 2
        hz = np.fft.rfftfreq(len(mono), 1 / RATE)
        tonal = (hz > 120) & (hz < 2000)
        pitch_class = np.rint(12 * np.log2(hz[tonal] / 440)).astype(int) % 12
        notes = np.bincount(pitch_class, weights=power[tonal], minlength=12)
        edges = [20, 120, 300, 800, 2000, 5000, 12000]
        bands = [power[(hz >= low) & (hz < high)].sum() for low, high in pairwise(edges)]
        profiles[name] = np.concatenate([notes / notes.sum(), np.log10(bands) - np.log10(power.sum())])
    kinds = ["intro", "verse 1", "refrain", "bridge", "outro"]
    for i, one in enumerate(kinds):
        for two in kinds[i + 1 :]:
            assert np.abs(profiles[one] - profiles[two]).sum() > 0.5, (one, two)
    assert rms_db(section_of(song, "guitar", "bridge")) < rms_db(section_of(song, "guitar", "verse 1")) - 30


@pytest.mark.parametrize("name", ["verse 1", "refrain", "verse 2", "last refrain"])
def test_pickups_sound_before_the_bar_line_and_sing_across_it(
    song: dict[str, NDArray[np.int32]], name: str
) -> None:
    bar, _, pickup_beats = SECTIONS[name]
    voice = heard(song["voice"])
    at, line = line_frame(bar, -pickup_beats), line_frame(bar)
    before = rms_db(voice[at - RATE // 20 : at])
    pickup = rms_db(voice[at : at + RATE // 4])
    assert pickup > before + 15  # a cut at the pickup is clean ...
    across = voice[line - RATE // 10 : line + RATE // 10].mean(axis=1)
    loudest = np.sqrt(np.mean(np.square(across)))
    assert loudest > 0.3 * np.sqrt(np.mean(np.square(voice[line : line + RATE])))
    moments = across[: len(across) // 480 * 480].reshape(
        -1, 480
    )  # ... and a cut at the bar line is not: no 10 ms
    assert np.sqrt(np.mean(moments**2, axis=1)).min() > 0.5 * loudest  # around it are without voice


def test_no_voice_where_no_pickup_is_written(song: dict[str, NDArray[np.int32]]) -> None:
    for name in ("intro", "bridge", "outro"):
        assert SECTIONS[name][2] == 0
    bridge = line_frame(SECTIONS["bridge"][0])
    beat = heard(song["voice"])[line_frame(36, 3) : bridge]
    assert rms_db(beat) < rms_db(section_of(song, "voice", "bridge")) - 15


def test_drums_fall_on_the_grid_to_the_frame(song: dict[str, NDArray[np.int32]]) -> None:
    """Downbeats with the same hits are found, by correlation, as many frames apart as their bar lines.

    Bars rounded one by one would be off by 8 frames 28 bars later (a bar is 118396.711 frames).
    """
    drums = heard(song["drums"])[:, 0]
    assert 0 < np.flatnonzero(drums)[0] - line_frame(3) <= 3  # silent until bar 3; its soft edge begins at 0
    alike = {5: [6, 9, 12], 25: [26, 29, 32], 18: [19, 20, 23, 46, 48, 51], 54: [55, 58, 59]}
    for model_bar, bars in alike.items():
        model = drums[line_frame(model_bar) : line_frame(model_bar) + 4800]
        for bar in bars:
            around = drums[line_frame(bar) - 300 : line_frame(bar) + 4800 + 300]
            assert np.argmax(signal.correlate(around, model, mode="valid")) == 300, (model_bar, bar)


def clicks_db(samples: Floats) -> float:
    """Peak, in dBFS, above 19 kHz, where none of the soft sounds reaches but every click does."""
    return 20 * np.log10(
        np.abs(signal.sosfilt(signal.butter(8, 19000, "high", fs=RATE, output="sos"), samples, 0)).max()
    )


@pytest.mark.parametrize("stem", ["bass", "keys", "guitar", "voice"])
def test_no_clicks(song: dict[str, NDArray[np.int32]], stem: str) -> None:
    samples = heard(song[stem])[: line_frame(25)]
    assert clicks_db(samples) < -66
    planted = samples.copy()
    planted[line_frame(9) :] += 0.01  # a step of -40 dBFS, to show that the measure would see it
    assert clicks_db(planted) > -60


def test_no_drum_starts_or_stops_with_a_jump(song: dict[str, NDArray[np.int32]]) -> None:
    """Each soft edge lasts at least 1 ms, so drums step no more than their own top frequencies make them."""
    drums = heard(song["drums"])
    assert np.abs(np.diff(drums, axis=0)).max() < 0.75 * np.abs(drums).max()
    assert clicks_db(drums) < -30


def test_stereo_that_survives_mono(song: dict[str, NDArray[np.int32]]) -> None:
    bounce = heard(song["bounce"])
    mono = np.repeat(bounce.mean(axis=1, keepdims=True), 2, axis=1)
    assert -1.5 < lufs(mono) - lufs(bounce) < -0.1  # wide, and little is lost in mono
    assert abs(rms_db(bounce[:, 0]) - rms_db(bounce[:, 1])) < 1
    for stem in STEMS:
        assert np.asarray(np.corrcoef(heard(song[stem]).T))[0, 1] > 0.3


def test_spectrum_is_that_of_a_mix(song: dict[str, NDArray[np.int32]]) -> None:
    """Falling from the low mids up, no hole and no peak between neighbouring octaves (common practice)."""
    hz, power = signal.welch(heard(song["bounce"]).mean(axis=1), RATE, nperseg=8192)
    octaves = [
        10 * np.log10(power[(hz >= f) & (hz < 2 * f)].sum())
        for f in (60, 120, 240, 480, 960, 1920, 3840, 7680)
    ]
    assert np.all(np.abs(np.diff(octaves)) < 10)
    assert octaves[1] > octaves[4] > octaves[7] > octaves[1] - 40


def test_it_begins_in_a_room_and_ends_by_ringing_out(song: dict[str, NDArray[np.int32]]) -> None:
    bounce = heard(song["bounce"])
    assert np.all(np.any(song["bounce"][:4800].reshape(-1, 480, 2) != 0, axis=(1, 2)))
    assert -90 < rms_db(bounce[:4800]) < -55
    end = line_frame(FULL.bars + 1)
    seconds = [rms_db(bounce[end + i * RATE : end + (i + 1) * RATE]) for i in range(4)]
    assert seconds[0] > -50  # still ringing after the last bar
    assert all(later < earlier - 2 for earlier, later in pairwise(seconds))
    assert np.abs(song["bounce"][-1]).max() <= 1


def test_files_hold_the_same_integers(tmp_path: Path, short_song: dict[str, NDArray[np.int32]]) -> None:
    """Of a song synthesised anew: the same seed gives the same integers."""
    paths = write_song(tmp_path, RATE, plan=SHORT)
    assert sorted(str(path.relative_to(tmp_path).as_posix()) for path in paths.values()) == sorted(
        ["lanterns-on-the-weir.wav", *(f"stems/{stem}.wav" for stem in STEMS)]
    )
    for name, path in paths.items():
        assert soundfile.info(path).subtype == "PCM_24"
        samples, rate = soundfile.read(path, dtype="int32")
        assert rate == RATE
        assert np.array_equal(samples >> 8, short_song[name])
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize("plan", [FULL, SHORT], ids=["full", "short"])
def test_song_toml_reads_as_the_same_song(tmp_path: Path, plan: DemoPlan) -> None:
    (tmp_path / "song.toml").write_text(song_toml(plan), encoding="utf-8")
    for name in ("lanterns-on-the-weir.wav", *(f"stems/{stem}.wav" for stem in STEMS)):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        silence = np.zeros((plan.frames(8000), 2), dtype=np.int32)  # the right length, at a low rate
        soundfile.write(tmp_path / name, silence, 8000, subtype="PCM_24")
    song = load_song(tmp_path)
    assert song.sections == plan.sections
    assert [song.grid.line_frame(bar) for bar in range(1, plan.bars + 2)] == [
        plan.grid(8000).line_frame(bar) for bar in range(1, plan.bars + 2)
    ]
    assert song.uncovered == []
    prior = {listener.name: listener.prior_listens.get("as written", 0) for listener in song.listeners}
    assert sorted(prior.values()) == [0, 3, 60]


def test_forms_use_the_whole_part_language(tmp_path: Path) -> None:
    test_song_toml_reads_as_the_same_song(tmp_path, FULL)
    forms = [form for form in load_song(tmp_path).forms if form.name != "as written"]
    assert len(forms) == 4
    parts = [part for form in forms for part in form.parts]
    assert {part.unit for part in parts if isinstance(part, Silence)} == {"bars", "beats"}
    pieces = [part for part in parts if isinstance(part, Piece)]
    treatments = {(part.treatment.mode, len(part.treatment.stems)) for part in pieces}
    assert {("all", 0), ("without", 1), ("without", 2), ("only", 2)} <= treatments
    text = song_toml()
    assert " x2" in text
    assert " bars 9-12" in text
    assert any(
        isinstance(first := form.parts[0], Piece) and first.pickup_beats for form in forms
    )  # a pickup at the very top
    assert {str(form.ending) for form in forms} == {"None", "ring 1 beat", "fade 2 bars", "cut"}
