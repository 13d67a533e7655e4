"""The sound that the page gives out: copies of a render set, and its level check."""

from __future__ import annotations

import tempfile
import threading
from pathlib import Path

import soundfile

from listening.local.level import level_check_file
from listening.page.masked import masked_bytes
from render.audio.integers import write_24_bit
from render.renders.copies import Copies, flac_copies, integers, opus_copies, opus_rate, page_rate
from render.renders.manifest import Manifest


class PageCopies:
    """Makes copies when they are first asked for, all of a set at once, so that none is slower to come.

    `small` ones are Opus, slightly lossy, and lie in a temporary folder; the others are FLAC beside the
    renders.
    """

    def __init__(self, folder: Path, *, small: bool = False) -> None:
        self.folder = folder
        self.small = small
        self._lock = threading.Lock()
        self._place: tempfile.TemporaryDirectory[str] | None = None
        self._copies: dict[str, Copies] = {}
        self._levels: dict[str, tuple[bytes, float]] = {}

    def of(self, manifest: Manifest) -> Copies:
        """The copies of a set, looked after: one that was deleted or cut short is made again."""
        with self._lock:
            known = self._known(manifest)
            if known is None:
                self._copies[manifest.set_id] = known = self._make(manifest)
            return known

    def ready(self, manifest: Manifest) -> Copies | None:
        """The copies of a set, if they need not be made first."""
        with self._lock:
            return self._known(manifest)

    def level_check(self, manifest: Manifest) -> tuple[bytes, float]:
        """The level check of a set as FLAC at the copies' rate, and its seconds."""
        with self._lock:
            if manifest.set_id not in self._levels:
                rate = opus_rate(manifest.sample_rate) if self.small else page_rate(manifest.sample_rate)
                self._levels[manifest.set_id] = level_check_flac(self.folder, manifest, rate)
            return self._levels[manifest.set_id]

    def _known(self, manifest: Manifest) -> Copies | None:
        known = self._copies.get(manifest.set_id)
        return known if known is not None and _all_there(known) else None

    def _make(self, manifest: Manifest) -> Copies:
        if not self.small:
            return flac_copies(self.folder, manifest)
        if self._place is None:
            self._place = tempfile.TemporaryDirectory(prefix="fairhearing-")
        into = Path(self._place.name) / manifest.set_id
        into.mkdir(exist_ok=True)
        return opus_copies(self.folder, manifest, into)


def travelling_bytes(copies: Copies) -> int:
    """How much of each form a listener's device fetches: the same for all."""
    return masked_bytes(max(copies.sizes.values()))


def level_check_flac(folder: Path, manifest: Manifest, rate: int) -> tuple[bytes, float]:
    """The level check as the bytes of a FLAC file at the copies' rate, and its seconds."""
    with level_check_file(folder, manifest) as wav:
        flac = wav.with_suffix(".flac")
        write_24_bit(flac, integers(wav, rate), rate, manifest.channels, "FLAC")
        return flac.read_bytes(), soundfile.info(wav).duration


def _all_there(copies: Copies) -> bool:
    try:
        return all(path.stat().st_size == copies.sizes[key] for key, path in copies.paths.items())
    except OSError:
        return False
