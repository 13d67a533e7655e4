"""A study as one file and back, checked by Python's own zipfile and by sha256sum."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.errors import BundleError
from render.song.song import load_song
from sessions.bundle.checking import check_bundle
from sessions.bundle.opening import open_bundle
from sessions.bundle.writing import bundle_bytes, caution, write_bundle
from sessions.study import Study
from tests.command_line import told
from tests.short_study import do_round, small_study


def step(_what: str, _done: int, _of: int) -> None:
    pass


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A study in which somebody has rated, sealed."""
    rated = small_study(tmp_path_factory.mktemp("study"))
    do_round(rated, rated.song.listeners[0].name)
    return rated


@pytest.fixture(scope="module")
def bundle(study: Study, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bundle") / "song.zip"
    write_bundle(study, path, step, sealed_too=True)
    return path


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="needs sha256sum (coreutils)")
def test_sha256sum_and_pythons_zipfile_verify_it(bundle: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(bundle) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path)
    done = subprocess.run(
        ["sha256sum", "-c", "--strict", "SHA256SUMS"], cwd=tmp_path, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": OK") == len(list((tmp_path / "study").rglob("*.*")))


def test_the_recipe_inside_works_with_nothing_but_python(bundle: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(bundle) as archive:
        archive.extractall(tmp_path)
    text = (tmp_path / "README.txt").read_text(encoding="utf-8")
    recipe = "\n".join(line[4:] for line in text.splitlines() if line.startswith("    "))
    (tmp_path / "study" / "song.toml").write_text("changed", encoding="utf-8")
    done = subprocess.run([sys.executable, "-I", "-c", recipe], cwd=tmp_path, capture_output=True, text=True)
    lines = done.stdout.splitlines()
    assert lines[0] == "DAMAGED study/song.toml" and all(line.startswith("whole ") for line in lines[1:])
    assert "sealed" in text and "ratings" in text


def test_it_becomes_the_same_study_elsewhere(study: Study, bundle: Path, tmp_path: Path) -> None:
    opened = open_bundle(bundle, tmp_path / "new" / "here")
    again = Study(tmp_path / "new" / "here", study.clock)
    assert opened.is_whole and str(len(opened.safe)) in opened.lines[0]
    assert again.log.contents() == study.log.contents()
    assert again.changed_forms(again.require_fresh_renders()) == []
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == ["here"]
    assert (again.folder / "song.toml").read_bytes() == (study.folder / "song.toml").read_bytes()


def test_a_sealed_study_needs_a_second_yes(study: Study, tmp_path: Path) -> None:
    assert "ratings" in caution(study) and "seed" in caution(study)
    with pytest.raises(BundleError, match="sealed"):
        write_bundle(study, tmp_path / "a.zip", step)
    assert not list(tmp_path.iterdir())
    assert "sealed" in told(study.folder, "bundle", str(tmp_path / "a.zip"), code=1)
    told(study.folder, "bundle", str(tmp_path / "a.zip"), "--yes")
    assert check_bundle(tmp_path / "a.zip").is_whole


def test_what_lies_outside_the_folder_comes_along_and_is_named_inside(study: Study, tmp_path: Path) -> None:
    folder = tmp_path / "study"
    shutil.copytree(study.folder, folder)
    text = (folder / "song.toml").read_text(encoding="utf-8")
    name = load_song(folder).audio.path.name
    (tmp_path / "bounces").mkdir()
    (folder / name).rename(tmp_path / "bounces" / name)
    assert text.count(f'"{name}"') == 1
    outside = f"# my own words\n{text}".replace(f'"{name}"', f'"../bounces/{name}"')
    (folder / "song.toml").write_text(outside, encoding="utf-8")
    done = write_bundle(Study(folder, study.clock), tmp_path / "a.zip", step, sealed_too=True)
    assert "outside the study's folder" in done.notes[0]
    open_bundle(tmp_path / "a.zip", tmp_path / "new")
    assert load_song(tmp_path / "new").audio.path == tmp_path / "new" / "sources" / name
    assert "# my own words" in (tmp_path / "new" / "song.toml").read_text(encoding="utf-8")
    assert Study(tmp_path / "new").changed_forms(Study(tmp_path / "new").manifest) == []


def test_its_size_is_known_before(study: Study, bundle: Path) -> None:
    assert bundle_bytes(study) == pytest.approx(bundle.stat().st_size, rel=0.05)


def test_nothing_is_written_over(study: Study, bundle: Path, tmp_path: Path) -> None:
    with pytest.raises(BundleError, match="exists"):
        write_bundle(study, bundle, step, sealed_too=True)
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(BundleError, match="not empty"):
        open_bundle(bundle, tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_while_somebody_rates_the_log_is_one_state(study: Study, tmp_path: Path) -> None:
    with study.log.store.writing():
        write_bundle(study, tmp_path / "a.zip", step, sealed_too=True)
    open_bundle(tmp_path / "a.zip", tmp_path / "new")
    assert Study(tmp_path / "new").log.contents() == study.log.contents()


def test_a_study_that_nobody_has_heard_is_not_sealed(tmp_path: Path) -> None:
    sound = np.random.default_rng(1).normal(0, 0.1, (8 * 8000, 1))
    (tmp_path / "s").mkdir()
    soundfile.write(tmp_path / "s" / "song.wav", sound, 8000, subtype="PCM_24")
    (tmp_path / "s" / "song.toml").write_text(
        '[song]\ntitle = "A/B: C"\naudio = "song.wav"\ntempo = 120\n[sections]\na = { bars = "1-4" }\n'
    )
    told(tmp_path / "s", "bundle", str(tmp_path / "a.zip"))
    assert check_bundle(tmp_path / "a.zip").safe == ("study/song.toml", "study/song.wav")
