"""The house itself: who may import whom, how large a room may be, style, types, and documents that do
not drift from what is there."""

from __future__ import annotations

import ast
import pydoc
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from listening.cli import main
from render.renders.render_forms import render_forms
from sessions.study import Study
from tests.__main__ import LONGEST, LONGEST_IN_REAL_TIME, NAMES_REAL_TIME
from tests.songs import make_study

HERE = Path(__file__).parents[1]
MAY_IMPORT = {
    "render": {"render"},
    "sessions": {"sessions", "render"},
    "listening": {"listening", "sessions", "render"},
    "reports": {"reports", "sessions", "render"},
}
ROOMS = {
    "render": (
        "style",
        "song",
        "edits",
        "audio",
        "loudness",
        "joins",
        "renders",
        "analysis",
        "beat",
        "proposals",
    ),
    "listening": ("local", "page", "packet", "maker", "demo", "commands"),
    "reports": ("model", "verdict", "simulation", "facts", "way_back", "output"),
}  # fmt: skip  # each may import those before it
COMMAND_LINE = ("listening/cli.py", "listening/commands/")
SEES_REPORTS = (*COMMAND_LINE, "listening/maker/")
TOP_LEVEL = {
    "render", "sessions", "listening", "reports", "tests", "README.md", "DEVELOPERS.md", "pyproject.toml",
    "LICENSE", "CHANGELOG.md", "SECURITY.md",
}  # fmt: skip
LONGEST_FILE = 400


def tracked() -> list[str]:
    done = subprocess.run(["git", "ls-files"], cwd=HERE, capture_output=True, text=True, check=True)
    return done.stdout.splitlines()


def modules(package: str) -> list[Path]:
    paths = sorted((HERE / package).rglob("*.py"))
    assert paths, f"no modules in {package}"
    return paths


def imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the direction"
            yield node.module or ""


@pytest.mark.parametrize("package", MAY_IMPORT)
def test_imports_run_one_way(package: str) -> None:
    for path in modules(package):
        inside = {name.split(".")[0] for name in imports(path)} & MAY_IMPORT.keys()
        name = path.relative_to(HERE).as_posix()
        allowed = MAY_IMPORT[package] | ({"reports"} if name.startswith(SEES_REPORTS) else set())
        assert inside <= allowed, f"{name} imports {sorted(inside - allowed)}"
        assert not any(other.startswith("tests") for other in imports(path)), name


@pytest.mark.parametrize("package", ROOMS)
def test_rooms_are_entered_one_way(package: str) -> None:
    rooms = ROOMS[package]
    folders = {path.name for path in (HERE / package).iterdir() if (path / "__init__.py").exists()}
    assert folders == set(rooms), "a room without a place in the order, or a place without a room"
    for path in modules(package):
        name = path.relative_to(HERE).as_posix()
        inside = name.split("/")[1]
        allowed = rooms[: rooms.index(inside) + 1] if inside in rooms else ()
        for other in imports(path):
            parts = other.split(".")
            if (
                parts[0] == package
                and len(parts) > 1
                and parts[1] in rooms
                and not name.startswith(COMMAND_LINE)
            ):
                assert parts[1] in allowed, f"{name} imports {other}"


def test_developers_md_names_files_and_functions_that_are_there() -> None:
    text = (HERE / "DEVELOPERS.md").read_text(encoding="utf-8")
    files = re.findall(r"(?<![\w/.])[a-z_][\w/]*\.(?:py|js|css)\b", text)
    names = re.findall(r"`((?:render|sessions|listening|reports)(?:\.\w+)+)`", text)
    assert len(files) > 20 and len(names) > 3
    assert not [name for name in files if not any(f"/{path}".endswith(f"/{name}") for path in tracked())]
    for name in names:
        assert pydoc.locate(name) is not None, name


def test_what_tests_share_is_in_a_file_of_its_own() -> None:
    for path in modules("tests"):
        assert not any(other.startswith("tests.test_") for other in imports(path)), path.name


def test_a_file_with_tests_in_real_time_says_so_itself() -> None:
    """`python -m tests` finds them by the marks in their text: a mark from elsewhere would not be seen."""
    others = [path for path in modules("tests") if not path.name.startswith("test_")]
    named = {path.name for path in others if NAMES_REAL_TIME.search(path.read_text(encoding="utf-8"))}
    assert named == set()
    assert {path.name for path in modules("tests")} >= {*LONGEST, *LONGEST_IN_REAL_TIME}


@pytest.mark.parametrize("package", [*MAY_IMPORT, "tests"])
def test_a_file_holds_one_idea(package: str) -> None:
    long = {
        path.name: lines
        for path in modules(package)
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > LONGEST_FILE
    }
    assert not long, f"files over {LONGEST_FILE} lines: {long}"


def test_the_top_level_shows_the_job() -> None:
    there = {name.split("/")[0] for name in tracked()}
    assert {name for name in there if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.parametrize("command", [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]])
def test_style_and_types(command: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=HERE, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def commands() -> list[click.Command]:
    all_commands = list(main.commands.values())
    assert len(all_commands) >= 14
    return all_commands


@pytest.mark.parametrize("command", commands(), ids=lambda c: c.name or "")
def test_every_command_is_explained(command: click.Command) -> None:
    readme = (HERE / "README.md").read_text(encoding="utf-8")
    assert command.help and command.help.strip().endswith((".", "?"))
    assert re.search(rf"fairhearing {command.name}\b", readme), f"README does not show {command.name}"
    for option in command.params:
        if isinstance(option, click.Option) and option.name != "help":
            assert option.help or option.metavar, f"{command.name} {option.opts} has no help"


def test_the_readme_has_exactly_two_set_up_commands() -> None:
    readme = (HERE / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^```sh set-up\n(.*?)^```$", readme, re.MULTILINE | re.DOTALL)
    first, second = block.strip().splitlines()
    assert "fairhearing demo" in first and second.endswith("-m tests")


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((HERE / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    developers = (HERE / "DEVELOPERS.md").read_text(encoding="utf-8")
    for requirement in wanted:
        name = re.split(r"[>=<;\[ ]", requirement)[0]
        if name == project["name"]:
            continue  # an extra of our own
        assert f"`{name}`" in developers, f"DEVELOPERS.md gives no reason for {name}"


NOT_FOR_STATUS = {
    "jinja2", "matplotlib", "numpy", "pandas", "reports", "scipy", "sounddevice", "soundfile",
    "sqlalchemy.orm", "starlette", "uvicorn",
}  # fmt: skip
NOT_FOR_HELP = NOT_FOR_STATUS | {
    "pydantic", "rich", "sqlalchemy", "listening.status", "render.song.song", "sessions.study",
}  # fmt: skip
NOT_FOR_CHECK = NOT_FOR_STATUS - {"numpy", "soundfile"}
NOT_FOR_VERDICT = {"jinja2", "matplotlib", "pydantic", "scipy", "soundfile", "sqlalchemy", "starlette"}
NOT_FOR_REPORT = {"pyloudnorm", "scipy", "sounddevice", "starlette", "uvicorn"}


@pytest.fixture(scope="module")
def rated_study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Renders, a log and a table of ratings: every command has all of it to read."""
    study = Study(make_study(tmp_path_factory.mktemp("house") / "study"))
    study.register(render_forms(study.song))
    rows = [f"ana,{day},{day},{at},{form},{50 + at}" for day in (1, 2) for at, form in enumerate("abc", 1)]
    ratings = ["listener,day,round,position,form,rating", *rows]
    (study.folder / "ratings.csv").write_text("\n".join(ratings), encoding="utf-8")
    return study


@pytest.mark.parametrize(
    ("arguments", "needless", "said"),
    [
        (["--help"], NOT_FOR_HELP, "Compare the forms"),
        (["status"], NOT_FOR_STATUS, "round 1 now"),
        (["render"], NOT_FOR_STATUS, "Loudness of the written files"),  # nothing is to be made
        (["check"], NOT_FOR_CHECK, "song.toml is in order"),
        (["verdict", "ratings.csv"], NOT_FOR_VERDICT, "Settled ratings"),
        (["report"], NOT_FOR_REPORT, "report.html"),
    ],
    ids=["help", "status", "render", "check", "verdict", "report"],
)
def test_commands_load_nothing_they_do_not_need(
    arguments: list[str], needless: set[str], said: str, rated_study: Study
) -> None:
    code = (
        "import sys\nfrom listening.cli import main\n"
        f"try:\n    main({arguments!r}, standalone_mode=False)\n"
        f"finally:\n    print('NEEDLESS', sorted({needless!r} & sys.modules.keys()))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=rated_study.folder, capture_output=True, text=True, check=False,
        env={"PYTHONPATH": str(HERE), "PATH": ""},
    )  # fmt: skip
    assert "NEEDLESS []" in done.stdout, done.stdout + done.stderr
    assert said in done.stdout, done.stdout + done.stderr
