"""Ratings from a file: what is read, assumed and refused, with line numbers."""

import math
from pathlib import Path

import pytest

from render.errors import RatingsError
from reports.facts.ratings import COLUMNS
from reports.facts.ratings_csv import OPTIONAL, OURS, REQUIRED, read_ratings

HEADER = "listener,day,round,position,form,rating,prior_listens\n"
ROWS = "ana,2025-03-01,1,1,as written,60,50\nana,2025-03-01,1,2,early bridge,55.5,0\n"


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "ratings.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_reads_the_columns(tmp_path: Path) -> None:
    table, warnings = read_ratings(write(tmp_path, HEADER + ROWS))
    assert warnings == []
    assert table["rating"].tolist() == [60, 55.5] and table["prior_listens"].tolist() == [50, 0]
    assert table["day"].tolist() == ["2025-03-01"] * 2


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_reads_a_spreadsheet_of_a_decimal_comma_country(tmp_path: Path, encoding: str) -> None:
    text = (HEADER + ROWS).replace(",", ";").replace("55.5", "55,5").replace("\n", "\r\n")
    table, _ = read_ratings(write(tmp_path, text, encoding))
    assert table["rating"].tolist() == [60, 55.5]


def test_quoted_names_and_whole_number_days(tmp_path: Path) -> None:
    text = (
        'Listener,Day,Round,Position,Form,Rating,Mood\nbo,3,1,1,"slow, then fast",0,good\nbo,3,1,2,x,100,\n\n'
    )
    table, warnings = read_ratings(write(tmp_path, text))
    assert table["form"].tolist() == ["slow, then fast", "x"] and table["day"].tolist() == ["3", "3"]
    assert table["prior_listens"].tolist() == [0, 0]
    assert any("mood" in warning for warning in warnings)
    assert any("prior_listens" in warning for warning in warnings)


def test_what_a_reports_own_table_says_of_its_ratings(tmp_path: Path) -> None:
    assert set(OURS) | set(REQUIRED) | set(OPTIONAL) == set(COLUMNS)
    header = HEADER.replace("\n", ",means,after_opening\n")
    rows = "ana,1,1,1,x,60,0,simulated,0\nbo,1,1,1,x,50,0,page,1\nana,1,1,2,y,55,0,simulated,0\n"
    _, warnings = read_ratings(write(tmp_path, header + rows))
    assert len(warnings) == 2 and warnings[0].startswith("ana is simulated: a verdict on such ratings")
    assert warnings[1].startswith("1 of the ratings were given after the study was opened")


def test_prior_listens_are_filled_within_listener_and_form(tmp_path: Path) -> None:
    text = HEADER + "a,1,1,1,x,50,9\na,1,1,2,y,50,\na,1,2,1,x,50,\na,1,2,2,y,50,\n"
    table, warnings = read_ratings(write(tmp_path, text))
    assert table["prior_listens"].tolist() == [9, 0, 9, 0]
    assert len(warnings) == 1 and '"y"' in warnings[0]


def test_optional_columns(tmp_path: Path) -> None:
    text = "listener,day,round,position,form,rating,listen,sitting,exposure,prior_listens\n"
    table, _ = read_ratings(write(tmp_path, text + "a,1,1,1,x,50,3,s1,2.5,0\na,1,1,2,y,50,,s1,,0\n"))
    assert table["listen"].tolist()[0] == 3 and math.isnan(table["listen"].tolist()[1])
    assert table["exposure"].tolist()[0] == 2.5 and table["sitting"].tolist() == ["s1", "s1"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            HEADER + ROWS + "ana,2025-03-02,1,3,early bridge,40,0\n",
            ["line 4", "line 3", "early bridge", "round 1"],
        ),
        (HEADER + "ana,2025-03-01,1,1,x,101,0\n", ["line 2", "rating", '"101"', "0 to 100"]),
        (HEADER + "ana,2025-03-01,1,1,x,nan,0\n", ["line 2", "rating"]),
        (HEADER + "ana,2025-03-01,1,1,x,,0\n", ["line 2", "rating", "nothing"]),
        (HEADER + "ana,2025-13-01,1,1,x,1,0\n", ["line 2", "day", "2025-13-01"]),
        (HEADER + "ana,2025-03-01,1.5,1,x,1,0\n", ["line 2", "round"]),
        (HEADER + "ana,2025-03-01,1,0,x,1,0\n", ["line 2", "position"]),
        (HEADER + 2 * f"ana,2025-03-01,{'9' * 40},1,x,1,0\n", ["line 2", "round", "1 to 1000000"]),
        (HEADER + ",2025-03-01,1,1,x,1,0\n", ["line 2", "listener"]),
        (HEADER + '"a\nb",1,1,1,x,1,0\na,1,1,1,x,200,0\n', ["line 4", "200"]),
        (HEADER + "a,1,1,1,x,1,0,5\n", ["line 2", "8 values"]),
        (HEADER + "a,1,1,1,x,1,4\na,1,2,1,x,1,5\n", ["line 2", "4", "5", "prior_listens"]),
        ("listener,day\na,1\n", ["line 1", "round, position, form, rating"]),
        ("listener,listener,day,round,position,form,rating\na,1,1,1,1,1,1\n", ["line 1", "twice"]),
        (HEADER, ["no ratings"]),
        ("", ["no ratings"]),
    ],
)
def test_refuses(tmp_path: Path, text: str, words: list[str]) -> None:
    with pytest.raises(RatingsError) as caught:
        read_ratings(write(tmp_path, text))
    for word in words:
        assert word in str(caught.value)


def test_refuses_what_is_no_text(tmp_path: Path) -> None:
    with pytest.raises(RatingsError, match="UTF-8"):
        read_ratings(write(tmp_path, HEADER + "é", "latin-1"))
    with pytest.raises(RatingsError, match="cannot be read"):
        read_ratings(tmp_path / "none.csv")
