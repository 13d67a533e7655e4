"""The sheet Song: the bounce, its stems, and whether the beat lies on it, judged by ear."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from listening.maker.action import Action, Done, changed, flag, number, text, whole
from listening.maker.sheets import bundles
from listening.maker.uploads import SOUND_ENDINGS
from listening.maker.workspace import Workspace
from listening.new_study import start_study
from render.analysis.frames_file import recall_frames
from render.audio.stems import read_audio
from render.beat.fit import fit_beat
from render.edits.settings import set_keys, set_stems
from render.errors import PageError, StudyError
from render.song.forms import Section
from render.song.grid import Meter, parse_meter
from render.song.song import Song
from render.steps import Step, part_of

MAP_ENDINGS = (".mid", ".midi")
OWN_FOLDERS = ("renders", "report")
PLACES = (
    ("the top", 0.0),
    ("a quarter", 0.25),
    ("half", 0.5),
    ("three quarters", 0.75),
    ("shortly before the end", 1.0),
)
SHORTLY_S = 20.0
CONFIRMED = "beat confirmed"
NOTHING_GIVEN: Mapping[str, object] = {
    "bounce": "", "folder": "", "map": "", "tempo": "", "meter": "", "live": False,
}  # fmt: skip
SUGGESTED = "sections suggested"


def stands(work: Workspace) -> str:
    """Whether the song asks something: its beat is judged by ear once for every grid, before the rounds."""
    return "in order" if is_confirmed(work, work.song()) or has_rounds(work) else "asks something"


def has_rounds(work: Workspace) -> bool:
    """Whether somebody has begun to listen: then the grid is what it was rendered on."""
    return bool(work.study().known.rounds)


def grid_key(song: Song) -> str:
    """What a judgement of the beat was about: the audio and its grid."""
    made_of = (song.audio.path.name, song.audio.frames, repr(song.grid))
    return hashlib.sha256(repr(made_of).encode()).hexdigest()[:16]


def is_confirmed(work: Workspace, song: Song) -> bool:
    """Whether somebody said of this grid that the beat lies on the song."""
    return any(event.detail.get("grid") == grid_key(song) for event in work.events(CONFIRMED))


def context(work: Workspace, shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows."""
    begin = work.jobs.last("begin")
    plain = {"problem": work.problem() if work.begun else "", "begin": begin, "song": None}
    plain |= bundles.context(work)
    if not work.begun:
        return plain | {
            "bounces": files(work.folder, SOUND_ENDINGS), "maps": files(work.folder, MAP_ENDINGS),
            "folders": stem_folders(work.folder), "chosen": shown.get("bounce", ""),
            "map": shown.get("map", ""), "given": work.cache.get("given", NOTHING_GIVEN),
        }  # fmt: skip
    if plain["problem"]:
        return plain
    song = work.song()
    return plain | {
        "song": song, "places": _places(song), "lines": _beat_lines(song),
        "confirmed": is_confirmed(work, song),
        "fit": work.cache.get(("fit", grid_key(song))), "fitting": work.jobs.last("fit"),
        "taps": work.cache.get("taps"), "folders": stem_folders(work.folder), "changes": _changes(song),
    }  # fmt: skip


def note_suggested(work: Workspace, sections: Iterable[Section]) -> None:
    """Mark sections as suggested, until somebody has heard or touched them."""
    work.note(SUGGESTED, {"grid": grid_key(work.song()), "bars": [s.first_bar for s in sections]})


def files(folder: Path, endings: tuple[str, ...]) -> list[str]:
    """Names of the folder's own files of a kind; links that lead elsewhere are not offered."""
    return sorted(
        path.name
        for path in folder.iterdir()
        if path.suffix.lower() in endings
        and path.is_file()
        and path.name[0] != "."
        and _is_inside(path, folder)
    )


def stem_folders(folder: Path) -> list[str]:
    """Folders within the study's that hold sound."""
    return sorted(
        path.name
        for path in folder.iterdir()
        if path.is_dir() and path.name not in OWN_FOLDERS and path.name[0] != "." and _is_inside(path, folder)
        and files(path, SOUND_ENDINGS)
    )  # fmt: skip


def _is_inside(path: Path, folder: Path) -> bool:
    return path.resolve().is_relative_to(folder.resolve())


def _places(song: Song) -> list[dict[str, Any]]:
    """Where the song can be heard from: the frame, and how many frames there are from it on."""
    last = max(song.audio.frames - round(SHORTLY_S * song.audio.sample_rate), 0)
    places = []
    for words, share in PLACES:
        start = min(round(share * song.audio.frames), last)
        places.append({"words": words, "from": start, "frames": song.audio.frames - start})
    return places


def _beat_lines(song: Song) -> list[list[float]]:
    """Stretches of one tempo: first bar, seconds, seconds a beat, beats a bar."""
    return [[s.bar, float(s.start_s), float(s.beat_s), s.meter.beats] for s in song.grid.stretches]


def _begin(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Start a study around a bounce of the folder: measured and written beside the page."""
    if version != "none":
        raise PageError(409, "changed", "There is a song.toml by now; this page shows it.")
    audio = _chosen(work, text(args, "bounce"), files(work.folder, SOUND_ENDINGS), "bounce")
    folder = text({"folder": args.get("folder", "")}, "folder", empty=True)
    stems = _chosen(work, folder, stem_folders(work.folder), "folder of stems") if folder else None
    midi = text({"map": args.get("map", "")}, "map", empty=True)
    song_map = _chosen(work, midi, files(work.folder, MAP_ENDINGS), "map") if midi else None
    tempo = number(args, "tempo", 10, 1000) if str(args.get("tempo", "")).strip() and not midi else None
    meter = text({"meter": args.get("meter") or "4/4"}, "meter")
    live = flag(args, "live")
    work.cache["given"] = {**NOTHING_GIVEN} | {name: args[name] for name in NOTHING_GIVEN if name in args}
    lines: list[str] = []

    def measure(step: Step) -> list[str]:
        start_study(
            audio, tempo=tempo, meter=meter, start_s=None, stems=stems, report=lines.append,
            confirm=lambda _question: True, map_path=song_map, live=live, step=step,
        )  # fmt: skip
        note_suggested(work, work.song().sections)
        _compare(work)
        return lines

    work.jobs.start("begin", "listening to the song", measure)
    return Done()


def _chosen(work: Workspace, name: str, offered: list[str], what: str) -> Path:
    """A file or folder by the name it was offered under: no path comes from the browser."""
    if name not in offered:
        raise PageError(422, "order", f"There is no such {what} in the study's folder.")
    return work.folder / name


def _compare(work: Workspace) -> None:
    """Begin to compare the grid with the song's attacks, unless that is known."""
    song = work.song()
    key = ("fit", grid_key(song))
    if key in work.cache:
        return

    def measure(step: Step) -> None:
        while True:
            now = work.song()
            step("comparing the beat with the song's attacks", 0, 0)
            firsts = [section.first_bar for section in now.sections]
            bounce, rate = read_audio(now.audio.path), now.audio.sample_rate
            recall_frames(work.folder, now.audio.path, bounce, rate, part_of(step, 10, 70))
            step("comparing the beat with the song's attacks", 70, 100)
            fit = fit_beat(bounce, rate, now.grid, firsts)
            work.cache["fit", grid_key(now)] = fit
            if grid_key(work.song()) == grid_key(now):  # else it was changed meanwhile
                return

    with suppress(StudyError):  # the comparison under way looks at the grid again before it ends
        work.jobs.start("fit", "comparing the beat with the song's attacks", measure)


def _set_grid(work: Workspace, words: str, version: str, values: Mapping[str, object]) -> Done:
    work.change(words, version, set_keys, "song", values)
    _compare(work)
    return Done()


def _seconds(value: float) -> float:
    return round(value, 4)


def _start(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Where bar 1 begins: by beats, by seconds, or at a place."""
    song = work.song()
    beats = number({"beats": args.get("beats", 0)}, "beats", -64, 64)
    by_s = number({"by_s": args.get("by_s", 0)}, "by_s", -60, 60)
    if "at_s" in args:
        at_s = number(args, "at_s", 0, song.audio.seconds)
        beat_s = float(song.grid.stretches[0].beat_s)
        now_s = float(song.grid.start_s)
        at_s = (
            now_s + round((at_s - now_s) / beat_s) * beat_s
        )  # a press is late; the beat nearest to it is meant
        words = "bar 1 is here"
    else:
        at_s = float(song.grid.start_s) + beats * float(song.grid.stretches[0].beat_s) + by_s
        words = "bar 1 moved"
    while at_s < 0:
        at_s += float(song.grid.stretches[0].bar_s)
    return _set_grid(work, words, version, {"start": _seconds(at_s)})


def _tempo(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Half or double the tempo, or a tempo that is written."""
    song = _with_one_tempo(work.song())
    if "factor" in args:
        tempo = float(song.grid.tempo) * number(args, "factor", 0.25, 4)
    else:
        tempo = number(args, "tempo", 10, 1000)
    return _set_grid(work, f"tempo {tempo:g}", version, {"tempo": round(tempo, 4)})


def _with_one_tempo(song: Song) -> Song:
    """The song, if its tempo is a number and not the beats of a live take.

    Raises:
        PageError: its beats stand in a file of their own.
    """
    if song.grid.beats_s and song.map is None:
        raise PageError(
            422, "order", "This is a live take: its tempo is that of the beats in its own file (beats.csv); "
            "mend them there."
        )  # fmt: skip
    return song


def _meter(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    meter = str(_parsed(text(args, "meter")))
    return _set_grid(work, f"meter {meter}", version, {"meter": meter})


def _parsed(meter: str) -> Meter:
    """A meter as it is written.

    Raises:
        PageError: it is none.
    """
    parsed = parse_meter(meter)
    if parsed is None:
        raise PageError(422, "order", f"“{meter}” is no meter; it is written like “4/4” or “7/8”.")
    return parsed


def _start_at(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    at_s = number(args, "start", 0, work.song().audio.seconds)
    return _set_grid(work, "bar 1 moved", version, {"start": _seconds(at_s)})


def _odd_bar(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """One bar of another meter; the meter before it comes back after it."""
    song = work.song()
    bar = whole(args, "bar", 1, song.last_bar)
    meter = _parsed(text(args, "bar_meter"))
    back = song.grid.stretch(bar + 1).meter
    if any(change.bar == bar + 1 and change.meter for change in song.grid.changes):
        back = song.grid.stretch(max(bar - 1, 1)).meter
    changes = {int(str(change["bar"])): change for change in _changes(song)}
    changes[bar] = changes.get(bar, {"bar": bar}) | {"meter": str(meter)}
    changes.setdefault(bar + 1, {"bar": bar + 1, "meter": str(back)})
    words = f"bar {bar} in {meter}"
    return _set_grid(work, words, version, {"changes": [changes[at] for at in sorted(changes)]})


def _change(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Another tempo, another meter or both from a bar on; from bar 1 on they are the song's own."""
    song = work.song()
    bar = whole(args, "bar", 1, song.last_bar)
    new: dict[str, object] = {}
    if tempo := text(args, "new_tempo", empty=True):
        _with_one_tempo(song)
        new["tempo"] = round(number({"tempo": tempo}, "tempo", 10, 1000), 4)
    if meter := text(args, "new_meter", empty=True):
        new["meter"] = str(_parsed(meter))
    if not new:
        raise PageError(422, "order", "Write the tempo, the meter or both that hold from this bar on.")
    words = f"from bar {bar} on {' in '.join(str(value) for value in new.values())}"
    if bar == 1:
        return _set_grid(work, words, version, new)
    changes = {int(str(change["bar"])): change for change in _changes(song)}
    changes[bar] = changes.get(bar, {"bar": bar}) | new
    return _set_grid(work, words, version, {"changes": [changes[at] for at in sorted(changes)]})


def _no_change(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Take a change of tempo or meter out."""
    bar = whole(args, "bar", 1, 10_000)
    left = [change for change in _changes(work.song()) if change["bar"] != bar]
    return _set_grid(work, f"no change at bar {bar}", version, {"changes": left or None})


def _changes(song: Song) -> list[dict[str, object]]:
    """Changes of tempo and meter as song.toml has them."""
    changes: list[dict[str, object]] = []
    for change in sorted(song.grid.changes, key=lambda change: change.bar):
        values: dict[str, object] = {"bar": change.bar}
        if change.tempo is not None:
            values["tempo"] = float(change.tempo)
        if change.meter is not None:
            values["meter"] = str(change.meter)
        changes.append(values)
    return changes


def _title(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    return changed(work, version, "the title", set_keys, "song", {"title": text(args, "title")})


def _confirm(work: Workspace, _args: Mapping[str, Any], _version: str) -> Done:
    song = work.song()
    work.note(
        CONFIRMED,
        {"grid": grid_key(song), "tempo": float(song.grid.tempo), "start_s": float(song.grid.start_s)},
    )
    return Done("The beat lies on the song. Next: its sections.")


def _use_stems(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Take the sound files of a folder as stems, named after their files."""
    folder = text(args, "folder")
    _chosen(work, folder, stem_folders(work.folder), "folder of stems")
    names = files(work.folder / folder, SOUND_ENDINGS)
    stems = {
        Path(name).stem.replace("_", " ").strip().casefold() or name: f"{folder}/{name}" for name in names
    }
    work.change("the stems", version, set_stems, stems)
    return Done(f"{len(stems)} stems: {', '.join(stems)}.")


def _no_stems(work: Workspace, _args: Mapping[str, Any], version: str) -> Done:
    return changed(work, version, "no stems", set_stems, {})


def _taps(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    """Tempo and start from taps, refined by the song's own attacks; shown to be taken or left."""
    from listening.maker.sheets.taps import from_taps

    work.cache["taps"] = from_taps(work, args)
    return Done()


def _take_taps(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    start = number(args, "start", 0, work.song().audio.seconds)
    values = {"tempo": round(number(args, "tempo", 10, 1000), 4), "start": _seconds(start)}
    work.cache.pop("taps", None)
    return _set_grid(work, "the tempo that was tapped", version, values)


def _compare_again(work: Workspace, _args: Mapping[str, Any], _version: str) -> Done:
    _compare(work)
    return Done()


ACTIONS: Mapping[str, Action] = {
    "begin": _begin, "start": _start, "start_at": _start_at, "tempo": _tempo, "meter": _meter,
    "title": _title,
    "confirm_beat": _confirm, "use_stems": _use_stems, "no_stems": _no_stems, "taps": _taps,
    "take_taps": _take_taps, "odd_bar": _odd_bar, "change": _change,
    "no_change": _no_change, "compare": _compare_again,
}  # fmt: skip
