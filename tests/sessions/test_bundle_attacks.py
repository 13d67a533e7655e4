"""Bundles that are damaged, or made to do harm: named, and nothing of them is left."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import stat
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from render.errors import BundleError, FairhearingError
from render.renders.manifest import MANIFEST, read_manifest, write_manifest
from sessions.bundle.checking import check_bundle
from sessions.bundle.names import name_problem
from sessions.bundle.opening import open_bundle
from sessions.bundle.writing import write_bundle
from tests.command_line import told
from tests.short_study import do_round, small_study


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    study = small_study(tmp_path_factory.mktemp("study"))
    do_round(study, study.song.listeners[0].name)
    path = tmp_path_factory.mktemp("bundle") / "song.zip"
    write_bundle(study, path, lambda *_: None, sealed_too=True)
    return path


def files_of(bundle: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(bundle) as archive:
        return {info.filename: archive.read(info) for info in archive.infolist()}


def written(path: Path, files: dict[str, bytes], kind: int = zipfile.ZIP_STORED, mode: int = 0o600) -> Path:
    """A bundle of these files with sums that are right."""
    inside = {name: data for name, data in files.items() if name not in ("SHA256SUMS", "README.txt")}
    sums = "".join(f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in inside.items())
    with zipfile.ZipFile(path, "w", kind) as out:
        for name, data in (inside | {"SHA256SUMS": sums.encode()}).items():
            info = zipfile.ZipInfo(name)
            info.external_attr = (mode if name not in ("SHA256SUMS", "study/song.toml") else 0o600) << 16
            out.writestr(info, data, kind)
    return path


def refusal(path: Path, folder: Path) -> str:
    """What opening a bundle is refused with; nothing is left of it, inside or outside of the folder."""
    before = sorted(folder.parent.iterdir())
    with pytest.raises(BundleError) as refused:
        open_bundle(path, folder)
    assert sorted(folder.parent.iterdir()) == before
    return str(refused.value)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("study/../../evil", "leads out"), ("/etc/evil", "absolute"), ("C:/evil", "absolute"),
        ("study\\..\\evil", "leads out"), ("study/con.wav", "Windows"), ("study/a ", "Windows"),
        ("study/a:b", "not every system"), ("evil", "outside of the study"), ("study//a", "none"),
        ("study/./a", "none"), ("study/a\x07b", "not every system"), ("study/SONG.toml", "there twice"),
    ],
)  # fmt: skip
def test_no_name_leads_out_of_the_folder(bundle: Path, tmp_path: Path, name: str, said: str) -> None:
    path = written(tmp_path / "a.zip", files_of(bundle) | {name: b"evil"})
    with pytest.raises(BundleError, match="not opened"):
        check_bundle(path)
    assert said in refusal(path, tmp_path / "new")


def test_a_link_is_refused(bundle: Path, tmp_path: Path) -> None:
    path = written(tmp_path / "a.zip", files_of(bundle) | {"study/x": b"/etc"}, mode=stat.S_IFLNK | 0o777)
    assert "a link" in refusal(path, tmp_path / "new")


def test_packed_files_are_refused_before_they_grow(bundle: Path, tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.zip", {"study/zeros": bytes(10_000_000)} | files_of(bundle), zipfile.ZIP_DEFLATED
    )
    assert "stored as they are" in refusal(path, tmp_path / "new")


def test_several_names_for_the_same_bytes_are_refused(bundle: Path, tmp_path: Path) -> None:
    files = files_of(bundle) | {"study/big": bytes(2_000_000)}
    files |= {f"study/b{n:02}": bytes(2_000_000) for n in range(3)}
    path = written(tmp_path / "a.zip", files)
    data = path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        at = archive.getinfo("study/big").header_offset
        size = archive.start_dir
    cut = data[: at + 2_000_300] + data[size:]  # directory entries now share what is left
    path.write_bytes(cut)
    with pytest.raises(FairhearingError):
        open_bundle(path, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('audio = "', 'audio = "/etc/', "absolute"),
        ('audio = "', 'audio = "../', "leads out"),
        ('audio = "', 'audio = "C:', "absolute"),
        ("[stems]", '[stems]\nx = "../x.wav"', "leads out"),
        ('audio = "', 'beats = "/etc/passwd"\naudio = "', "absolute"),
        ("[song]", "[song", "cannot be read"),
    ],
)
def test_song_toml_names_nothing_elsewhere(
    bundle: Path, tmp_path: Path, old: str, new: str, said: str
) -> None:
    files = files_of(bundle)
    text = files["study/song.toml"].decode().replace('"audio"', "audio").replace('["stems"]', "[stems]")
    assert old in text
    files["study/song.toml"] = text.replace(old, new, 1).encode()
    assert said in refusal(written(tmp_path / "a.zip", files), tmp_path / "new")


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("CREATE TRIGGER t AFTER INSERT ON ratings BEGIN DELETE FROM ratings; END", "trigger"),
        ("CREATE VIEW v AS SELECT * FROM ratings", "view"),
        ("CREATE VIRTUAL TABLE f USING fts5(x)", "table"),
        ("CREATE TABLE other (x)", "table"),
    ],
)
def test_a_log_is_data_and_nothing_else(bundle: Path, tmp_path: Path, sql: str, said: str) -> None:
    files = files_of(bundle)
    log = tmp_path / "log.sqlite"
    log.write_bytes(files["study/log.sqlite"])
    with sqlite3.connect(log) as connection:
        connection.execute(sql)
    connection.close()
    files["study/log.sqlite"] = log.read_bytes()
    message = refusal(written(tmp_path / "a.zip", files), tmp_path / "new")
    assert "its log holds a" in message and said in message


def test_a_log_that_is_no_database(bundle: Path, tmp_path: Path) -> None:
    files = files_of(bundle) | {"study/log.sqlite": b"SQLite format 3\0" + bytes(3000)}
    assert "its log" in refusal(written(tmp_path / "a.zip", files), tmp_path / "new")


def test_renders_that_lie_elsewhere_are_refused(bundle: Path, tmp_path: Path) -> None:
    shutil.unpack_archive(bundle, tmp_path / "x", "zip")
    path = tmp_path / "x" / "study" / "renders" / MANIFEST
    manifest = read_manifest(path)
    evil = manifest.forms[0].model_copy(update={"wav": "renders/../../../etc/passwd"})
    write_manifest(manifest.model_copy(update={"forms": (evil, *manifest.forms[1:])}), path)
    files = files_of(bundle) | {f"study/renders/{MANIFEST}": path.read_bytes()}
    assert "no render of the study" in refusal(written(tmp_path / "a.zip", files), tmp_path / "new")


def test_a_damaged_bundle_says_what_is_damaged_and_what_is_safe(bundle: Path, tmp_path: Path) -> None:
    data = bytearray(bundle.read_bytes())
    with zipfile.ZipFile(bundle) as archive:
        wav = max(archive.infolist(), key=lambda info: info.file_size)
    data[wav.header_offset + 5000] ^= 1
    path = tmp_path / "a.zip"
    path.write_bytes(data)
    checked = check_bundle(path)
    assert [damage.name for damage in checked.damaged] == [wav.filename]
    assert "study/log.sqlite" in checked.safe and "study/song.toml" in checked.safe
    message = refusal(path, tmp_path / "new")
    assert f"damaged: {wav.filename}" in message and "safe: study/log.sqlite" in message
    said = told(tmp_path, "bundle", "--check", str(path), code=1)
    assert f"damaged: {wav.filename}" in said and "safe: study/log.sqlite" in said


def test_missing_and_added_files_are_named(bundle: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(bundle) as archive, zipfile.ZipFile(tmp_path / "a.zip", "w") as out:
        for info in archive.infolist():
            if info.filename != "study/log.sqlite":
                out.writestr(info, archive.read(info))
        out.writestr("study/added", b"x")
    reasons = {damage.name: damage.reason for damage in check_bundle(tmp_path / "a.zip").damaged}
    assert reasons == {"study/log.sqlite": "missing", "study/added": "no sum is known of it"}


def test_no_bundle_at_all(bundle: Path, tmp_path: Path) -> None:
    (tmp_path / "cut.zip").write_bytes(bundle.read_bytes()[:-30])
    (tmp_path / "text.zip").write_text("hello")
    (tmp_path / "empty.zip").write_bytes(b"")
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as out:
        out.writestr("README.txt", "x")
    for name in ("cut.zip", "text.zip", "empty.zip", "other.zip", "none.zip"):
        told(tmp_path, "bundle", "--check", str(tmp_path / name), code=1)
        refusal(tmp_path / name, tmp_path / "new")


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_bytes_changed_are_found_or_refused(
    bundle: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    content = bytearray(bundle.read_bytes())
    tail = 20_000  # the sums and the directory; the audio's bytes are many and alike
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(
            st.one_of(st.integers(0, len(content) - 1), st.integers(len(content) - tail, len(content) - 1))
        )
        content[at] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.mktemp("flips") / "a.zip"
    path.write_bytes(content)
    try:
        checked = check_bundle(path)
    except BundleError:
        return
    if checked.is_whole:  # then every file is as it was
        ours = files_of(bundle)
        assert all(ours[name] == data for name, data in files_of(path).items() if name in checked.safe)
    path.unlink()


@settings(max_examples=300)
@given(st.text(max_size=40))
def test_a_name_without_a_problem_stays_inside(name: str) -> None:
    if not name_problem(name):
        assert Path("/x/study", name).resolve().is_relative_to("/x/study") and "\\" not in name
