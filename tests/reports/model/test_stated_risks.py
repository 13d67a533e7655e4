"""What a verdict states that a choice costs: by hand, from draws that can be counted."""

import numpy as np
import pytest

from reports.model.gates import CautiousReadings, Chances, even_risk, safe_risk


def behind(lead: float, share: float) -> Chances:
    """Form 0 is `lead` points behind form 1 in a `share` of the draws, as far ahead of it in the others."""
    draws = np.zeros((1000, 2))
    draws[:, 0] = lead
    draws[: round(1000 * share), 0] = -lead
    return Chances.of(draws)


def test_a_safe_choice_is_stated_by_the_largest_of_three_readings_and_half_as_much_again() -> None:
    for largest in range(3):
        losses = [2.0, 2.0, 2.0]
        losses[largest] = 4.0
        main, late, fading = (behind(lead, 0.1) for lead in losses)
        cautious = CautiousReadings(
            lambda: behind(90, 0.5),
            lambda: behind(90, 0.5),
            lambda late=late: late,  # type: ignore[misc]
            lambda form, fading=fading: fading if form == 0 else behind(90, 0.5),  # type: ignore[misc]
        )
        assert safe_risk(0, main, cautious) == pytest.approx(1.5 * 0.1 * 4)


def test_a_free_choice_is_bounded_by_what_is_exceeded_in_a_hundredth_of_the_draws() -> None:
    main, slow, own_way = behind(2, 0.5), behind(3, 0.014), behind(9, 0.006)
    cautious = CautiousReadings(lambda: slow, lambda: own_way, lambda: behind(50, 0.5), lambda _: main)
    assert main.most_loss(0) == main.most_loss(1) == 2
    assert (slow.most_loss(0), own_way.most_loss(0)) == (3, 0)
    assert even_risk((0, 1), main, cautious) == 9  # form 1 is nine behind in nearly all draws of one reading


def test_closeness_is_counted_in_draws() -> None:
    assert behind(3, 0.3).close(0, 1) == 1
    assert behind(3.01, 0.3).close(0, 1) == behind(3.01, 0.3).close(1, 0) == 0
