"""Listeners who stand out: precision by how well ratings repeat, and the notes that name them."""

from dataclasses import replace

import numpy as np

from reports.model.precision import noise_ratios, repeat_variance, unsteady
from reports.simulation.worlds import World, simulate
from reports.verdict.judge import judge
from reports.verdict.odd_listeners import odd_listeners
from tests.simulated_tables import table_of


def test_the_variance_is_that_of_a_two_way_table() -> None:
    """Complete rounds: the residual mean square of a two-way analysis of variance (textbook formula)."""
    seen = simulate(World(listeners=1), 6, 3).seen
    table = np.empty((6, 4))
    table[seen.group, seen.form] = seen.rating
    off = table - table.mean(0) - table.mean(1, keepdims=True) + table.mean()
    variance, df = repeat_variance(seen)
    assert df.tolist() == [15] and np.isclose(variance[0], (off**2).sum() / 15)


def test_who_answers_at_random_counts_with_less_precision() -> None:
    assert (noise_ratios(simulate(World(listeners=1), 8, 1).seen) == 1).all()
    ordinary = [noise_ratios(simulate(World(), 8, seed).seen) for seed in range(40)]
    assert np.mean([(ratio > 1).any() for ratio in ordinary]) < 0.25
    assert max(ratio.max() for ratio in ordinary) < 3
    random = [noise_ratios(simulate(World(random_rater=True), 8, seed).seen) for seed in range(40)]
    assert np.mean([ratio[2] > 2 for ratio in random]) > 0.9
    flat = noise_ratios(simulate(World(flat_rater=True), 8, 1).seen)
    assert flat[2] == 1  # who always says the same gets no extra precision
    assert [unsteady(simulate(w, 8, 1).seen) for w in (World(), World(flat_rater=True))] == [False, True]
    assert unsteady(simulate(World(random_rater=True), 8, 1).seen)
    wide = simulate(World(), 8, 1).seen
    assert (noise_ratios(replace(wide, rating=wide.rating * 0.3)) == noise_ratios(wide)).all()


def test_it_helps_the_others_to_be_heard() -> None:
    """One of three at random, gap 8: the best form leads more often than with equal precision."""
    from reports.model.reading import read

    world, weights = World(advantage=8, random_rater=True), np.full(3, 1 / 3)
    right = []
    for seed in range(40):
        seen = simulate(world, 8, (7, seed)).seen
        both = (seen, replace(seen, noise_ratio=noise_ratios(seen)))
        right.append([read(each, weights, draws=500).leader == 3 for each in both])
    equal, weighed = np.mean(right, axis=0)
    assert weighed >= equal + 0.05


def test_they_are_named_with_the_verdict_without_them() -> None:
    judgement = judge(
        table_of(World(advantage=10, random_rater=True), 8, 4), shown=lambda name: f"{name} (simulated)"
    )
    note = next(note for note in judgement.notes if "less precision" in note)
    assert note.startswith("listener 2 (simulated)'s ratings")
    assert 'Without listener 2 (simulated), "no verse 2" comes first' in note
    assert odd_listeners(judge(table_of(World(advantage=10), 8, 4)), ()) == []


def test_one_who_is_loyal_to_the_known_form_is_named() -> None:
    world = World(advantage=8, best=2, loyal=18, dev_sd=2, noise_sd=6)
    notes = " ".join(judge(table_of(world, 8, 2)).notes)
    assert 'listener 2 rates "as written", known from before, about' in notes
    assert 'Without listener 2, "long end" comes first' in notes
    others = [odd_listeners(judge(table_of(replace(world, loyal=0), 8, seed)), ()) for seed in range(10)]
    assert sum("known from before" in " ".join(notes) for notes in others) <= 1
