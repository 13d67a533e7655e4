"""Matched loudness of written renders, measured again by meters of others.

Integrated loudness by pyloudnorm with its exact filter of ITU-R BS.1770 (class "DeMan"); true peak by
scipy's polyphase resampling x8 (Annex 2 asks for x4 or more). Targets are worked out by hand from the rule:
the highest loudness that every form reaches with a gain of 0 dB or less and a true peak of -1 dBTP or less.
"""

from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy import signal

import render.renders.matching
import render.renders.render_forms
from render.audio.splice import Splicer
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out
from render.errors import RenderError
from render.renders.manifest import Manifest
from render.renders.matching import ROUNDING_DB, FormLoudness, match
from render.renders.render_forms import render_forms
from render.song.song import Song
from tests.songs import make_song

BAR, BEAT, LEAD_IN = 96000, 24000, 12000


def wavs(song: Song, manifest: Manifest) -> dict[str, Path]:
    return {form.name: song.folder / form.wav for form in manifest.forms}


def lufs(path: Path) -> float:
    samples, rate = soundfile.read(path, always_2d=True)
    return pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(samples)


def true_peak_dbtp(path: Path) -> float:
    samples, _ = soundfile.read(path, always_2d=True)
    return 20 * np.log10(np.abs(signal.resample_poly(samples, 8, 1, axis=0)).max())


# The rule, by hand


def own(**forms: tuple[float, float]) -> dict[str, FormLoudness]:
    return {name: FormLoudness(level, peak) for name, (level, peak) in forms.items()}


def gains(found: dict[str, float]) -> dict[str, float]:
    return {name: round(gain, 6) for name, gain in found.items()}


def test_the_quietest_form_sets_the_target_where_peaks_allow() -> None:
    target, gains_db = match(own(a=(-14, -1.5), b=(-16, -3)), "integrated")
    assert target == -16
    assert gains_db == {"a": -2, "b": 0}


def test_a_form_over_the_ceiling_comes_down_and_the_others_with_it() -> None:
    target, gains_db = match(own(a=(-14, 2), b=(-15, -6)), "integrated")
    assert target == pytest.approx(-17 - ROUNDING_DB)
    assert gains(gains_db) == gains({"a": -3 - ROUNDING_DB, "b": -2 - ROUNDING_DB})


def test_same_gain_is_one_gain_for_all() -> None:
    target, gains_db = match(own(a=(-14, 2), b=(-15, -6)), "same gain")
    assert target is None
    assert gains(gains_db) == gains({"a": -3 - ROUNDING_DB, "b": -3 - ROUNDING_DB})
    assert match(own(a=(-14, -2)), "same gain")[1] == {"a": 0}


def test_nothing_is_ever_boosted() -> None:
    rng = np.random.default_rng(1)
    for _ in range(300):
        forms = {str(k): (rng.uniform(-40, -5), rng.uniform(-12, 4)) for k in range(rng.integers(1, 6))}
        for matching in ("integrated", "same gain"):
            target, gains_db = match(own(**forms), matching)
            peaks = [forms[name][1] + gain for name, gain in gains_db.items()]
            assert max(gains_db.values()) <= 0
            assert max(peaks) <= -1
            reached = {forms[name][0] + gain for name, gain in gains_db.items()}
            assert target is None or max(abs(level - target) for level in reached) < 1e-9
            # some form is at its limit: nothing louder would do
            assert any(
                gain == 0 or peak > -1.0011 for gain, peak in zip(gains_db.values(), peaks, strict=True)
            )


# The written files


@pytest.mark.parametrize(
    ("rate", "channels", "subtype", "gain"),
    [
        (48000, 2, "PCM_24", 1.0),
        (44100, 2, "FLOAT", 5.0),
        (96000, 1, "PCM_16", 0.3),
        (8000, 1, "PCM_16", 1.0),
    ],
)
def test_all_forms_are_equally_loud_when_the_files_are_measured_again(
    tmp_path: Path, rate: int, channels: int, subtype: str, gain: float
) -> None:
    song = make_song(tmp_path, rate=rate, channels=channels, subtype=subtype, gain=gain, tempo=123.4)
    manifest = render_forms(song)
    assert max(form.gain_db for form in manifest.forms) <= 0
    for form in manifest.forms:
        path = song.folder / form.wav
        assert lufs(path) == pytest.approx(manifest.target_lufs, abs=0.05)
        assert form.lufs == pytest.approx(manifest.target_lufs, abs=0.05)
        assert form.lufs == pytest.approx(form.own_lufs + form.gain_db, abs=0.01)
        assert form.true_peak_dbtp <= -1
        assert true_peak_dbtp(path) <= -1 + 0.1  # scipy's filter is another one
        assert soundfile.info(path).subtype == "PCM_24"
        assert soundfile.info(path).samplerate == rate
    at_its_limit = [f for f in manifest.forms if f.gain_db == 0 or f.true_peak_dbtp > -1.01]
    assert at_its_limit
    assert (gain == 5) == (min(form.gain_db for form in manifest.forms) < -6)


def test_same_gain_leaves_shared_bars_identical(tmp_path: Path) -> None:
    song = make_song(tmp_path, gain=3.0, subtype="FLOAT", render={"matching": "same gain"})
    manifest = render_forms(song)
    assert manifest.target_lufs is None
    assert len({form.gain_db for form in manifest.forms}) == 1
    assert manifest.spread_lu > 0.5
    for form in manifest.forms:
        assert lufs(song.folder / form.wav) == pytest.approx(form.own_lufs + form.gain_db, abs=0.05)
    lead = manifest.lead_frames
    first = {"as written": 6 * BAR, "refrain first": 0, "twice": 4 * BAR}  # where the refrain begins
    refrains = [
        soundfile.read(path, dtype="int32")[0][lead + first[name] :][: 3 * BAR]
        for name, path in wavs(song, manifest).items()
    ]
    assert (refrains[0] == refrains[1]).all() and (refrains[0] == refrains[2]).all()


def test_a_render_is_the_splice_times_its_gain_to_one_step_of_24_bit(tmp_path: Path) -> None:
    song = make_song(tmp_path)
    manifest = render_forms(song)
    mixes = Mixes(song, read_audio(song.audio.path), None)
    for form in manifest.forms:
        splicer = Splicer(lay_out(song, song.form(form.name)), mixes, manifest.lead_frames)
        expected = np.concatenate(list(splicer.blocks())).astype(np.float64) * 10 ** (form.gain_db / 20)
        written = soundfile.read(song.folder / form.wav, dtype="int32", always_2d=True)[0] / 256
        assert len(written) == form.frames == splicer.frames
        off = written - expected * (1 << 23)
        assert np.abs(off).max() <= 1  # half a step, and what float32 products add near full scale
        assert np.sqrt(np.mean(off**2)) < 0.3  # rounding alone: 1/sqrt(12) = 0.289


def test_a_form_without_gain_keeps_the_bounces_own_24_bits(tmp_path: Path) -> None:
    song = make_song(tmp_path, forms={"b": ["outro", "refrain", "refrain"]})  # louder: "as written" stays
    manifest = render_forms(song)
    written = manifest.forms[0]
    assert written.gain_db == 0
    source = soundfile.read(song.audio.path, dtype="int32")[0]
    render = soundfile.read(song.folder / written.wav, dtype="int32")[0]
    assert (render[manifest.lead_frames - LEAD_IN :] == source).all()


def test_the_manifest_states_what_json_promises(tmp_path: Path) -> None:
    song = make_song(tmp_path)
    values = render_forms(song).as_json()
    assert set(values) == {"target_lufs", "ceiling_dbtp", "matching", "spread_lu", "forms"}
    assert set(values["forms"][0]) == {
        "name", "wav", "lufs", "true_peak_dbtp", "lra_lu", "gain_db", "seconds", "frames", "joins",
    }  # fmt: skip
    assert values["ceiling_dbtp"] == -1
    for form in values["forms"]:
        assert (tmp_path / form["wav"]).is_file()
        assert form["seconds"] == form["frames"] / 48000


def test_the_manifest_says_where_each_part_sounds(tmp_path: Path) -> None:
    song = make_song(tmp_path)
    manifest = render_forms(song)
    twice = next(form for form in manifest.forms if form.name == "twice")
    assert [(p.text, p.start_bar, p.bars) for p in twice.parts] == [
        ("intro", 0, 2), ("verse bars 1-2", 2, 2), ("refrain", 4, 4), ("refrain", 8, 4),
        ("silence 1 bar", 12, 1), ("outro", 13, 2),
    ]  # fmt: skip
    for part in twice.parts:
        assert part.start_s == pytest.approx(manifest.lead_s + 2 * part.start_bar)
    assert [join.bar for join in twice.joins] == [5, 9, 13, 14]
    assert {join.form for join in twice.joins} == {"twice"}


def test_the_spread_is_what_a_shared_section_may_differ_by(tmp_path: Path) -> None:
    manifest = render_forms(make_song(tmp_path))
    gains_db = [form.gain_db for form in manifest.forms]
    assert manifest.spread_lu == pytest.approx(max(gains_db) - min(gains_db))


def test_no_loudness_range_below_3_seconds(tmp_path: Path) -> None:
    forms = {"short": {"parts": ["intro bars 1"], "ending": "cut"}}
    manifest = render_forms(make_song(tmp_path, forms=forms))
    assert [form.lra_lu is None for form in manifest.forms] == [False, True]


# Refused


def test_a_form_wholly_below_the_gate_is_refused(tmp_path: Path) -> None:
    audio = np.zeros((LEAD_IN + 13 * BAR, 2), np.float32)
    audio[: LEAD_IN + 6 * BAR] = 0.1 * np.random.default_rng(1).standard_normal((LEAD_IN + 6 * BAR, 2))
    song = make_song(tmp_path, audio=audio, forms={"quiet": ["outro"]})
    with pytest.raises(RenderError, match=r'"quiet" is wholly below -70 LUFS'):
        render_forms(song)
    assert not list(tmp_path.rglob("*.wav"))[1:]  # the song alone


def test_a_form_shorter_than_a_block_is_refused(tmp_path: Path) -> None:
    forms = {"short": {"parts": ["intro bars 1"], "ending": "cut"}}
    song = make_song(tmp_path, tempo=960, start=0, bars=12, forms=forms)  # bars of a quarter of a second
    with pytest.raises(RenderError, match=r'"short" lasts 0\.25 s; loudness needs at least 0\.4 s'):
        render_forms(song)


def test_two_forms_that_are_the_same_to_the_sample_are_refused(tmp_path: Path) -> None:
    forms = {"one": ["verse", "outro"], "two": ["verse bars 1", "verse bars 2-4", "outro"]}
    with pytest.raises(RenderError, match=r'forms\."two" is the same as "one", to the sample'):
        render_forms(make_song(tmp_path, forms=forms))
    with pytest.raises(RenderError, match='the same as "as written"'):
        render_forms(make_song(tmp_path, forms={"whole": ["intro", "verse", "refrain", "outro"]}))


@pytest.mark.parametrize(
    ("limit", "value", "said"),
    [
        ("TOLERANCE_LU", -1, r'"as written" measures -?[\d.]+ LUFS after writing, .* it was not kept: check'),
        (
            "CEILING_DBTP",
            -99,
            r'"as written" peaks at -?[\d.]+ dBTP after writing, above -99 dBTP; it',
        ),
    ],
)
def test_a_file_that_measures_otherwise_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limit: str, value: int, said: str
) -> None:
    song = make_song(tmp_path)
    monkeypatch.setattr(render.renders.render_forms, "match", lambda own, _: (None, dict.fromkeys(own, 0.0)))
    monkeypatch.setattr(render.renders.matching, limit, value)
    with pytest.raises(RenderError, match=said):
        render_forms(song)
    assert list((tmp_path / "renders").iterdir()) == []
