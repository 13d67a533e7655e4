"""The text of a first song.toml: commented, and in order as it stands."""

from __future__ import annotations

import os
import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from render.analysis.sections import Suggestion
from render.analysis.stem_search import FoundStem, StemSearch
from render.beat.meter_changes import OddBars
from render.edits.toml_text import toml_text
from render.figures import clock_text, counted
from render.proposals.idea import Idea
from render.song.beats_file import BEATS_FILE
from render.song.grid import Grid
from render.song.song_map import SongMap

FROM_THE_SOUND = "# Suggested from the sound:"  # the comment above sections that nobody has named yet


@dataclass(frozen=True)
class Draft:
    """A song.toml to stand beside a bounce, from what was measured or read about it."""

    audio_path: Path
    grid: Grid
    odd: OddBars
    suggestion: Suggestion
    stems: StemSearch | None
    rival_start_s: float | None
    named_by: str = ""  # what names the sections, where they are not suggested from the sound
    map: SongMap | None = None

    @property
    def folder(self) -> Path:
        return self.audio_path.parent

    def text(self, ideas: Sequence[Idea]) -> str:
        blocks = [
            self.song(),
            self.stem_table(),
            self.section_table(),
            self.forms(ideas),
            _REST,
        ]
        return "\n\n".join(blocks) + "\n"

    def song(self) -> str:
        title = re.sub(r"[\s_-]+", " ", self.audio_path.stem).strip().title() or "Song"
        return "\n".join([
            "# A study of one song's forms. This file is yours: change it, then `check`.",
            "",
            "[song]",
            f"title = {toml_text(title[:200])}",
            f"audio = {toml_text(self.relative(self.audio_path))}",
            *(self.mapped() if self.map is not None else self.written()),
        ])  # fmt: skip

    def mapped(self) -> list[str]:
        """Tempo, meter and their changes by the map."""
        assert self.map is not None
        lines = [
            f"map = {toml_text(self.relative(self.map.path))}  # the song's project: tempo, meter, markers"
        ]
        if self.map.first_bar > 1:
            lines.append(f"map_bar = {self.map.first_bar}  # the bar of the map that is bar 1 here")
        return [*lines, f"start = {float(self.grid.start_s)!r}  # seconds where bar 1 beat 1 falls"]

    def written(self) -> list[str]:
        """Tempo, meter and their changes by their keys."""
        start, tempo = float(self.grid.start_s), float(self.grid.tempo)
        return [
            f"tempo = {tempo!r}  # quarter notes per minute",
            f'meter = "{self.grid.meter}"',
            f"start = {start!r}  # seconds where bar 1 beat 1 falls",
            *self.rival(),
            *([f'beats = "{BEATS_FILE}"  # a live take: one time a beat'] if self.grid.beats_s else []),
            *self.changes(),
        ]

    @property
    def without_beats(self) -> Draft:
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
            f"bar should begin after {counted(beats, 'beat')}, at {clock_text(float(next_s))}."
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
        suggestion = self.suggestion
        comments = [f"# By {self.named_by}."] if self.named_by else [
            f"{FROM_THE_SOUND} sections with one letter sound alike. Give them your own names,",
            "# and a pickup (in beats) where a section begins before its first bar.",
        ]  # fmt: skip
        if suggestion.warning:
            comments += [f"# Careful: {line}" for line in _wrapped(suggestion.warning)]
        lines = []
        for section, strength, like in zip(
            suggestion.sections, suggestion.boundary_strength, suggestion.repeats, strict=True
        ):
            notes = [f'sounds the same as "{suggestion.sections[like].name}"'] if like is not None else []
            notes += ["where it begins is not clear"] if strength < 0.4 and not suggestion.warning else []
            note = f"  # {'; '.join(notes)}" if notes else ""
            pickup = f", pickup = {float(section.pickup_beats):g}" if section.pickup_beats else ""
            lines.append(f'{toml_text(section.name)} = {{ bars = "{section.bars_text}"{pickup} }}{note}')
        return "\n".join(["[sections]", *comments, *lines])

    def forms(self, ideas: Sequence[Idea]) -> str:
        head = [
            "[forms]",
            '# "As written" always takes part. A part is a section or some of its bars, repeated or without',
            '# a stem: "A bars 1-4", "B x2", "B without drums"; or "silence 1 bar". Two to begin with:',
        ]  # fmt: skip
        for idea in ideas:
            head += [f"# {line}" for line in _wrapped(idea.reason)]
            head.append(f"{toml_text(idea.name)} = {toml_text(idea.texts)}")
        return "\n".join(head)

    def relative(self, path: Path) -> str:
        """The path as song.toml holds it: from the study's folder where they share a drive."""
        try:
            return Path(os.path.relpath(path.resolve(), self.folder.resolve())).as_posix()
        except ValueError:  # another drive
            return path.resolve().as_posix()


# The plan is for three listeners, as who listens is not known yet (tests/benchmarks/RESULTS_verdict.md).
_REST = """[listeners]
# ana = { prior_listens = 60 }  # how often she has heard the song as written, roughly
# bo = {}

[render]
# matching = "integrated"  # or "same gain": shared sections play at exactly the same level
# crossfade_ms = 10

[plan]
rounds = 8  # three listeners or more name a form that leads by 8 points in 97 of 100 songs by then
days = 8    # one round a day; listening stops when a form is safe to choose
# alone, three forms: 12 over 12; three listeners, five forms: 10 over 10, or one form fewer"""


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(_one_line(text), width=100)
