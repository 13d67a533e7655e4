"""The shape of song.toml, for pydantic; what needs more than one key to judge is in song.py."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from render.forms import did_you_mean


def _meter(value: object) -> object:
    found = re.fullmatch(r"\s*(\d{1,2})\s*/\s*(\d{1,2})\s*", value) if isinstance(value, str) else None
    if not found or not 1 <= int(found[1]) <= 32 or int(found[2]) not in (1, 2, 4, 8, 16, 32):
        raise ValueError('a meter is written like "4/4" or "7/8"')
    return int(found[1]), int(found[2])


def _form(value: object) -> object:
    return {"parts": value} if isinstance(value, list) else value


MeterText = Annotated[tuple[int, int], BeforeValidator(_meter)]
Tempo = Annotated[float, Field(ge=10, le=1000)]
Prior = Annotated[float, Field(ge=0, le=100_000)]


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class ChangeTable(Table):
    bar: int = Field(ge=1, le=100_000)
    tempo: Tempo | None = None
    meter: MeterText | None = None


class SongTable(Table):
    title: str = Field(min_length=1, max_length=200)
    audio: str = Field(min_length=1)
    tempo: Tempo
    meter: MeterText = (4, 4)
    start: float = Field(default=0.0, ge=0)
    bars: int | None = Field(default=None, ge=1)
    changes: list[ChangeTable] = []


class SectionTable(Table):
    bars: str | int
    pickup: float = Field(default=0, ge=0, le=64)


class FormTable(Table):
    parts: list[str]
    ending: str | None = None
    replaces: str | None = None


class ListenerTable(Table):
    prior_listens: Prior | dict[str, Prior] = 0.0
    weight: float = Field(default=1.0, gt=0, le=1000)


class RenderTable(Table):
    matching: Literal["integrated", "same gain"] = "integrated"
    crossfade_ms: float = Field(default=10.0, ge=1, le=200)


class PlanTable(Table):
    rounds: int = Field(default=6, ge=1, le=200)
    days: int = Field(default=3, ge=1, le=200)


class SongFile(Table):
    song: SongTable
    stems: dict[str, str] = {}
    sections: dict[str, SectionTable] = Field(min_length=1)
    forms: dict[str, Annotated[FormTable, BeforeValidator(_form)]] = {}
    listeners: dict[str, ListenerTable] = {}
    render: RenderTable = RenderTable()
    plan: PlanTable = PlanTable()


def first_problem(error: ValidationError, file: str) -> str:
    """pydantic's first complaint in our words: the key, what is there, what was expected."""
    problems = error.errors(include_url=False)
    problem = problems[0]
    key = _key(problem["loc"])
    more = f" (and {len(problems) - 1} more to mend)" if len(problems) > 1 else ""
    match problem["type"]:
        case "missing":
            return f"{file}: {key} is missing; add it{more}"
        case "extra_forbidden":
            known = _known_keys(problem["loc"][:-1])
            return (
                f"{file}: {key} is not a key of this file{did_you_mean(str(problem['loc'][-1]), known)}{more}"
            )
    expected = problem["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    expected = expected.replace("a valid dictionary", "a table, { … }").replace("a valid ", "a ")
    return f"{file}: {key} is {_shown(problem['input'])}; expected {expected}{more}"


def _key(loc: tuple[int | str, ...]) -> str:
    words = []
    for part in loc:
        if isinstance(part, int):
            words.append(f"entry {part + 1}")
        elif part not in ("float", "int", "str") and not part.startswith(("dict[", "function-")):
            words.append(part if re.fullmatch(r"[\w-]+", part) else f'"{part}"')
    return ".".join(words) or "the file"


def _known_keys(loc: tuple[int | str, ...]) -> list[str]:
    model: Any = SongFile
    tables = {
        "song": SongTable, "sections": SectionTable, "forms": FormTable, "listeners": ListenerTable,
        "render": RenderTable, "plan": PlanTable,
    }  # fmt: skip
    if loc:
        model = ChangeTable if "changes" in loc else tables.get(str(loc[0]), SongFile)
    return list(model.model_fields)


def _shown(value: object) -> str:
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    return text if len(text) <= 60 else text[:57] + "…"
