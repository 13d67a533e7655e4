"""Checks of a study before anybody listens: sections, forms, tempo fit, joins, stems; and ideas for forms."""

from __future__ import annotations

import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from listening.cautions import LONG_SITTING_S
from listening.check_result import Checked, FormRow, SectionRow
from render.analysis.frames_file import recall_frames
from render.analysis.onsets import onsets
from render.arrays import Audio
from render.audio.splice import Splicer
from render.audio.stem_fit import StemFit, check_stems
from render.audio.stems import Mixes, kept_stem_fit, read_audio
from render.audio.timeline import Timeline, content_hash, lay_out, longest_lead
from render.beat.fit import fit_beat
from render.beat.result import BeatFit
from render.beat.silence import silence_lines, silent_until_s
from render.errors import BeyondTheEndError, FormError, SongError, StudyError
from render.joins import judging
from render.song.audio_header import audio_info
from render.song.forms import bars_text
from render.song.grid import Grid, exact, parse_meter
from render.song.song import SONG_FILE, Song, read_text
from render.steps import Step
from sessions.study import Study

if TYPE_CHECKING:
    from render.audio.click import ClickMix

JOINS_FILE, CLICK_FILE = "joins.wav", "click.wav"
MOST_FORMS = 6  # our own rule of thumb, from the outlook's figures


def examine_song(study: Study, step: Step) -> Checked:
    """Read the song, lay out every form and judge every join.

    Raises:
        SongError, FormError, AudioError: the song is not in order.
    """
    song = _song_of(study)
    study.require_known_predecessors()
    timelines = [lay_out(song, form) for form in song.forms]
    _refuse_twins(timelines)
    of = 3 + len(timelines)
    step("reading the bounce and its stems", 1, of)
    check_stems(song.stems, song.audio)
    bounce = read_audio(song.audio.path)
    with ThreadPoolExecutor(1) as beside:
        fitting = beside.submit(kept_stem_fit, song, bounce)
        recall_frames(song.folder, song.audio.path, bounce, song.audio.sample_rate)
        step("comparing tempo and start with the attacks", 2, of)
        firsts = [section.first_bar for section in song.sections]
        curve = onsets(bounce, song.audio.sample_rate)
        tempo = fit_beat(bounce, song.audio.sample_rate, song.grid, firsts, curve)
        fit = fitting.result()
    mixes = Mixes(song, bounce, fit)
    lead = longest_lead(song, timelines)
    rows, doubtful = [], []
    for number, timeline in enumerate(timelines, start=3):
        findings = judging.examine(song, timeline, Splicer(timeline, mixes, lead))
        worst_first = sorted(findings, key=lambda join: -join.severity)
        doubtful += [f'"{timeline.form.name}", {join.line}' for join in worst_first if join.doubtful]
        seconds = (lead + timeline.stop) / song.audio.sample_rate
        form = timeline.form
        rows.append(FormRow(form.name, form.texts, float(timeline.bars), seconds, tuple(worst_first)))
        step(f'judged "{timeline.form.name}"', number, of)
    mixes.close()
    minutes = sum(row.seconds for row in rows) / 60
    lines = [
        f"a round of these {len(rows)} forms lasts about {minutes:.0f} minutes, and the time to rate them"
    ]
    warnings = _song_warnings(study, bounce, fit, lead, tempo)
    lines += song.map.notes if song.map is not None else ()
    warnings += silence_lines(silent_until_s(bounce, song.audio.sample_rate))
    grid_fits = tempo.better_tempo is None
    if grid_fits:  # else every cut is wrong, and what the joins sound like says nothing yet
        warnings += doubtful
    if tempo.fits:
        lines += tempo.lines()
    else:
        warnings = [*tempo.lines(), *warnings]
    if len(rows) > MOST_FORMS or sum(row.seconds for row in rows) > LONG_SITTING_S:
        warnings.append(
            f"a round of {len(rows)} forms takes long, and its end is heard with tired ears; with more than "
            f"about {MOST_FORMS} forms a panel hardly comes to a clear verdict (`fairhearing outlook`)"
        )
    return Checked(
        _section_rows(study), tuple(rows), tuple(lines), tuple(warnings), tempo.as_json(), grid_fits
    )


def _song_of(study: Study) -> Song:
    """The study's song; where bars go beyond the audio because of the tempo, that is named first."""
    try:
        return study.song
    except BeyondTheEndError as error:
        tempo = _tempo_of(study)
        if tempo is None or tempo.better_tempo is None:
            raise
        raise SongError(f"{tempo.lines()[0]}. As it is, {error}") from None


def _tempo_of(study: Study) -> BeatFit | None:
    """How tempo and start alone fit the audio, whatever else song.toml says; None with changes of its own."""
    table = tomllib.loads(read_text(study.folder / SONG_FILE))["song"]
    meter = parse_meter(str(table.get("meter", "4/4")))
    if meter is None or table.get("changes"):
        return None
    info = audio_info(study.folder / table["audio"])
    grid = Grid(info.sample_rate, exact(table.get("start", 0)), exact(table["tempo"]), meter)
    return fit_beat(read_audio(info.path), info.sample_rate, grid)


def _refuse_twins(timelines: list[Timeline]) -> None:
    """Two forms that sound the same would be compared with themselves."""
    seen: dict[str, str] = {}
    for timeline in timelines:
        treatments = {str(span.treatment): str(span.treatment) for span in timeline.spans}
        sound = content_hash(timeline, "", treatments)
        if sound in seen:
            raise FormError(
                f'forms."{timeline.form.name}" is the same as "{seen[sound]}"; change it or take it out'
            )
        seen[sound] = timeline.form.name


def write_joins_audio(study: Study, path: Path) -> list[str]:
    """Four bars around each join, for the maker's ears; a line for each, with its time in the file."""
    from render.joins.audition import write_audition

    _require_free(study, path, "--joins-audio", JOINS_FILE)
    song = study.song
    check_stems(song.stems, song.audio)
    bounce = read_audio(song.audio.path)
    with Mixes(song, bounce, kept_stem_fit(song, bounce)) as mixes:
        excerpts = write_audition(song, mixes, path)
    return [excerpt.line for excerpt in excerpts]


def write_click_audio(study: Study, path: Path) -> ClickMix:
    """The song with a click on every beat of its grid, for the maker's ears."""
    from render.audio.click import write_click

    _require_free(study, path, "--click", CLICK_FILE)
    return write_click(study.song, path)


def _require_free(study: Study, path: Path, option: str, usual: str) -> None:
    """Refuse a name that is taken: only an earlier file of the same kind, by its usual name, is replaced."""
    song = study.song
    sources = [song.audio.path, *song.stems.values()]
    taken = any(path.exists() and source.exists() and path.samefile(source) for source in sources)
    if taken or (path.exists() and path.name != usual):
        what = "is what the song is made of" if taken else "is there already"
        raise StudyError(f"{path} {what}, and would be replaced; give {option} a name that is free")


def _section_rows(study: Study) -> tuple[SectionRow, ...]:
    grid = study.song.grid
    return tuple(
        SectionRow(s.name, s.bars_text, float(grid.line_s(s.first_bar)), float(grid.line_s(s.last_bar + 1)))
        for s in study.song.sections
    )


def _bar_warnings(song: Song) -> list[str]:
    warnings = []
    for first, last in song.uncovered:
        bars = f"bars {bars_text(first, last)} are" if last > first else f"bar {first} is"
        warnings.append(f'{bars} in no section; only "as written" plays them')
    end = song.grid.line_frame(song.last_bar + 1)
    if end > song.audio.frames:
        short_s = (end - song.audio.frames) / song.audio.sample_rate
        warnings.append(
            f"the audio ends {short_s:.2f} s before bar {song.last_bar} does; where a form goes on "
            "after it, the rest of the bar is silence"
        )
    return warnings


def _song_warnings(study: Study, bounce: Audio, fit: StemFit | None, lead: int, tempo: BeatFit) -> list[str]:
    song = study.song
    warnings = (
        _bar_warnings(song) if tempo.better_tempo is None else []
    )  # with another tempo, they are others
    peak = max(float(bounce.max()), -float(bounce.min()))
    if peak > 1.0:
        warnings.append(
            f"the bounce peaks at {peak:.3f} of full scale; its samples are kept as they are, and renders "
            "are turned down until they fit"
        )
    if lead > song.lead_in_frames:
        warnings.append(
            f"a form begins with a pickup that is longer than the song's lead-in, so every render begins "
            f"{(lead - song.lead_in_frames) / song.audio.sample_rate:.2f} s earlier, with silence"
        )
    if fit is not None and not fit.nulls:
        warnings.append(
            f"the stems do not add up to the bounce: the rest is at {fit.residual_db:.1f} dB (worst "
            f"{fit.worst_db:.1f} dB at {fit.worst_at_s:.1f} s; at most -60 dB is needed to take a stem out "
            'of the bounce itself). Parts with "without" or "only" are made from the stems, '
            f"{fit.gain_db:+.2f} dB, and may step in level"
        )
    if not study.song.listeners:
        warnings.append("nobody is listed under [listeners]; add a line such as  ana = {}")
    return warnings
