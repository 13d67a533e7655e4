"""A CSV of ratings, from paper sheets or another study, to a checked table.

Columns: listener, day (ISO date or whole number), round, position (1 = heard first), form, rating (0-100);
optionally listen, sitting, exposure, prior_listens. A comma, semicolon or tab separates them; a decimal
comma is understood where a comma does not separate columns. Every error names its line.
"""

import csv
import difflib
import io
import math
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd

from render.errors import RatingsError
from reports.files import FORMULA_STARTS
from reports.verdict.phrases import listed

REQUIRED = ("listener", "day", "round", "position", "form", "rating")
OPTIONAL = ("listen", "sitting", "exposure", "prior_listens")
OURS = (  # of a report's ratings.csv (facts.ratings.COLUMNS, which would load more): not warned about
    "heard_on", "means", "code", "opening", "flow", "build", "ending", "started_utc", "after_opening",
    "comments", "late_s", "cut_heard",
)  # fmt: skip
MOST = 1_000_000  # a round, position or listen beyond it is a slip


def _name(text: str) -> str:
    if not text:
        raise ValueError
    # a report's ratings.csv keeps such a name from being run as a formula
    return text[1:] if text[0] == "'" and text[1:].startswith(FORMULA_STARTS) else text


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        return str(int(text))


def _count(text: str) -> int:
    value = float(text)
    if not 1 <= value <= MOST or value != int(value):
        raise ValueError
    return int(value)


def _upto(most: float) -> Callable[[str], float]:
    def number(text: str) -> float:
        value = float(text)
        if not 0 <= value <= most:
            raise ValueError
        return value

    return number


_COUNTED = (_count, f"a whole number from 1 to {MOST}")
_FROM_0 = (_upto(sys.float_info.max), "a number from 0")
_READERS: dict[str, tuple[Callable[[str], object], str]] = {  # how a value is read, and what was expected
    "listener": (_name, "a name"),
    "day": (_day, "a date such as 2025-03-14, or a whole number"),
    "round": _COUNTED,
    "position": _COUNTED,
    "form": (_name, "a name"),
    "rating": (_upto(100), "a number from 0 to 100"),
    "listen": _COUNTED,
    "sitting": (str, "a text"),
    "exposure": _FROM_0,
    "prior_listens": _FROM_0,
}


def read_ratings(path: Path | str) -> tuple[pd.DataFrame, list[str]]:
    """The ratings in the CSV file `path` and warnings about what had to be assumed.

    One row a rated listen, in the file's order, with the columns of `REQUIRED`, `prior_listens`, and those of
    the other optional ones that the file has (an empty listen or exposure is NaN: it will be counted).
    Raises RatingsError, naming the line, when the file cannot be judged.
    """
    path = Path(path)
    delimiter, records = _records(path)
    header = [name.strip().lower().replace(" ", "_") for name in records[0][1]]
    warnings = _check_header(path, header)
    decimal_comma = delimiter != ","
    rows: list[dict[str, object]] = []
    lines: list[int] = []
    simulated: set[str] = set()
    late = 0
    for line, values in records[1:]:
        place = f"{path.name}, line {line}"
        if len(values) > len(header) and any(value.strip() for value in values[len(header) :]):
            raise RatingsError(
                f"{place}: {len(values)} values, but the header names {len(header)} columns. "
                "Put a name that contains the separator in quotation marks."
            )
        texts = dict(zip(header, [value.strip() for value in values], strict=False))
        rows.append(_row(texts, place, decimal_comma))
        lines.append(line)
        late += texts.get("after_opening") == "1"
        if texts.get("means") == "simulated":
            simulated.add(str(rows[-1]["listener"]))
    table = pd.DataFrame(rows)
    warnings += _what_they_are(simulated, late)
    _check_duplicates(table, lines, path)
    warnings += _settle_prior_listens(table, lines, path)
    return table, warnings


def _records(path: Path) -> tuple[str, list[tuple[int, list[str]]]]:
    """The separator, and (line number, values) of each record that is not blank."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise RatingsError(f"{path}: cannot be read ({error.strerror}). Check the path.") from error
    except UnicodeDecodeError as error:
        raise RatingsError(f"{path}: is not UTF-8 text. Save it again as CSV in UTF-8.") from error
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        records = [(reader.line_num, values) for values in reader if any(value.strip() for value in values)]
    except csv.Error as error:
        raise RatingsError(
            f"{path.name}, line {reader.line_num}: {error}. Save the file again as CSV."
        ) from error
    if len(records) < 2:
        raise RatingsError(
            f"{path.name}: holds no ratings; expected a header line ({', '.join(REQUIRED)}) "
            "and one line a rating."
        )
    return delimiter, records


def _check_header(path: Path, header: list[str]) -> list[str]:
    missing = [name for name in REQUIRED if name not in header]
    twice = sorted({name for name in header if name and header.count(name) > 1})
    if missing or twice:
        what = (
            f"lacks the column {', '.join(missing)}"
            if missing
            else f"has the column {', '.join(twice)} twice"
        )
        raise RatingsError(
            f"{path.name}, line 1: the header {what}; found {', '.join(filter(None, header))}. "
            f"Expected {', '.join(REQUIRED)}, and optionally {', '.join(OPTIONAL)}."
        )
    warnings = []
    for name in header:
        if name and name not in (*REQUIRED, *OPTIONAL, *OURS):
            near = difflib.get_close_matches(name, OPTIONAL, 1)
            hint = f'; did you mean "{near[0]}"?' if near else ""
            warnings.append(f'The column "{name}" is not used{hint}')
    return warnings


def _what_they_are(simulated: set[str], late: int) -> list[str]:
    """What a report's own ratings.csv says about its ratings: scripts' ones, and those since the opening."""
    warnings = []
    if simulated:
        who = f"{listed(sorted(simulated))} {'is' if len(simulated) == 1 else 'are'}"
        warnings.append(f"{who} simulated: a verdict on such ratings is about a script, not about music.")
    if late:
        warnings.append(
            f"{late} of the ratings were given after the study was opened; they count here, and not in the "
            "study's own verdict."
        )
    return warnings


def _row(texts: dict[str, str], place: str, decimal_comma: bool) -> dict[str, object]:
    row: dict[str, object] = {}
    for column, (read, expected) in _READERS.items():
        if column not in texts and column in OPTIONAL:
            continue
        text = texts.get(column, "")
        if decimal_comma and column in ("rating", "exposure", "prior_listens"):
            text = text.replace(",", ".")
        if not text and column in ("listen", "exposure", "prior_listens"):
            row[column] = math.nan
            continue
        try:
            row[column] = read(text)
        except ValueError:
            given = f'"{text}"' if text else "nothing"
            raise RatingsError(
                f"{place}: {column} is {given}; expected {expected}. Correct that line."
            ) from None
    return row


def _check_duplicates(table: pd.DataFrame, lines: list[int], path: Path) -> None:
    key = ["listener", "round", "form"]
    again = table.duplicated(key)
    if again.any():
        second = int(again.to_numpy().argmax())
        row = table.iloc[second]
        same = (table[key] == row[key]).all(axis=1).to_numpy()
        raise RatingsError(
            f'{path.name}, line {lines[second]}: {row["listener"]} already rated "{row["form"]}" in round '
            f"{row['round']}, on line {lines[int(same.argmax())]}; expected one rating for each listener, "
            "round and form. Keep the one that counts."
        )


def _settle_prior_listens(table: pd.DataFrame, lines: list[int], path: Path) -> list[str]:
    """Fills `prior_listens` for each listener and form; says where 0 had to be assumed."""
    if "prior_listens" not in table:
        table["prior_listens"] = 0.0
        return [
            "There is no column prior_listens: taken as 0, as if nobody had known any form before. If "
            "somebody knew one well, say how often they had heard it, or its head start counts as merit."
        ]
    pairs = table.groupby(["listener", "form"])["prior_listens"]
    low, high = pairs.transform("min"), pairs.transform("max")
    differs = ((low != high) & low.notna()).to_numpy()
    if differs.any():
        at = int(differs.argmax())
        row = table.iloc[at]
        raise RatingsError(
            f'{path.name}, line {lines[at]}: prior_listens of {row["listener"]} for "{row["form"]}" is '
            f"both {low.iloc[at]:g} and {high.iloc[at]:g}; expected one number, "
            "the listens before the first round."
        )
    empty = table.loc[high.isna(), ["listener", "form"]].drop_duplicates()
    table["prior_listens"] = high.fillna(0.0)
    return [
        f'prior_listens is empty for {name} and "{form}": taken as 0.'
        for name, form in sorted(empty.itertuples(index=False, name=None))
    ]
