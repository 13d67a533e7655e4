"""The gates: from chances, losses and listens to the verdict's state."""

import numpy as np
import pytest

from reports.model.gates import (
    CLEAR,
    EVEN,
    LEANING,
    LISTEN,
    SAFE,
    CautiousReadings,
    Chances,
    Coverage,
    Rules,
    Ruling,
    rule,
)


def ruling(
    best: float, loss: float, runner_up_loss: float, slow: float = 1, own: float = 1, fading_loss: float = 5,
    late_loss: float = 0, close: float = 0, close_own: float = 0.6, **heard: object
) -> Ruling:  # fmt: skip
    def chances(p: float, lost: float, near: float) -> Chances:
        draws = np.zeros((1000, 2))
        draws[round(1000 * near) :, 0] = 10.0  # as many within 3 points of each other as `near` says
        return Chances(np.array([p, 1 - p]), np.array([lost, runner_up_loss]), draws)

    cautious = CautiousReadings(
        lambda: chances(slow, 0, close_own),
        lambda: chances(own, 0, close_own),
        lambda: chances(0.5, late_loss, 0),
        lambda form: chances(0.5, fading_loss if form == 0 else 90, 0),
    )
    full = {"names": "ab", "listens": [5, 5], "days": [3, 3], "rounds": 5, **heard}
    return rule(chances(best, loss, close), Coverage(**full), Rules(), cautious)  # type: ignore[arg-type]


THREE: dict[str, object] = {"names": "abc", "listens": [5, 5, 5], "days": [3, 3, 3]}
EQUAL: dict[str, object] = {"best": 0.6, "loss": 0.7, "runner_up_loss": 1.0, "close": 0.8, "fading_loss": 0.8}


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ({}, CLEAR),
        ({"best": 0.89}, LEANING),
        ({"loss": 2.1}, LEANING),
        ({"listens": [4, 4]}, LEANING),
        ({"days": [2, 2]}, LEANING),
        ({"listens": [5, 0], "days": [3, 0]}, CLEAR),  # half of the listeners is enough
        ({"listens": [5, 4], "days": [2, 3]}, LEANING),  # but the same half must meet both
        ({"rounds": 12}, CLEAR),
        ({"rounds": 13}, LEANING),
        ({"rounds": 13, "best": 0.95}, CLEAR),
        ({"best": 0.79}, LISTEN),
        ({"best": 0.89, "listens": [2, 2]}, LISTEN),
        ({"slow": 0.89}, LEANING),
        ({"slow": 0.91, "rounds": 13, "best": 0.96}, LEANING),
        ({"late_loss": 1.21}, LEANING),  # by the later half, read on its own, too much is given away
        ({"late_loss": 1.2}, CLEAR),
        # safe: little is lost in the main reading, and not much where the form in front may be wearing off
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.8}, SAFE),
        ({"best": 0.6, "loss": 0.65, "fading_loss": 0.8}, SAFE),  # however likely it is the best
        ({"best": 0.85, "loss": 0.66, "fading_loss": 0.8}, LEANING),
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.81}, LEANING),
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.8, "listens": [5, 4]}, LEANING),  # one alone is surer
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.7, "listens": [5, 4]}, SAFE),
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.8, "listens": [4, 4]}, LEANING),
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.8, "days": [2, 2]}, LEANING),
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.8, "late_loss": 1.21}, SAFE),
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.8, "late_loss": 1.21, "listens": [10, 10]}, LEANING),
        ({"best": 0.85, "loss": 0.4, "fading_loss": 0.8, "known": (0,)}, SAFE),
        (
            {"best": 0.85, "loss": 0.41, "fading_loss": 0.8, "known": (0,)},
            LEANING,
        ),  # the new one may rise yet
        ({"best": 0.85, "loss": 0.65, "fading_loss": 0.8, "known": (1,)}, SAFE),
        ({"best": 0.85, "loss": 0.3, "fading_loss": 0.8, "unsteady": True}, SAFE),
        ({"best": 0.85, "loss": 0.31, "fading_loss": 0.8, "unsteady": True}, LEANING),
        ({"best": 0.95, "loss": 0.1, "fading_loss": 0.2}, CLEAR),  # clear is asked before safe
        # even: the two best are within 3 points of each other, and no cautious reading contradicts
        (EQUAL, EVEN),
        ({**EQUAL, "close": 0.79}, LISTEN),
        ({**EQUAL, "close_own": 0.49}, LISTEN),
        ({**EQUAL, "days": [1, 1]}, LISTEN),
        ({**EQUAL, "best": 0.85, "listens": [4, 4]}, LEANING),
        ({**EQUAL, "loss": 0.5}, SAFE),
        ({"own": 0.929, **THREE}, LEANING),
        ({"own": 0.93, **THREE}, CLEAR),
        ({"own": 0.84, **THREE, "listens": [8, 8, 7]}, CLEAR),  # what could wear off has worn off by then
        ({"own": 0.84, **THREE, "listens": [8, 7, 7]}, LEANING),  # not for half of them
        ({"own": 0.959}, LEANING),  # two must be surer
        ({"own": 0.96}, CLEAR),
        ({"own": 0.959, **THREE, "listens": [5, 5, 4]}, LEANING),  # the third has not heard enough
        ({"own": 0.87, "listens": [8, 5]}, CLEAR),
        ({"own": 0.979, "names": "a", "listens": [11], "days": [3]}, LEANING),  # and one alone much surer
        ({"own": 0.98, "names": "a", "listens": [5], "days": [3]}, CLEAR),
        ({"own": 0.86, "names": "a", "listens": [12], "days": [3]}, LEANING),
        ({"own": 0.87, "names": "a", "listens": [12], "days": [3]}, CLEAR),
        ({"own": 0.979, "listens": [9, 4]}, LEANING),
        ({"names": "", "listens": [], "days": []}, LISTEN),
    ],
)
def test_gates(arguments: dict[str, object], expected: str) -> None:
    full = {"best": 0.91, "loss": 0.6, "runner_up_loss": 6.0, **arguments}
    assert ruling(**full).state == expected  # type: ignore[arg-type]


def test_even_may_stand_beside_safe() -> None:
    equal = {**EQUAL, "loss": 0.5}
    assert ruling(**equal) == Ruling(SAFE, (0, 1))  # type: ignore[arg-type]
    assert ruling(**{**equal, "close": 0.79}) == Ruling(SAFE, None)  # type: ignore[arg-type]
