"""A first song.toml for a bounce: measured, suggested, commented, and in order as it stands."""

from __future__ import annotations

import os
import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from render.analysis.bar_one import changes_are_sure
from render.analysis.beat import BeatFit, fit_beat
from render.analysis.frames_file import recall_frames
from render.analysis.meter_changes import OddBars, odd_bars
from render.analysis.onsets import Onsets, onsets
from render.analysis.sections import Suggestion, sections
from render.analysis.silence import silence_lines
from render.analysis.stem_search import FoundStem, StemSearch, search
from render.analysis.tempo_estimate import (
    TempoEstimate,
    estimate,
    estimate_start,
    first_sound_s,
)
from render.arrays import Audio
from render.audio.stems import read_audio
from render.clock_text import clock_text
from render.errors import SongError
from render.proposals.idea import Idea
from render.proposals.idea_file import entry_line
from render.proposals.ideas import propose as propose_ideas
from render.proposals.live_take import LiveTake, live_take
from render.song.audio_header import audio_info
from render.song.beats_file import BEATS_FILE
from render.song.default_plan import default_plan
from render.song.grid import Grid, Meter, exact, parse_meter
from render.song.song import song_from_text
from render.song.toml_text import toml_text

FORMS_TO_BEGIN_WITH = 2


@dataclass(frozen=True)
class Proposal:
    """`text`: a song.toml that `check` accepts. `lines`: what was found and what to do next.

    `confirm` is True where the tempo was only estimated: ask before the file is written.
    """

    text: str
    lines: tuple[str, ...]
    tempo: float
    start_s: float
    confirm: bool
    estimate: TempoEstimate | None
    fit: BeatFit
    suggestion: Suggestion
    stems: StemSearch | None
    ideas: tuple[Idea, ...]
    take: LiveTake | None = None


def propose(
    audio_path: Path,
    *,
    tempo: float | None = None,
    meter: str = "4/4",
    start_s: float | None = None,
    live: bool = False,
    stems_folder: Path | None = None,
    folder: Path | None = None,
    seed: int = 1,
) -> Proposal:
    """Measure a bounce and propose its song.toml, to be put into `folder` (default: beside the audio).

    Tempo is in quarter notes a minute; what is not given is estimated. `live`: a take that keeps no constant
    tempo; its beat is followed, and the proposal carries its beats, for a file beside song.toml.

    Raises:
        AudioError: the bounce cannot be used; SongError: meter, tempo or start cannot be.
    """
    folder = folder or audio_path.parent
    info = audio_info(audio_path)
    counted = _checked_meter(meter, tempo, start_s, info.seconds)
    audio = read_audio(audio_path)
    if tempo is not None:  # an estimate may be declined, and then nothing is left behind
        recall_frames(folder, audio_path, audio, info.sample_rate)
    curve = onsets(audio, info.sample_rate)
    take = live_take(audio, curve, info.sample_rate, tempo, counted, start_s) if live else None
    guessed = estimate(audio, info.sample_rate, counted, curve) if tempo is None and not live else None
    if take is not None:
        grid, odd = take.grid, OddBars(0, ())
        fitted = fit_beat(audio, info.sample_rate, grid, curve=curve)
    else:
        regular = _regular_grid(audio, info.sample_rate, curve, guessed, tempo, counted, start_s)
        grid, odd, fitted = _with_odd_bars(audio, curve, regular, start_s is None)
    suggestion = sections(audio, grid, last_bar(curve, grid, info.seconds))
    stems = search(stems_folder, audio_path, audio) if stems_folder else None
    draft = _Draft(audio_path, folder, grid, odd, suggestion, stems, fitted.rival_start_s)
    ideas = _first_forms(draft, audio, seed)
    text = draft.text(ideas)
    song_from_text(draft.without_beats.text(ideas), folder)
    if start_s is not None:  # the sections may tell more
        firsts = [section.first_bar for section in suggestion.sections]
        fitted = fit_beat(audio, info.sample_rate, grid, firsts, curve)
    lines = _lines(draft, guessed, fitted, start_s is None, first_sound_s(curve))
    told = (*(take.lines() if take else []), *lines)
    return Proposal(
        text, told, float(grid.tempo), float(grid.start_s), guessed is not None, guessed, fitted, suggestion,
        stems, tuple(ideas), take,
    )  # fmt: skip


def _regular_grid(
    audio: Audio, rate: int, curve: Onsets, guessed: TempoEstimate | None, tempo: float | None, meter: Meter,
    start_s: float | None,
) -> Grid:  # fmt: skip
    """A constant tempo from a start, each as given or as estimated."""
    if guessed is not None:
        tempo, found = guessed.tempo, guessed.start
    else:
        assert tempo is not None
        found = estimate_start(audio, rate, tempo, meter, curve)
    start = start_s if start_s is not None else min(found.start_s, max(len(audio) / rate - 0.1, 0.0))
    return Grid(rate, exact(start), exact(tempo), meter)


def _checked_meter(text: str, tempo: float | None, start_s: float | None, seconds: float) -> Meter:
    """The meter; refused like the others where it cannot be."""
    meter = parse_meter(text)
    if meter is None:
        raise SongError(f'meter "{text}": a meter is written like "4/4" or "7/8"')
    if tempo is not None and not 10 <= tempo <= 1000:
        raise SongError(f"tempo {tempo:g}: a tempo lies between 10 and 1000 quarter notes a minute")
    if start_s is not None and not 0 <= start_s < seconds:
        raise SongError(f"start {start_s:g}: bar 1 begins within the audio, between 0 and {seconds:.2f} s")
    return meter


def _with_odd_bars(
    audio: Audio, curve: Onsets, regular: Grid, may_move: bool
) -> tuple[Grid, OddBars, BeatFit]:
    """The grid, its start moved if it may be, with bars of another length put in where they are sure."""
    rate, seconds = regular.sample_rate, len(audio) / regular.sample_rate
    grid = regular
    odd = odd_bars(audio, rate, curve, grid, last_bar(curve, grid, seconds))
    if odd.first_offset and may_move:
        moved = grid.start_s + odd.first_offset * grid.stretch(1).beat_s
        bar_s = grid.stretch(1).bar_s
        moved -= bar_s if moved >= bar_s else 0
        grid = replace(grid, start_s=exact(round(float(moved), 3)))
        odd = odd_bars(audio, rate, curve, grid, last_bar(curve, grid, seconds))
    with_changes = replace(grid, changes=odd.changes(grid.meter))
    fitted = fit_beat(audio, rate, with_changes, curve=curve)
    if not odd.bars:
        better_s = fitted.better_start_s
        if may_move and better_s is not None and better_s < seconds - 0.1:  # what is written is what is said
            grid = replace(grid, start_s=exact(better_s))
            fitted = fit_beat(audio, rate, grid, curve=curve)
        return grid, odd, fitted
    if fitted.better_tempo is not None or fitted.drifts:  # then first beats wander for another reason
        return regular, OddBars(0, ()), fit_beat(audio, rate, regular, curve=curve)
    if changes_are_sure(audio, curve, with_changes, last_bar(curve, with_changes, seconds)):
        return with_changes, odd, fitted
    return grid, odd, fit_beat(audio, rate, grid, curve=curve)


def last_bar(curve: Onsets, grid: Grid, end_s: float) -> int:
    """The bar of the last clear attack before `end_s`; what rings on after it is the song's tail."""
    if curve.strength.max(initial=0.0) > 0:
        clear = np.flatnonzero(curve.strength > 0.05 * np.percentile(curve.strength, 99.5))
        end_s = min(float(clear[-1]) / curve.rate, end_s)
    within = max(end_s - 0.05, float(grid.start_s))  # an attack a little early belongs to the next bar's line
    return max(grid.position(Fraction(str(round(within, 6))))[0], 1)


@dataclass(frozen=True)
class _Draft:
    audio_path: Path
    folder: Path
    grid: Grid
    odd: OddBars
    suggestion: Suggestion
    stems: StemSearch | None
    rival_start_s: float | None

    def text(self, ideas: Sequence[Idea]) -> str:
        blocks = [
            self.song(),
            self.stem_table(),
            self.section_table(),
            self.forms(ideas),
            _REST + _plan_table(1 + len(ideas)),
        ]
        return "\n\n".join(blocks) + "\n"

    def song(self) -> str:
        title = re.sub(r"[\s_-]+", " ", self.audio_path.stem).strip().title() or "Song"
        start, tempo = float(self.grid.start_s), float(self.grid.tempo)
        return "\n".join([
            "# A study of one song's forms. This file is yours: change it, then `check`.",
            "",
            "[song]",
            f"title = {toml_text(title[:200])}",
            f"audio = {toml_text(self.relative(self.audio_path))}",
            f"tempo = {tempo!r}  # quarter notes per minute",
            f'meter = "{self.grid.meter}"',
            f"start = {start!r}  # seconds where bar 1 beat 1 falls",
            *self.rival(),
            *([f'beats = "{BEATS_FILE}"  # a live take: one time a beat'] if self.grid.beats_s else []),
            *self.changes(),
        ])  # fmt: skip

    @property
    def without_beats(self) -> _Draft:
        """The same at a constant tempo: for reading it while the beats are not written yet."""
        return replace(self, grid=replace(self.grid, beats_s=()))

    def rival(self) -> list[str]:
        """The other start, where two readings of the beat compete."""
        if self.rival_start_s is None:
            return []
        heard = "perhaps: half a beat beside; `check --click` lets you hear it"
        return [f"# start = {self.rival_start_s!r}  # {heard}"]

    def changes(self) -> list[str]:
        """Changes of meter: written where they are sure, else in a comment that says how to hear them."""
        if not self.odd.bars:
            return ['# changes = [{ bar = 33, tempo = 92.0 }, { bar = 41, meter = "2/4" }]']
        text, heard = self.odd.text(self.grid.meter), self.how_to_hear()
        if self.grid.changes:
            return [f"{text}  # first beats move there", *(f"# {line}" for line in _wrapped(heard))]
        doubt = f'{heard} If so, write the line without "perhaps:", and move the sections after it.'
        return [f"# perhaps: {text}", *(f"# {line}" for line in _wrapped(doubt))]

    def how_to_hear(self) -> str:
        bar, beats = self.odd.bars[0]
        line_s = self.grid.line_s(bar)
        next_s = line_s + beats * self.grid.stretch(1).beat_s
        return (
            f"To hear it: count the beats from {clock_text(float(line_s))}, where bar {bar} begins; the next "
            f"bar should begin after {beats} beat{'s' if beats > 1 else ''}, at {clock_text(float(next_s))}."
        )

    def stem_table(self) -> str:
        if self.stems is None or not self.stems.stems:
            what = "files of the same length that add up to the bounce, for forms without one of them"
            return f'# [stems]  # {what}\n# drums = "stems/drums.wav"'
        used = [self.stem_line(s) for s in self.stems.usable]
        left = [
            f"# {self.stem_line(s)}  # {_one_line(s.problem or '')}" for s in self.stems.stems if s.problem
        ]
        return "\n".join(["[stems]" if used else "# [stems]", *used, *left])

    def stem_line(self, stem: FoundStem) -> str:
        return f"{toml_text(stem.name)} = {toml_text(self.relative(stem.path))}"

    def section_table(self) -> str:
        found = self.suggestion
        comments = [
            "# Suggested from the sound: sections with one letter sound alike. Give them your own names,",
            "# and a pickup (in beats) where a section begins before its first bar.",
        ]
        if found.warning:
            comments += [f"# Careful: {line}" for line in _wrapped(found.warning)]
        lines = []
        for section, strength, like in zip(
            found.sections, found.boundary_strength, found.repeats, strict=True
        ):
            notes = [f'sounds the same as "{found.sections[like].name}"'] if like is not None else []
            notes += ["where it begins is not clear"] if strength < 0.4 and not found.warning else []
            note = f"  # {'; '.join(notes)}" if notes else ""
            lines.append(f'{toml_text(section.name)} = {{ bars = "{section.bars_text}" }}{note}')
        return "\n".join(["[sections]", *comments, *lines])

    def forms(self, ideas: Sequence[Idea]) -> str:
        head = [
            "[forms]",
            '# "As written" always takes part. A part is a section or some of its bars, repeated or without',
            '# a stem: "A bars 1-4", "B x2", "B without drums"; or "silence 1 bar". Two to begin with:',
        ]  # fmt: skip
        for idea in ideas:
            head += [f"# {line}" for line in _wrapped(idea.reason)]
            head.append(entry_line(idea))
        return "\n".join(head)

    def relative(self, path: Path) -> str:
        """The path as song.toml holds it: from the study's folder where they share a drive."""
        try:
            return Path(os.path.relpath(path.resolve(), self.folder.resolve())).as_posix()
        except ValueError:  # another drive
            return path.resolve().as_posix()


_REST = """[listeners]
# ana = { prior_listens = 60 }  # how often she has heard the song as written, roughly
# bo = {}

[render]
# matching = "integrated"  # or "same gain": shared sections play at exactly the same level
# crossfade_ms = 10"""


def _plan_table(forms: int, listeners: int = 3) -> str:
    """The plan for the usual panel, with what fits others in comments: who listens is not known yet."""
    plan = default_plan(listeners, max(forms, 2))
    return "\n".join(
        [
            "\n\n[plan]",
            f"rounds = {plan.rounds}  # {plan.reason}",
            f"days = {plan.days}    # one round a day; listening stops when a form is safe to choose",
            "# alone, three forms: 12 over 12; three listeners, five forms: 10 over 10, or one form fewer",
        ]
    )


def _first_forms(draft: _Draft, audio: Audio, seed: int) -> list[Idea]:
    """Two forms to begin with; a song of one part gets the plainest ones there are."""
    song = replace(song_from_text(draft.without_beats.text([]), draft.folder), grid=draft.grid)
    ideas = propose_ideas(song, audio, FORMS_TO_BEGIN_WITH, seed, most_moves=1)
    first = song.sections[0].name
    plain = (
        Idea("twice", (f"{first} x2",), "the whole once more", 0.0, 1.0),
        Idea("with a breath", (first, "silence 1 bar", first), "a bar of silence, and once more", 0.0, 1.0),
    )
    return [*ideas, *plain][:FORMS_TO_BEGIN_WITH]


def _lines(
    draft: _Draft, guessed: TempoEstimate | None, fitted: BeatFit, start_guessed: bool, begins_s: float
) -> list[str]:
    told = guessed.lines() if guessed is not None else []
    if start_guessed:
        told.append(f"bar 1 begins at {float(draft.grid.start_s):.3f} s")
    told += [*fitted.lines(), *silence_lines(begins_s)]
    if draft.grid.changes:
        told.append(draft.odd.line(draft.grid.meter))
    elif draft.odd.bars:
        told.append(f"song.toml has a doubtful change of meter in a comment. {draft.how_to_hear()}")
    found = draft.suggestion
    names = ", ".join(f"{s.name} ({s.bars_text})" for s in found.sections)
    told += [found.warning] if found.warning else []
    told.append(f"suggested sections: {names}")
    told += draft.stems.lines() if draft.stems else []
    told.append(f"next: {_next_step(fitted)}")
    return told


def _next_step(fitted: BeatFit) -> str:
    """What to do with the file: where tempo or start do not fit, nothing else comes before them."""
    again = "delete song.toml and run `fairhearing new` as before, but with"
    if fitted.better_tempo is not None:
        return (
            f"the tempo. Sections and bars were cut at {fitted.tempo:g}, and {fitted.better_tempo:g} fits "
            f"this audio better: {again} --tempo {fitted.better_tempo:g}. If the song was recorded to "
            f"{fitted.tempo:g}, listen to a few bar lines with `check --joins-audio` before you go on"
        )
    if fitted.drifts:
        return (
            f"the tempo. It does not stay the same in this audio: {again} --live, which follows its beat; "
            "names of sections and forms come after that"
        )
    if fitted.better_start_s is not None:
        return (
            f"the start. Listen where bar 1 begins; if it is at {fitted.better_start_s:.3f} s, {again} "
            f"--start {fitted.better_start_s:g}, as sections and bars change with it"
        )
    if fitted.doubts or not fitted.first_beat_clear:
        return (
            "listen to the beat with `check --click`; where it is right, give the sections your own names in "
            "song.toml, then `ideas` for more forms, `render`, and `listen`"
        )
    return (
        "give the sections your own names in song.toml, listen to a few bar lines with `check "
        "--joins-audio`, then `ideas` for more forms, `render`, and `listen`"
    )


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(_one_line(text), width=100)
