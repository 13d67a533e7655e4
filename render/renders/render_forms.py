"""All forms of a song -> renders of equal loudness.

What is to be made, and what is there and still right, is settled without a look at a sample: that takes no
numerical library, so an unchanged study is told so at once. samples.py does the rest.
"""

from __future__ import annotations

import hashlib
import secrets
import shutil
from collections.abc import Callable, Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from render.audio.containers import LONGEST_WAV_BYTES, pad_wav, wav_bytes
from render.audio.stem_fit import StemFit, check_stems
from render.audio.timeline import Timeline, lay_out, longest_lead
from render.errors import RenderError
from render.files import one_at_a_time, replacing, writing_into
from render.renders.fingerprints import fingerprint, hash_forms, is_unchanged, sums
from render.renders.manifest import (
    RENDERS,
    Fingerprint,
    Manifest,
    RenderedForm,
    RenderedPart,
    keep_set,
    manifest_path,
    read_manifest,
)
from render.renders.matching import CEILING_DBTP, FormLoudness, audible, check_again, match
from render.renders.pipeline import WORKERS
from render.song.forms import Piece
from render.song.song import BY_STEM, SONG_FILE, Song
from render.steps import Step, no_step

if TYPE_CHECKING:
    from render.renders.samples import Samples

SHORTEST_FORM_S = 0.4


def render_forms(
    song: Song,
    *,
    keep_sets: Callable[[], Collection[str]] = tuple,
    known_forms: Callable[[], Collection[str]] = tuple,
    progress: Step = no_step,
) -> Manifest:
    """Render every form of `song` into its folder; what is there and still right is left alone.

    `keep_sets` gives the older render sets that open rounds still need, and is asked when all is written:
    their files stay. `known_forms` gives the content hashes that people may have rated, and is
    asked where no manifest says any more in which way the forms were joined. A second process that renders
    the same study waits for the first.

    Raises:
        SongError, FormError, AudioError: the song is not in order; RenderError: a form cannot be
            matched; WriteError: a file could not be written.
    """
    with one_at_a_time(song.folder / SONG_FILE):
        renderer = _Renderer(song, known_forms, progress)
        try:
            return renderer.run(keep_sets)
        finally:
            renderer.close()


class _Renderer:
    def __init__(self, song: Song, known_forms: Callable[[], Collection[str]], progress: Step) -> None:
        self.song = song
        self.known_forms = known_forms
        self.progress = progress
        self.folder = song.folder / RENDERS
        self.old = _read_old(song.folder)
        self.join_as(self.old.joining if self.old else song.joining)
        self.fit: StemFit | None = None
        self.steps_done = 0
        self.steps = 1
        self.new_files: list[Path] = []

    def join_as(self, joining: int) -> None:
        self.song = replace(self.song, joining=joining)
        self.timelines = [lay_out(self.song, form) for form in self.song.forms]
        self.lead = longest_lead(self.song, self.timelines)

    def run(self, keep_sets: Callable[[], Collection[str]]) -> Manifest:
        self._refuse_before_work()
        audio = self._audio_fingerprint()
        stems = self._stem_fingerprints()
        self.fit = self._fit_stems(audio, stems)
        hashes = self._hashes(audio, stems)
        own = self._measure(hashes)
        target, gains = match(own, self.song.matching)
        size = max(wav_bytes(self.lead + t.stop, self.song.audio.channels) for t in self.timelines)
        expected = {n: one.lufs + gains[n] if target is None else target for n, one in own.items()}
        forms = self._write(hashes, own, gains, expected, size)
        manifest = Manifest(
            set_id=_set_id(forms, self.lead), audio=audio, stems=stems, stem_fit=self.fit,
            sample_rate=self.song.audio.sample_rate, channels=self.song.audio.channels,
            matching=self.song.matching, target_lufs=target, ceiling_dbtp=CEILING_DBTP,
            joining=self.song.joining, lead_frames=self.lead, file_bytes=size, sections=self._sections,
            forms=tuple(forms),
        )  # fmt: skip
        keep_set(manifest, self.song.folder, keep_sets())
        return manifest

    def _hashes(self, audio: Fingerprint, stems: dict[str, Fingerprint]) -> dict[str, str]:
        """name -> content hash; without a manifest, forms are joined in the way most of them are known in."""
        known = set() if self.old else set(self.known_forms())
        hashes = hash_forms(self.timelines, audio, stems, self.fit)
        best, most = self.song.joining, len(known.intersection(hashes.values()))
        for joining in range(self.song.joining - 1, 0, -1) if known else ():
            self.join_as(joining)
            others = hash_forms(self.timelines, audio, stems, self.fit)
            if len(known.intersection(others.values())) > most:
                best, hashes, most = joining, others, len(known.intersection(others.values()))
        self.join_as(best)
        return hashes

    @cached_property
    def _sections(self) -> tuple[str, ...]:
        return tuple(f"{s.name}: bars {s.bars_text}, pickup {s.pickup_beats}" for s in self.song.sections)

    def _audio_fingerprint(self) -> Fingerprint:
        """The bounce's fingerprint. One that is new or changed is read by a second thread in the meantime."""
        path, folder = self.song.audio.path, self.song.folder
        before = self.old.audio if self.old else None
        if before and is_unchanged(path, folder, before):
            return before
        return self.samples.read_beside(lambda: fingerprint(path, folder, before))

    @cached_property
    def samples(self) -> Samples:
        """What reads, measures and writes samples, loaded only where something must be made."""
        from render.renders.samples import Samples

        return Samples(self.song, lambda: self.fit, self._step)

    def close(self) -> None:
        if "samples" in self.__dict__:
            self.samples.close()

    def _step(self, what: str) -> None:
        self.steps_done += 1
        self.progress(what, self.steps_done, max(self.steps, self.steps_done))

    def _refuse_before_work(self) -> None:
        check_stems(self.song.stems, self.song.audio)
        rate, channels = self.song.audio.sample_rate, self.song.audio.channels
        for timeline in self.timelines:
            frames = self.lead + timeline.stop
            if frames < SHORTEST_FORM_S * rate:
                raise RenderError(
                    f'"{timeline.form.name}" lasts {frames / rate:.2f} s; loudness needs at least '
                    f"{SHORTEST_FORM_S} s of audio: lengthen it in song.toml"
                )
            if wav_bytes(frames, channels) > LONGEST_WAV_BYTES:
                raise RenderError(
                    f'"{timeline.form.name}" would pass the 4 GB that a WAV file holds; bounce the song at '
                    "48 or 96 kHz, or shorten the form"
                )

    def _stem_fingerprints(self) -> dict[str, Fingerprint]:
        """Fingerprints of the stems, where a form treats them or they are joined each on its own."""
        used = self._treats or self.song.joining in BY_STEM
        before = self.old.stems if self.old else {}
        return {
            name: fingerprint(path, self.song.folder, before.get(name))
            for name, path in (self.song.stems.items() if used else ())
        }

    @property
    def _treats(self) -> bool:
        """Whether some form leaves stems out."""
        pieces = [p for f in self.song.forms for p in f.parts if isinstance(p, Piece)]
        return any(piece.treatment.mode != "all" for piece in pieces)

    def _fit_stems(self, audio: Fingerprint, stems: dict[str, Fingerprint]) -> StemFit | None:
        """How the stems fit the bounce: known from the last render, or found."""
        if not self._treats:
            return None
        old = self.old
        if old and old.stem_fit and (old.audio.sha256, sums(old.stems)) == (audio.sha256, sums(stems)):
            return old.stem_fit
        return self.samples.fit_stems()

    def _measure(self, hashes: Mapping[str, str]) -> dict[str, FormLoudness]:
        """Loudness of each form before gain: known from the last render, or foreseen."""
        known = {
            f.content_hash: FormLoudness(f.own_lufs, f.own_true_peak_dbtp)
            for f in (self.old.forms if self.old and self.old.lead_frames == self.lead else ())
        }
        new = [t for t in self.timelines if hashes[t.form.name] not in known]
        if new:
            self.steps = self.steps_done + 2 + len(self.timelines)
            for timeline, own in zip(new, self.samples.foresee(new, self.lead), strict=True):
                known[hashes[timeline.form.name]] = audible(timeline.form.name, own)
            self._step("measured the bounce")
        return {t.form.name: known[hashes[t.form.name]] for t in self.timelines}

    def _write(
        self,
        hashes: Mapping[str, str],
        own: Mapping[str, FormLoudness],
        gains: Mapping[str, float],
        expected: Mapping[str, float],
        size: int,
    ) -> list[RenderedForm]:
        before = {name: self._before(form_hash, gains[name]) for name, form_hash in hashes.items()}
        right = {name: there if there and self._is_whole(there) else None for name, there in before.items()}

        def write(timeline: Timeline) -> RenderedForm:
            name = timeline.form.name
            if there := right[name]:
                return self._reuse(there, timeline, size)
            lost = before[name]  # the same samples, no longer whole: open rounds look for them in this place
            in_place = lost and self.old and self.old.file_bytes == size
            path = self.song.folder / lost.wav if lost and in_place else self._new_file()
            return self._write_one(path, timeline, hashes[name], own[name], gains[name], expected[name], size)

        if any(self._needs_samples(right[t.form.name], t) for t in self.timelines):
            _ = self.samples.mixes  # read once, before two threads ask for it
        try:
            with writing_into(self.folder), ThreadPoolExecutor(WORKERS) as pool:
                return list(pool.map(write, self.timelines))
        except BaseException:
            for path in self.new_files:  # no manifest will name them
                path.unlink(missing_ok=True)
            raise

    def _reuse(self, there: RenderedForm, timeline: Timeline, size: int) -> RenderedForm:
        """A render of the last run as it is, under the names that song.toml has now."""
        wav, joins = there.wav, there.joins
        path = self.song.folder / wav
        if path.stat().st_size != size:  # a copy: an open round may still need the old one, of the old size
            copy = self._new_file()
            with replacing(copy, lasting=False) as half:
                shutil.copyfile(path, half)
                pad_wav(half, size)
            wav = f"{RENDERS}/{copy.name}"
        if self._needs_samples(there, timeline):
            joins = self.samples.examine(self.song, timeline, self.lead)
        return there.model_copy(
            update={
                "name": timeline.form.name, "replaces": timeline.form.replaces,
                "wav": wav, "parts": self._parts(timeline), "joins": joins,
            }
        )  # fmt: skip

    def _needs_samples(self, there: RenderedForm | None, timeline: Timeline) -> bool:
        """Whether a form is to be written, or its joins to be told in other words than last time."""
        if there is None or self.old is None:
            return True
        words = (self._parts(timeline), self._sections, timeline.form.name)
        return words != (there.parts, self.old.sections, there.name)

    def _new_file(self) -> Path:
        """A neutral name for a render of this run."""
        self.new_files.append(self.folder / f"{secrets.token_hex(6)}.wav")
        return self.new_files[-1]

    def _is_whole(self, there: RenderedForm) -> bool:
        """Whether the file of a render of the last run has its size."""
        path = self.song.folder / there.wav
        return self.old is not None and path.is_file() and path.stat().st_size == self.old.file_bytes

    def _before(self, form_hash: str, gain_db: float) -> RenderedForm | None:
        """This form at this gain in the last run."""
        there = self.old.by_hash(form_hash) if self.old and self.old.lead_frames == self.lead else None
        return there if there is not None and there.gain_db == gain_db else None

    def _write_one(
        self,
        path: Path,
        timeline: Timeline,
        form_hash: str,
        own: FormLoudness,
        gain_db: float,
        expected_lufs: float,
        size: int,
    ) -> RenderedForm:
        name, rate, frames = timeline.form.name, self.song.audio.sample_rate, self.lead + timeline.stop
        with replacing(path, lasting=False) as half:  # made again if it is lost
            again, sha256 = self.samples.write(half, timeline, self.lead, gain_db)
            pad_wav(half, size)
            check_again(name, again.integrated_lufs, again.true_peak_dbtp, expected_lufs)
        self._step(f'rendered "{name}"')
        return RenderedForm(
            name=name, replaces=timeline.form.replaces, content_hash=form_hash,
            wav=f"{RENDERS}/{path.name}", sha256=sha256, frames=frames, seconds=frames / rate,
            own_lufs=own.lufs, own_true_peak_dbtp=own.true_peak_dbtp,
            gain_db=gain_db, lufs=again.integrated_lufs, true_peak_dbtp=again.true_peak_dbtp,
            lra_lu=again.lra_lu,
            parts=self._parts(timeline),
            joins=self.samples.examine(self.song, timeline, self.lead),
        )  # fmt: skip

    def _parts(self, timeline: Timeline) -> tuple[RenderedPart, ...]:
        lead, rate = self.lead, self.song.audio.sample_rate
        return tuple(
            RenderedPart(
                text=p.part.text, start_s=(lead + p.start) / rate, stop_s=(lead + p.stop) / rate,
                start_bar=float(p.start_bar), bars=float(p.bars),
            )
            for p in timeline.parts
        )  # fmt: skip


def _read_old(folder: Path) -> Manifest | None:
    try:
        return read_manifest(manifest_path(folder))
    except RenderError:
        return None  # none yet, or damaged: everything is made anew


def _set_id(forms: list[RenderedForm], lead: int) -> str:
    identity = [str(lead), *(f"{form.content_hash} {form.gain_db!r} {form.wav}" for form in forms)]
    return hashlib.sha256("\n".join(identity).encode()).hexdigest()[:16]
