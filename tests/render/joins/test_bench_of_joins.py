"""The benchmark's classifier: it finds planted clicks, level steps and cuts, and cannot tell two performances
of the same lines apart. Sound by fluidsynth with fluid-soundfont-gm, of short pieces invented here."""

import random
import shutil
from pathlib import Path

import numpy as np
import pytest

from render.audio.stems import read_audio
from tests.benchmarks.joins.classifier import area
from tests.benchmarks.joins.features import REACH_S, features
from tests.benchmarks.joins.planted import planted
from tests.benchmarks.joins.playing import LEAD_QUARTERS, RATE, SOUND_FONT, play
from tests.benchmarks.joins.scores import BANDS, QUARTERS_MS, Note, Score

PIECES, BARS = 4, 14
CLEAR_STEP = "level step of 4 or 6 dB between beats"
CLEAR = (2, 3, 6, 7)  # numbers of the edits with steps of 4 and 6 dB, down and up
LEAST = {
    "click": 0.97,
    CLEAR_STEP: 0.95,
    "level step": 0.55,  # 1 to 6 dB on lines where all is struck anew: mostly hidden by the playing itself
    "cut through notes": 0.9,
}
QUICK = {"trees": 100, "samples": 0}  # the benchmark grows 400, and says how sure its areas are
pytestmark = pytest.mark.skipif(
    not (shutil.which("fluidsynth") and Path(SOUND_FONT).exists()),
    reason="needs fluidsynth and fluid-soundfont-gm",
)


def invented(number: int) -> Score:
    """Chords of two halves or four quarters a bar over a bass, in a key of its own."""
    chance = random.Random(number)
    names = [*BANDS[number % len(BANDS)]]
    notes = []
    for bar in range(BARS):
        root, step = 48 + number + chance.choice([0, 5, 7, 9]), chance.choice([1, 2])
        for at in range(0, 4, step):
            notes.append(Note(4 * bar + at, step * 0.95, root - 12, 85, names[-1]))
            tops = zip(names[:-1], (root, root + 4, root + chance.choice([7, 12, 14])), strict=True)
            notes += [Note(4 * bar + at, step * 0.95, pitch, 80, name) for name, pitch in tops]
    band = BANDS[number % len(BANDS)]
    return Score(f"invented {number}", BARS, 4.0, QUARTERS_MS[number % 2], band, tuple(notes))


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[np.ndarray, list[str]]]:
    """kind -> features of every bar line, and the piece each belongs to."""
    folder = tmp_path_factory.mktemp("joins")
    rows: dict[str, list[np.ndarray]] = {}
    pieces: dict[str, list[str]] = {}
    reach = round(REACH_S * RATE)
    for number in range(PIECES):
        score = invented(number)
        one, two = (
            read_audio(play(score.humanised(hands), folder / f"{number} {hands}.flac")) for hands in (1, 2)
        )
        for bar in range(2, BARS - 1):
            at = round((LEAD_QUARTERS + 4 * (bar - 1)) * score.quarter_ms * RATE / 1000)
            clean = one[at - reach : at + reach]
            away = at - reach + round(1.37 * score.quarter_ms * RATE / 1000)
            between = one[away : away + 2 * reach]
            excerpts = {"one": clean, "two": two[at - reach : at + reach], "between beats": between}
            if bar % 2:  # sizes and signs in turn
                excerpts |= dict(planted(clean, between, bar // 2, RATE))
                steps = dict(planted(clean, between, CLEAR[bar // 2 % 4], RATE))
                excerpts[CLEAR_STEP] = next(e for kind, e in steps.items() if kind.endswith("between beats"))
            for kind in {"one", "two", "between beats", *LEAST} & excerpts.keys():
                excerpt = excerpts[kind]
                rows.setdefault(kind, []).append(features(excerpt, RATE))
                pieces.setdefault(kind, []).append(score.name)
    return {kind: (np.stack(table), pieces[kind]) for kind, table in rows.items()}


@pytest.mark.parametrize(("kind", "least"), LEAST.items())
def test_planted_edits_are_found(
    tables: dict[str, tuple[np.ndarray, list[str]]], kind: str, least: float
) -> None:
    (edited, pieces) = tables[kind]
    clean, of = tables["between beats" if kind == CLEAR_STEP else "one"]
    assert area(edited, clean, pieces, of, **QUICK).auc >= least


def test_two_performances_cannot_be_told_apart(tables: dict[str, tuple[np.ndarray, list[str]]]) -> None:
    (one, pieces), (two, _) = tables["one"], tables["two"]
    assert 0.3 <= area(one, two, pieces, pieces, **QUICK).auc <= 0.65
