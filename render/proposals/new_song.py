"""A first song.toml for a bounce: measured, suggested, commented, and in order as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from render.analysis.frames import song_frames
from render.analysis.frames_file import recall_frames
from render.analysis.onsets import Onsets, onsets
from render.analysis.sections import sections
from render.analysis.stem_search import search
from render.arrays import Audio
from render.audio.stems import read_audio
from render.beat.bar_one import changes_are_sure
from render.beat.fit import fit_beat
from render.beat.meter_changes import NO_ODD_BARS, OddBars, odd_bars
from render.beat.result import BeatFit
from render.beat.silence import silence_lines, silent_until_s
from render.beat.tempo_estimate import estimate, estimate_start, last_sound_s
from render.errors import SongError
from render.proposals.draft import Draft
from render.proposals.idea import Idea
from render.proposals.ideas import propose as propose_ideas
from render.proposals.marked import as_suggestion, cued_sections, map_on_bounce
from render.song.audio_header import audio_info
from render.song.grid import Grid, Meter, exact, parse_meter
from render.song.marked_sections import MarkedSections
from render.song.song import song_from_text
from render.song.song_map import SongMap
from render.steps import Step, no_step, part_of

if TYPE_CHECKING:
    from render.proposals.live_take import LiveTake

FORMS_TO_BEGIN_WITH = 2

# What is done, and how far that is of 100: the times that ten minutes at 96 kHz take.
_READING = ("reading the bounce", 0, 100)
_BEAT = ("looking for the beat", 50, 100)
_MAP = ("laying the map on the song", 50, 100)
_BAR_LINES = ("looking for the bar lines", 62, 100)
_SECTIONS = ("listening for where the song changes", 75, 100)
_ATTACKS, _STEMS, _FORMS = (8, 50), (80, 85), (85, 99)


@dataclass(frozen=True)
class Proposal:
    """`text`: a song.toml that `check` accepts. `lines`: what was found and what to do next.

    `question`: what to ask before the file is written, "" for nothing: a tempo that was only estimated, a map
    whose place is not clear. `take`: a live take's beats, for a file beside song.toml.
    """

    text: str
    lines: tuple[str, ...]
    question: str
    take: LiveTake | None


@dataclass(frozen=True)
class _BarLines:
    """The grid of a bounce, how it fits where that is known already, and what to say and ask about it."""

    grid: Grid
    lines: Sequence[str]
    odd: OddBars = NO_ODD_BARS
    fit: BeatFit | None = None
    question: str = ""
    take: LiveTake | None = None
    map: SongMap | None = None


def propose(
    audio_path: Path,
    *,
    tempo: float | None = None,
    meter: str = "4/4",
    start_s: float | None = None,
    live: bool = False,
    stems_folder: Path | None = None,
    map_path: Path | None = None,
    step: Step = no_step,
) -> Proposal:
    """Measure a bounce and propose its song.toml, to be put beside it.

    Tempo is in quarter notes a minute; what is not given is estimated. `live`: a take that keeps no constant
    tempo; its beat is followed. A map (SMF) brings tempo, meter and sections; `start_s` is then where its
    tick 0 falls, also before the audio. `step` is told how far it is, in parts of 100.

    Raises:
        AudioError: the bounce cannot be used; SongError: meter, tempo or start cannot be.
    """
    info, folder = audio_info(audio_path), audio_path.parent
    counted = _checked_meter(meter, tempo, start_s, info.seconds) if map_path is None else None
    step(*_READING)
    audio = read_audio(audio_path)
    if tempo is not None:  # an estimate may be declined, and then nothing is left behind
        recall_frames(folder, audio_path, audio, info.sample_rate, part_of(step, *_ATTACKS))
    else:
        song_frames(audio, info.sample_rate, part_of(step, *_ATTACKS))
    curve = onsets(audio, info.sample_rate)
    if map_path is not None:
        step(*_MAP)
        bars = _of_map(map_path, audio, info.sample_rate, curve, start_s)
    else:
        assert counted is not None
        step(*_BEAT)
        bars = (_of_live_take if live else _of_tempo)(
            audio, info.sample_rate, curve, tempo, counted, start_s, step
        )
    end = last_bar(curve, bars.grid, info.seconds)
    step(*_SECTIONS)
    marked, source = _marked(bars, audio_path, end)
    suggestion = as_suggestion(marked) if marked.sections else sections(audio, bars.grid, end)
    stems = search(stems_folder, audio_path, audio, part_of(step, *_STEMS)) if stems_folder else None
    fit = bars.fit
    if fit is None or start_s is not None:  # where bar 1 is given, the sections may tell more of it
        given = start_s is not None or bars.map is not None
        firsts = [section.first_bar for section in suggestion.sections] if given else []
        fit = fit_beat(audio, info.sample_rate, bars.grid, firsts, curve)
    draft = Draft(audio_path, bars.grid, bars.odd, suggestion, stems, fit.rival_start_s, source, bars.map)
    ideas = _first_forms(draft, audio, part_of(step, *_FORMS))
    song_from_text(draft.without_beats.text(ideas), folder)
    silence = silence_lines(silent_until_s(audio, info.sample_rate))
    lines = (*bars.lines, *marked.notes, *fit.lines(), *silence, *_draft_lines(draft))
    return Proposal(draft.text(ideas), (*lines, f"next: {_next_step(fit, draft)}"), bars.question, bars.take)


def _marked(bars: _BarLines, audio_path: Path, end: int) -> tuple[MarkedSections, str]:
    """Sections that somebody has named, and where; ("" and none where nobody has)."""
    if bars.map is not None and (of_map := bars.map.sections(end)).sections:
        return of_map, f"the markers of {bars.map.path.name}"
    cued = cued_sections(audio_path, bars.grid, end)
    return cued, "the bounce's cue points" if cued.sections else ""


def _of_map(path: Path, audio: Audio, rate: int, curve: Onsets, tick_0_s: float | None) -> _BarLines:
    """As the song's project has them."""
    laid = map_on_bounce(path, audio, rate, tick_0_s, curve)
    return _BarLines(laid.map.grid, laid.lines, question=laid.question, map=laid.map)


def _of_live_take(
    audio: Audio, rate: int, curve: Onsets, tempo: float | None, meter: Meter, start_s: float | None,
    _step: Step,
) -> _BarLines:  # fmt: skip
    """On the beats of a take that keeps no constant tempo."""
    from render.proposals.live_take import live_take  # with SciPy, which is slow to import

    take = live_take(audio, curve, rate, tempo, meter, start_s)
    lines = take.lines() if start_s is not None else [*take.lines(), _begins(take.grid)]
    return _BarLines(take.grid, lines, take=take)


def _of_tempo(
    audio: Audio, rate: int, curve: Onsets, tempo: float | None, meter: Meter, start_s: float | None,
    step: Step,
) -> _BarLines:  # fmt: skip
    """At a constant tempo from a start, each as given or as estimated."""
    lines, question = [], ""
    if tempo is None:
        guessed = estimate(audio, rate, meter, curve)
        tempo, estimated_s, lines = guessed.tempo, guessed.start_s, guessed.lines()
        question = (
            f"The tempo was estimated: {tempo:g} quarter notes a minute. Is that right? "
            "(If not, give it with --tempo BPM.)"
        )
    else:
        estimated_s = estimate_start(audio, rate, tempo, meter, curve)
    start = start_s if start_s is not None else min(estimated_s, max(len(audio) / rate - 0.1, 0.0))
    step(*_BAR_LINES)
    regular = Grid(rate, exact(start), exact(tempo), meter)
    grid, odd, fit = _with_odd_bars(audio, curve, regular, start_s is None)
    lines += [_begins(grid)] if start_s is None else []
    return _BarLines(grid, lines, odd, fit, question)


def _begins(grid: Grid) -> str:
    return f"bar 1 begins at {float(grid.start_s):.3f} s"


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
        return regular, NO_ODD_BARS, fit_beat(audio, rate, regular, curve=curve)
    if changes_are_sure(audio, curve, with_changes, last_bar(curve, with_changes, seconds)):
        return with_changes, odd, fitted
    return grid, odd, fit_beat(audio, rate, grid, curve=curve)


def last_bar(curve: Onsets, grid: Grid, end_s: float) -> int:
    """The bar of the last clear attack before `end_s`; what rings on after it is the song's tail."""
    if curve.strength.max(initial=0.0) > 0:
        end_s = min(last_sound_s(curve), end_s)
    within = max(end_s - 0.05, float(grid.start_s))  # an attack a little early belongs to the next bar's line
    return max(grid.position(Fraction(str(round(within, 6))))[0], 1)


def _first_forms(draft: Draft, audio: Audio, step: Step) -> list[Idea]:
    """Two forms to begin with; a song of one part gets the plainest ones there are."""
    song = replace(song_from_text(draft.without_beats.text([]), draft.folder), grid=draft.grid)
    ideas = propose_ideas(song, audio, FORMS_TO_BEGIN_WITH, seed=1, most_moves=1, step=step)
    first = song.sections[0].name
    plain = (
        Idea("twice", (f"{first} x2",), "the whole once more", 0.0, 1.0),
        Idea("with a breath", (first, "silence 1 bar", first), "a bar of silence, and once more", 0.0, 1.0),
    )
    return [*ideas, *plain][:FORMS_TO_BEGIN_WITH]


def _draft_lines(draft: Draft) -> list[str]:
    """What the file holds that a person should know of."""
    lines = []
    if draft.odd.bars and draft.grid.changes:
        lines.append(draft.odd.line(draft.grid.meter))
    elif draft.odd.bars:
        lines.append(f"song.toml has a doubtful change of meter in a comment. {draft.how_to_hear()}")
    suggestion = draft.suggestion
    names = ", ".join(f"{s.name} ({s.bars_text})" for s in suggestion.sections)
    lines += [suggestion.warning] if suggestion.warning else []
    by = f"sections by {draft.named_by}" if draft.named_by else "suggested sections"
    return [*lines, f"{by}: {names}", *(draft.stems.lines() if draft.stems else [])]


def _next_step(fitted: BeatFit, draft: Draft) -> str:
    """What to do with the file: where tempo or start do not fit, nothing else comes before them."""
    if draft.map is not None:
        return _next_step_with_map(fitted)
    naming = "" if draft.named_by else "give the sections your own names in song.toml, "
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
            f"listen to the beat with `check --click`; where it is right, {naming}then `ideas` for more "
            "forms, `render`, and `listen`"
        )
    return (
        f"{naming}listen to a few bar lines with `check --joins-audio`, then `ideas` for more forms, "
        "`render`, and `listen`"
    )


def _next_step_with_map(fitted: BeatFit) -> str:
    if fitted.fits:
        return (
            "listen to a few bars with `check --click`, then `ideas` for more forms, `render`, and `listen`"
        )
    return (
        "the map. It does not lie on this audio as it should: hear it with `check --click`; if the beat is "
        "beside the song, delete song.toml and say with --start where tick 0 falls, or export the map again"
    )
