"""The way of joining is kept with the renders: an upgrade changes nothing that a study began with."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from listening.rendering import render_study
from render.audio.splice import Splicer
from render.audio.stems import Mixes
from render.audio.timeline import lay_out
from render.renders.manifest import SUM, Manifest, as_begun, manifest_path
from render.renders.render_forms import render_forms
from render.song.song import NEWEST_JOINING, WITHOUT_STEMS, load_song
from render.steps import no_step
from sessions.study import Study
from tests.songs import make_song, make_study


def hashes(manifest: Manifest) -> dict[str, str]:
    return {form.name: form.content_hash for form in manifest.forms}


def test_a_new_study_is_joined_in_the_newest_way(tmp_path: Path) -> None:
    song = make_song(tmp_path)
    newest, first = render_forms(song), replace(song, joining=1)
    assert newest.joining == WITHOUT_STEMS and as_begun(song).joining == WITHOUT_STEMS
    manifest_path(tmp_path).unlink()
    before = hashes(render_forms(first))
    assert before["as written"] == hashes(newest)["as written"]  # it has no joins
    assert before["refrain first"] != hashes(newest)["refrain first"]


def test_with_stems_a_new_study_joins_each_on_its_own_and_one_begun_without_goes_on_as_it_was(
    tmp_path: Path,
) -> None:
    alone = render_forms(make_song(tmp_path / "a"))
    with_stems = make_song(tmp_path / "b", stems=("drums", "voice"))
    assert render_forms(with_stems).joining == NEWEST_JOINING
    begun = make_song(tmp_path / "a", stems=("drums", "voice"))  # the same bounce, stems added later
    assert begun.joining == NEWEST_JOINING
    again = render_forms(begun)
    assert again.joining == WITHOUT_STEMS and hashes(again) == hashes(alone)


def test_other_stems_make_other_forms_only_where_there_are_joins(tmp_path: Path) -> None:
    before = hashes(render_forms(make_song(tmp_path, stems=("drums", "voice"))))
    after = hashes(render_forms(make_song(tmp_path, stems=("bass", "voice"))))
    assert before["as written"] == after["as written"]
    assert before["refrain first"] != after["refrain first"]


def test_a_study_rendered_before_there_were_versions_keeps_its_renders(tmp_path: Path) -> None:
    old = render_forms(replace(make_song(tmp_path), joining=1))
    for path in (tmp_path / "renders").glob("manifest*.json"):  # as they were written then
        content = json.loads(path.read_text(encoding="utf-8"))
        del content[SUM], content["joining"]
        whole = hashlib.sha256(json.dumps(content, sort_keys=True).encode("ascii")).hexdigest()
        path.write_text(json.dumps({SUM: whole, **content}), encoding="utf-8")
    again = render_forms(load_song(tmp_path))
    assert again.joining == 1 and again == old
    assert as_begun(load_song(tmp_path)).joining == 1 and Study(tmp_path).song.joining == 1


def test_a_lost_manifest_retires_no_form_that_the_log_knows(tmp_path: Path) -> None:
    study = Study(make_study(tmp_path))
    old = render_forms(replace(study.song, joining=1))
    study.register(old)
    for path in (tmp_path / "renders").glob("manifest*.json"):
        path.unlink()
    again = render_study(Study(tmp_path), no_step)
    assert hashes(again.manifest) == hashes(old) and again.retired == ()


def test_a_form_that_opens_in_mid_song_fades_in_where_there_is_no_lead_in(tmp_path: Path) -> None:
    """start = 0: nothing lies before the line, so the fade begins on it; once it began on a full sample."""
    audio = np.full((12 * 96000, 1), 0.25, np.float32)
    song = make_song(tmp_path, audio=audio, start=0, forms={"tried": ["outro", "verse"]}, channels=1)
    mixes = Mixes(song, audio, None)

    def opening(joining: int, name: str) -> np.ndarray:
        form = song.form(name)
        return Splicer(lay_out(replace(song, joining=joining), form), mixes, 0).read(0, 480)[:, 0]

    assert np.all(opening(1, "tried") == 0.25)
    faded = opening(2, "tried")
    assert faded[0] < 1e-4 and np.all(np.diff(faded[:240]) > 0) and np.all(faded[240:] == 0.25)
    assert np.all(opening(2, "as written") == 0.25)  # the whole file, sample for sample
