"""renders/manifest.json: what was rendered, from what, how loud, and where each part sounds.

It ties forms to files, so it is the maker's; no listener's screen shows any of it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from render.audio.stem_fit import StemFit
from render.errors import ManifestError, NotRenderedError, RenderError
from render.files import replacing
from render.joins.finding import JoinFinding
from render.song.song import Song

RENDERS = "renders"
MANIFEST = "manifest.json"
SUM = "sha256"


# renders, their copies, older manifests, and what a killed render left half-written
_OURS = re.compile(r"[0-9a-f]{12}\.(wav|flac)|manifest-[0-9a-f]{16}\.json|\..+\.part")


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Fingerprint(_Frozen):
    """A file's SHA-256, with the size and mtime by which it is known to be unchanged."""

    name: str
    bytes: int
    mtime_ns: int
    sha256: str


class RenderedPart(_Frozen):
    """A part where it sounds in the render: seconds of the file, bars from the form's top."""

    text: str
    start_s: float
    stop_s: float
    start_bar: float
    bars: float


class RenderedForm(_Frozen):
    """One form's render. `own_*` are those before gain; the others are measured on the written file.

    `lra_lu` is None below 3 s.
    """

    name: str
    content_hash: str
    replaces: str | None
    wav: str
    sha256: str
    frames: int
    seconds: float
    own_lufs: float
    own_true_peak_dbtp: float
    gain_db: float
    lufs: float
    true_peak_dbtp: float
    lra_lu: float | None
    parts: tuple[RenderedPart, ...]
    joins: tuple[JoinFinding, ...]


class Manifest(_Frozen):
    """All forms of one render set, equally loud and equally large."""

    version: Literal[1] = 1
    set_id: str
    audio: Fingerprint
    stems: Mapping[str, Fingerprint]
    stem_fit: StemFit | None
    sample_rate: int
    channels: int
    matching: Literal["integrated", "same gain"]
    target_lufs: float | None
    ceiling_dbtp: float
    joining: int = 1  # the version of Song.joining; manifests written before there was a second do not say
    lead_frames: int
    file_bytes: int
    sections: tuple[str, ...]  # names, bars and pickups as they were: the words of parts and joins
    forms: tuple[RenderedForm, ...]

    @property
    def lead_s(self) -> float:
        """Where every form's bar 1 lies in its file."""
        return self.lead_frames / self.sample_rate

    @property
    def spread_lu(self) -> float:
        """How much louder one form is than another before matching (and so how much quieter its
        sections play after it, with matching "integrated")."""
        own = [form.own_lufs for form in self.forms]
        return max(own) - min(own)

    def by_hash(self, content_hash: str) -> RenderedForm | None:
        return next((form for form in self.forms if form.content_hash == content_hash), None)

    def as_json(self) -> dict[str, Any]:
        """What `render --json` prints; paths are relative to the study."""
        keys = {"name", "wav", "lufs", "true_peak_dbtp", "lra_lu", "gain_db", "seconds", "frames", "joins"}
        return {
            "target_lufs": self.target_lufs,
            "ceiling_dbtp": self.ceiling_dbtp,
            "matching": self.matching,
            "spread_lu": self.spread_lu,
            "forms": [form.model_dump(include=keys) for form in self.forms],
        }


def manifest_path(folder: Path, set_id: str | None = None) -> Path:
    """The manifest of the current set, or of an older one that an open round still needs."""
    return folder / RENDERS / (MANIFEST if set_id is None else f"manifest-{set_id}.json")


def read_manifest(path: Path) -> Manifest:
    """Read a manifest.

    Raises:
        NotRenderedError: there is none; ManifestError: it is damaged (it carries its own checksum).
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(content, dict) or content.pop(SUM, None) != _sum(content):
            raise ValueError
        return Manifest.model_validate(content)
    except FileNotFoundError:
        if any(path.parent.glob("*.wav")):
            raise NotRenderedError(
                f"there is no {path}; run `fairhearing render` to make it anew (ratings are not affected)"
            ) from None
        raise NotRenderedError("nothing is rendered yet; run `fairhearing render` first") from None
    except (ValueError, ValidationError):
        raise ManifestError(
            f"{path} is damaged; run `fairhearing render` to make it anew (ratings are not affected)"
        ) from None
    except OSError as error:
        raise ManifestError(f"{path} cannot be read: {error.strerror}") from None


def as_begun(song: Song) -> Song:
    """The song joined in the way that its renders were made with, so that an upgrade retires no form."""
    try:
        return replace(song, joining=read_manifest(manifest_path(song.folder)).joining)
    except RenderError:
        return song


def keep_set(manifest: Manifest, folder: Path, keep_sets: Collection[str]) -> None:
    """Make `manifest` the current set of the study `folder`, and remove renders that nothing needs.

    Needed are this set and `keep_sets` (of open rounds). Only files that a render wrote are ever removed.
    """
    write_manifest(manifest, manifest_path(folder, manifest.set_id))
    write_manifest(manifest, manifest_path(folder))
    needed = {MANIFEST}
    for set_id in {manifest.set_id, *keep_sets}:
        path = manifest_path(folder, set_id)
        if path.is_file():
            try:
                kept = read_manifest(path)
            except RenderError:
                return  # an open round's files are no longer known: remove nothing
            needed |= {path.name, *(Path(form.wav).name for form in kept.forms)}
    for path in (folder / RENDERS).iterdir():
        copy_of = f"{path.stem}.wav"
        if _OURS.fullmatch(path.name) and path.name not in needed and copy_of not in needed:
            with suppress(OSError):  # in use (Windows): the next render removes it
                path.unlink(missing_ok=True)


def write_manifest(manifest: Manifest, path: Path) -> None:
    """Write a manifest whole or not at all."""
    content = manifest.model_dump(mode="json")
    text = json.dumps({SUM: _sum(content), **content}, indent=1, ensure_ascii=False)
    with replacing(path) as half:
        half.write_text(text + "\n", encoding="utf-8")


def _sum(content: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode("ascii")).hexdigest()
