"""The renders' folder: nothing done twice, nothing that gives a form away, nothing lost or left half-made."""

import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile

from render.errors import ManifestError, NotRenderedError, WriteError
from render.renders.manifest import Manifest, keep_set, manifest_path, read_manifest
from render.renders.render_forms import render_forms
from render.song.song import Song, load_song
from tests.disks import small_disk
from tests.places import ROOT
from tests.renders import chunks, require_whole
from tests.songs import FORMS, SECTIONS, make_song, make_study

SHORT = {"rate": 16000, "channels": 1, "subtype": "PCM_16"}
STEADY = {"loud": ["refrain", "outro"], "quiet": ["intro", "verse"]}  # "quiet" sets the target


def study(
    folder: Path,
    forms: dict[str, list[str]] = STEADY,
    **options: Any,
) -> Song:
    return make_song(folder, forms=forms, **{**SHORT, **options})


def rendered(song: Song, **options: Callable[..., Any]) -> tuple[Manifest, list[str]]:
    """(manifest, what was done) of a render."""
    steps = []
    manifest = render_forms(song, progress=lambda what, _done, _of: steps.append(what), **options)
    return manifest, sorted(steps)


def files(folder: Path) -> dict[str, tuple[int, int]]:
    """name -> (inode, time) of the renders' folder."""
    return {p.name: (p.stat().st_ino, p.stat().st_mtime_ns) for p in (folder / "renders").iterdir()}


def wavs(manifest: Manifest) -> dict[str, str]:
    return {form.name: Path(form.wav).name for form in manifest.forms}


# What the files give away


def test_files_tell_no_form_from_another(tmp_path: Path) -> None:
    song = make_song(tmp_path, **SHORT)
    manifest = render_forms(song)
    names = list(wavs(manifest).values())
    assert all(re.fullmatch(r"[0-9a-f]{12}\.wav", name) for name in names)
    assert len({(tmp_path / form.wav).stat().st_size for form in manifest.forms}) == 1
    assert len({form.frames for form in manifest.forms}) == 3  # though they last differently long
    for form in manifest.forms:
        riff_chunks = chunks(tmp_path / form.wav)
        assert [kind for kind, _ in riff_chunks] == [b"fmt ", b"data", b"JUNK"]
        assert not any(riff_chunks[2][1])
        assert form.name.encode() not in (tmp_path / form.wav).read_bytes()


def test_names_do_not_follow_the_order_of_the_forms(tmp_path: Path) -> None:
    first = [wavs(render_forms(study(tmp_path / str(k)))) for k in range(4)]
    assert len({tuple(names.values()) for names in first}) == 4  # drawn, not computed
    assert any(list(names.values()) != sorted(names.values()) for names in first)


# Only what is needed


def test_a_second_render_does_no_work(tmp_path: Path) -> None:
    song = study(tmp_path)
    manifest, steps = rendered(song)
    assert steps == [
        "measured the bounce",
        "read the bounce",
        *(f'rendered "{name}"' for name in ("as written", "loud", "quiet")),
    ]
    before = files(tmp_path)
    again, steps = rendered(load_song(tmp_path))
    assert (again, steps) == (manifest, [])
    assert {n: f for n, f in files(tmp_path).items() if n.endswith(".wav")} == {
        n: f for n, f in before.items() if n.endswith(".wav")
    }


def test_with_stems_too(tmp_path: Path) -> None:
    song = study(tmp_path, {"a": ["verse without voice", "outro"]}, stems=("drums", "voice"))
    _, steps = rendered(song)
    assert "compare the stems with the bounce" in steps
    assert rendered(load_song(tmp_path))[1] == []


def test_a_changed_form_renders_only_itself(tmp_path: Path) -> None:
    before = wavs(render_forms(study(tmp_path)))
    song = study(tmp_path, {**STEADY, "loud": ["refrain x2"]})
    manifest, steps = rendered(song)
    assert steps == ["measured the bounce", "read the bounce", 'rendered "loud"']
    after = wavs(manifest)
    assert {name for name in after if after[name] != before[name]} == {"loud"}
    assert before["loud"] not in files(tmp_path)
    require_whole(tmp_path, manifest)


def test_an_added_form_renders_only_itself(tmp_path: Path) -> None:
    before = wavs(render_forms(study(tmp_path)))
    manifest, steps = rendered(study(tmp_path, {**STEADY, "new": ["refrain", "verse", "outro"]}))
    assert 'rendered "new"' in steps and len(steps) == 3
    assert {n: f for n, f in wavs(manifest).items() if n != "new"} == before


def test_when_the_target_moves_all_are_rendered_anew(tmp_path: Path) -> None:
    before, _ = rendered(study(tmp_path))
    after, steps = rendered(study(tmp_path, {**STEADY, "quieter": ["intro", "intro"]}))
    assert after.target_lufs is not None and before.target_lufs is not None
    assert after.target_lufs is not None and before.target_lufs is not None
    assert after.target_lufs < before.target_lufs - 0.1
    assert sum(step.startswith("rendered") for step in steps) == 4
    assert sum(step.startswith("measured") for step in steps) == 1  # the others are known
    assert not set(wavs(before).values()) & set(wavs(after).values())


def test_another_lead_in_renders_all_anew(tmp_path: Path) -> None:
    before = render_forms(study(tmp_path, {"a": ["verse", "outro"]}))
    after, steps = rendered(study(tmp_path, {"a": ["verse", "outro"], "b": ["refrain", "verse"]}))
    assert after.lead_frames > before.lead_frames
    assert sum(step.startswith("rendered") for step in steps) == 3
    require_whole(tmp_path, after)


def test_changed_audio_renders_all_anew(tmp_path: Path) -> None:
    before = render_forms(study(tmp_path))
    after, steps = rendered(study(tmp_path, seed=2))
    assert after.audio.sha256 != before.audio.sha256
    assert sum(step.startswith("rendered") for step in steps) == 3


def test_a_changed_stem_renders_the_forms_that_use_it(tmp_path: Path) -> None:
    options = {"forms": {"a": ["verse without voice", "outro"]}, "stems": ("drums", "voice"), **SHORT}
    before = wavs(render_forms(make_song(tmp_path, **options)))
    path = tmp_path / "stems" / "voice.wav"
    audio, rate = soundfile.read(path)
    soundfile.write(path, audio * 0.5, rate)
    after = wavs(render_forms(load_song(tmp_path)))
    assert after["a"] != before["a"]


def test_a_render_that_is_missing_or_cut_is_made_again(tmp_path: Path) -> None:
    song = study(tmp_path)
    manifest = render_forms(song)
    one, two, three = (tmp_path / form.wav for form in manifest.forms)
    one.unlink()
    two.write_bytes(two.read_bytes()[:-1000])
    again, steps = rendered(song)
    assert sum(step.startswith("rendered") for step in steps) == 2
    assert three.name in wavs(again).values()
    require_whole(tmp_path, again)


def test_new_names_are_in_the_manifest_without_a_new_render(tmp_path: Path) -> None:
    forms = {"tried": ["verse", "outro", "intro"]}
    before = render_forms(study(tmp_path, forms))
    sections = {{"verse": "strophe"}.get(name, name): value for name, value in SECTIONS.items()}
    after, steps = rendered(study(tmp_path, {"renamed": ["strophe", "outro", "intro"]}, sections=sections))
    assert not any(step.startswith("rendered") for step in steps)
    assert list(wavs(after).values()) == list(wavs(before).values())
    form = after.forms[1]
    assert (form.name, form.parts[0].text) == ("renamed", "strophe")
    assert {join.form for join in form.joins} == {"renamed"}
    assert "verse" not in manifest_path(tmp_path).read_text(encoding="utf-8")


def test_a_pickup_declared_later_is_in_the_joins_without_a_new_render(tmp_path: Path) -> None:
    """The verse's last beat is then a stray pickup of the refrain, where something else follows."""
    plain = {**SECTIONS, "refrain": "7-10"}
    forms = {"tried": ["verse", "outro"]}
    before = render_forms(study(tmp_path, forms, sections=plain)).forms[1]
    after = render_forms(study(tmp_path, forms)).forms[1]
    assert after.wav == before.wav
    assert [join.stray_pickup for join in before.joins] == [None] * 2
    assert 'pickup of "refrain"' in str(after.joins[-1].stray_pickup)


# Sets that open rounds still need


@pytest.mark.usefixtures("on_both_stores")
def test_an_open_rounds_renders_stay_until_it_is_done(tmp_path: Path) -> None:
    old = render_forms(study(tmp_path))
    changed = study(tmp_path, {"loud": ["refrain x2"], "quiet": ["intro", "intro"]})
    new = render_forms(changed, keep_sets=lambda: {old.set_id})
    assert read_manifest(manifest_path(tmp_path, old.set_id)) == old
    assert read_manifest(manifest_path(tmp_path)) == new
    require_whole(tmp_path, old)
    require_whole(tmp_path, new)
    render_forms(changed)
    assert set(files(tmp_path)) == {*wavs(new).values(), "manifest.json", f"manifest-{new.set_id}.json"}


@pytest.mark.usefixtures("on_both_stores")
def test_an_open_rounds_renders_stay_of_one_size_when_a_longer_form_comes(tmp_path: Path) -> None:
    """ "as written" and "quiet" are in both sets, "loud" in the old one alone: none may differ in size."""
    old = render_forms(study(tmp_path))
    longer = study(tmp_path, {"quiet": STEADY["quiet"], "long": ["refrain", "verse", "refrain x4", "outro"]})
    new, steps = rendered(longer, keep_sets=lambda: {old.set_id})
    assert [step for step in steps if step.startswith("rendered")] == ['rendered "long"']
    assert new.file_bytes > old.file_bytes
    require_whole(tmp_path, old)
    require_whole(tmp_path, new)


def test_files_of_others_in_the_folder_stay(tmp_path: Path) -> None:
    song = study(tmp_path)
    render_forms(song)
    for name in ("mine.wav", "notes.json", "0123456789ab.flac", "0123456789ab.wav"):
        (tmp_path / "renders" / name).write_bytes(b"x")
    render_forms(song)
    assert {"mine.wav", "notes.json"} <= set(files(tmp_path))
    assert not {"0123456789ab.flac", "0123456789ab.wav"} & set(
        files(tmp_path)
    )  # named as ours, needed by none


# Damage


@pytest.mark.parametrize("content", ["", "{", "[]", '{"version": 2}', "\ufffd" * 10])
def test_a_damaged_manifest_is_made_anew(tmp_path: Path, content: str) -> None:
    song = study(tmp_path)
    old = render_forms(song)
    manifest_path(tmp_path).write_text(content, encoding="utf-8")
    with pytest.raises(ManifestError, match=r"manifest\.json is damaged; run `fairhearing render`"):
        read_manifest(manifest_path(tmp_path))
    new = render_forms(song)
    assert read_manifest(manifest_path(tmp_path)) == new
    assert [f.content_hash for f in new.forms] == [f.content_hash for f in old.forms]
    require_whole(tmp_path, new)


@pytest.mark.usefixtures("on_both_stores")
def test_a_damaged_manifest_of_an_open_round_costs_nothing(tmp_path: Path) -> None:
    old = render_forms(study(tmp_path))
    manifest_path(tmp_path, old.set_id).write_text("{", encoding="utf-8")
    render_forms(study(tmp_path, {"b": ["refrain x2"]}), keep_sets=lambda: {old.set_id})
    assert set(wavs(old).values()) <= set(files(tmp_path))


def test_no_manifest_yet(tmp_path: Path) -> None:
    with pytest.raises(NotRenderedError, match="nothing is rendered yet"):
        read_manifest(manifest_path(tmp_path))


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    song = study(tmp_path)
    (tmp_path / "renders").write_bytes(b"")
    with pytest.raises(WriteError, match="renders could not be written"):
        render_forms(song)


def test_a_set_is_kept_only_under_its_own_name(tmp_path: Path) -> None:
    manifest = render_forms(study(tmp_path))
    keep_set(manifest, tmp_path, {"no such set"})
    require_whole(tmp_path, manifest)


# A full disk, a killed process

RENDER = """
import signal, sys
from pathlib import Path
from render.errors import WriteError
from render.renders.render_forms import render_forms
from render.song.song import load_song

folder, most_bytes, kill = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "kill"
if most_bytes:
    import resource
    signal.signal(signal.SIGXFSZ, signal.SIG_DFL if kill else signal.SIG_IGN)  # dead at once, or an error
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
try:
    render_forms(load_song(folder))
except WriteError as error:
    print(error)
    sys.exit(1)
"""


def render_elsewhere(folder: Path, most_bytes: int = 0, kill: str = "") -> Any:
    command = [sys.executable, "-c", RENDER, str(folder), str(most_bytes), kill]
    root = ROOT
    return subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=root, check=False)


@pytest.mark.parametrize("share", [0.1, 0.9, 1.5])
def test_a_full_disk_leaves_no_half_written_render(tmp_path: Path, share: float) -> None:
    """A real small file system where one can be mounted, else the kernel's limit on a file's size.

    It is full within the first file, at its end, or within the second one.
    """
    song = study(tmp_path / "study")
    file_bytes = render_forms(study(tmp_path / "roomy")).file_bytes
    with small_disk(song.folder / "renders", round(share * file_bytes)) as remount:
        done = render_elsewhere(song.folder, 0 if remount("rw") else round(min(share, 0.9) * file_bytes))
        assert done.returncode == 1, done.stderr
        assert "could not be written" in done.stdout and "make room" in done.stdout
        assert list((song.folder / "renders").iterdir()) == []
    require_whole(song.folder, render_forms(song))  # with room again


def test_a_full_disk_leaves_the_last_renders_as_they_were(tmp_path: Path) -> None:
    old = render_forms(study(tmp_path))
    study(tmp_path, {"loud": ["refrain x2"], "quiet": ["intro", "intro"]})
    done = render_elsewhere(tmp_path, most_bytes=200_000)
    assert done.returncode == 1, done.stderr
    assert "could not be written" in done.stdout
    assert read_manifest(manifest_path(tmp_path)) == old
    require_whole(tmp_path, old)
    assert set(files(tmp_path)) == {*wavs(old).values(), "manifest.json", f"manifest-{old.set_id}.json"}


def test_a_killed_render_costs_nothing_and_the_next_one_clears_up(tmp_path: Path) -> None:
    big: dict[str, Any] = {"rate": 96000, "channels": 2}
    old = render_forms(make_song(tmp_path, **big))
    make_study(tmp_path, **big, forms={**FORMS, "new": ["refrain x2", "intro", "intro"]}, seed=2)
    done = render_elsewhere(tmp_path, most_bytes=200_000, kill="kill")
    assert done.returncode == -signal.SIGXFSZ, done.stderr
    assert [name for name in files(tmp_path) if name.endswith(".part")]  # it was caught in the act
    assert read_manifest(manifest_path(tmp_path)) == old
    require_whole(tmp_path, old)
    new = render_forms(load_song(tmp_path))
    require_whole(tmp_path, new)
    assert set(files(tmp_path)) == {*wavs(new).values(), "manifest.json", f"manifest-{new.set_id}.json"}
