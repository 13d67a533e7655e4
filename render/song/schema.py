"""The shape of song.toml, for pydantic; what needs more than one key to judge is in song.py."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from render.song.forms import AS_WRITTEN, did_you_mean
from render.song.grid import parse_meter

_MOST_SHOWN = 8


def _meter(value: object) -> object:
    meter = parse_meter(value) if isinstance(value, str) else None
    if meter is None:
        raise ValueError('a meter such as "4/4" or "7/8"')
    return meter.beats, meter.unit


def _form(value: object) -> object:
    if not isinstance(value, list | dict):
        raise ValueError('a list of parts, such as ["verse", "refrain"]')
    return {"parts": value} if isinstance(value, list) else value


def _section(value: object) -> object:
    if isinstance(value, str | int) and not isinstance(value, bool):
        raise ValueError(f'a table: {{ bars = "{value}" }}')
    return value


def _bars(value: object) -> object:
    """A lone bar may be written as a number."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _prior(value: object) -> object:
    """A bare number of prior listens means "as written"."""
    if isinstance(value, bool) or not isinstance(value, int | float | dict):
        raise ValueError('a number, or a table such as { "as written" = 20 }')
    return value if isinstance(value, dict) else {AS_WRITTEN: value}


MeterText = Annotated[tuple[int, int], BeforeValidator(_meter)]
Tempo = Annotated[float, Field(ge=10, le=1000)]
PriorListens = Annotated[float, Field(ge=0, le=100_000)]


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class ChangeTable(Table):
    bar: int = Field(ge=1, le=100_000)
    tempo: Tempo | None = None
    meter: MeterText | None = None


class AnySongTable(Table):
    title: str = Field(min_length=1, max_length=200)
    audio: str = Field(min_length=1)
    start: float = Field(default=0.0, ge=0)
    bars: int | None = Field(default=None, ge=1)
    changes: list[ChangeTable] = []
    beats: str | None = Field(default=None, min_length=1)


class SongTable(AnySongTable):
    tempo: Tempo
    meter: MeterText = (4, 4)


class MappedSongTable(AnySongTable):
    """Tempo and meter come from the map; written here too, they are refused with the reason."""

    map: str = Field(min_length=1)
    map_bar: int = Field(default=1, ge=1, le=100_000)
    tempo: Tempo | None = None
    meter: MeterText | None = None


class SectionTable(Table):
    bars: Annotated[str, BeforeValidator(_bars)]
    pickup: float = Field(default=0, ge=0, le=64)


class FormTable(Table):
    parts: list[str]
    ending: str | None = None
    replaces: str | None = None


class ListenerTable(Table):
    prior_listens: Annotated[dict[str, PriorListens], BeforeValidator(_prior)] = {}
    weight: float = Field(default=1.0, gt=0, le=1000)


class RenderTable(Table):
    matching: Literal["integrated", "same gain"] = "integrated"
    crossfade_ms: float = Field(default=10.0, ge=1, le=200)


class PlanTable(Table):
    rounds: int = Field(default=6, ge=1, le=200)
    days: int = Field(default=3, ge=1, le=200)
    rests: bool | None = None  # None: for one listener alone


Sections = dict[str, Annotated[SectionTable, BeforeValidator(_section)]]


class AnySongFile(Table):
    stems: dict[str, str] = {}
    forms: dict[str, Annotated[FormTable, BeforeValidator(_form)]] = {}
    listeners: dict[str, ListenerTable] = {}
    render: RenderTable = RenderTable()
    plan: PlanTable = PlanTable()


class WrittenSongFile(AnySongFile):
    song: SongTable
    sections: Sections = Field(min_length=1)


class MappedSongFile(AnySongFile):
    song: MappedSongTable
    sections: Sections = {}


SongFile = WrittenSongFile | MappedSongFile


def song_file(table: dict[str, Any]) -> SongFile:
    """The tables of a song.toml, checked.

    Raises:
        ValidationError: see `problems`.
    """
    song = table.get("song")
    if isinstance(song, dict) and "map" in song:
        return MappedSongFile.model_validate(table)
    return WrittenSongFile.model_validate(table)


def problems(error: ValidationError, file: str) -> str:
    """pydantic's complaints in our words, a line each: the key, what is there, what was expected."""
    # a misspelt key comes before the one that is missing for it
    problems = sorted(error.errors(include_url=False), key=lambda p: p["type"] != "extra_forbidden")
    sentences = [_sentence(problem) for problem in problems]
    if len(sentences) > _MOST_SHOWN:
        sentences[_MOST_SHOWN - 1 :] = [f"and {len(sentences) - _MOST_SHOWN + 1} more like these"]
    return f"{file}: " + "\n  ".join(sentences)


def _sentence(problem: ErrorDetails) -> str:
    key = _key(problem["loc"])
    match problem["type"]:
        case "missing":
            return f"{key} is missing; add it"
        case "extra_forbidden":
            if problem["loc"] == ("song", "map_bar"):
                return 'song.map_bar stands there without a map; add map = "FILE.mid", or take it out'
            known = _known_keys(problem["loc"][:-1])
            return f"{key} is not a key of this file{did_you_mean(str(problem['loc'][-1]), known)}"
    return f"{key} is {_shown(problem['input'])}; expected {_expected(problem['msg'])}"


def _expected(message: str) -> str:
    """What pydantic asks for, in words for a person."""
    message = message.removeprefix("Value error, ").removeprefix("Input should be ")
    if message.startswith(("Dictionary", "String")):
        return "at least one entry" if message.startswith("Dictionary") else "some text of sensible length"
    message = re.sub(r"^(greater|less) than", r"a number \1 than", message)
    message = re.sub(r"^a valid (dictionary|list).*", _table_or_list, message)
    return message.replace("a valid integer", "a whole number").replace("a valid ", "a ")


def _table_or_list(match: re.Match[str]) -> str:
    return "a table, { … }" if match[1] == "dictionary" else "a list, [ … ]"


def _key(loc: tuple[int | str, ...]) -> str:
    words = []
    for part in loc:
        if isinstance(part, int):
            words.append(f"entry {part + 1}")
        else:
            words.append(part if re.fullmatch(r"[\w-]+", part) else f'"{part}"')
    return ".".join(words) or "the file"


def _known_keys(loc: tuple[int | str, ...]) -> list[str]:
    model: Any = WrittenSongFile
    tables = {
        "song": MappedSongTable, "sections": SectionTable, "forms": FormTable, "listeners": ListenerTable,
        "render": RenderTable, "plan": PlanTable,
    }  # fmt: skip
    if loc:
        model = ChangeTable if "changes" in loc else tables.get(str(loc[0]), WrittenSongFile)
    return list(model.model_fields)


def _shown(value: object) -> str:
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    return text if len(text) <= 60 else text[:57] + "…"
