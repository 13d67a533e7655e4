"""Simulated listening studies with a known truth, for power analysis and benchmarks. numpy only."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from render.arrays import Floats, Ints
from reports.model.familiarity import Observations
from sessions.plan import williams_square


@dataclass(frozen=True)
class World:
    """How listeners behave. SDs, gaps and advantages are rating points; tau counts listens.

    Form 0 is the incumbent: every listener has heard it `head_start` times before. A form's truth is its
    settled effect averaged over the listeners. Ranges are uniform. The fields after `tau` describe the ways
    in which real listeners differ from the model.
    """

    listeners: int = 3
    forms: int = 4
    advantage: float = 0.0  # of the best form over all others, settled
    spread: float = 0.0  # SD of the forms' settled effects, beside the advantage
    best: int = -1  # the code of that form: 0 is the incumbent, -1 the last one
    head_start: float = 50.0
    noise_sd: float = 10.0
    mood_sd: float = 6.0
    dev_sd: float = 4.0
    dev_counts: bool = False  # the listeners' average deviation is part of the truth, else it is taken out
    position_sd: float = 2.0
    gap: tuple[float, float] = (5.0, 12.0)
    gap_wobble: float = 2.0  # SD of each form's and listener's own gap around the common one
    tau: tuple[float, float] = (1.5, 4.0)
    tail_df: float = 0.0  # noise of a t distribution with so many degrees of freedom; 0: normal
    fatigue: float = 0.0  # points lost with each listen of a form after the 6th
    wears_off: float = 0.0  # form 1 starts that much above its settled value and loses it
    flat_rater: bool = False  # the last listener always rates 50
    random_rater: bool = False  # the last listener's ratings are uniform from 0 to 100
    loyal: float = 0.0  # the last listener rates the incumbent that much higher
    sinks: float = 0.0  # the best form is worth that much less from its 9th listen on
    whim_sd: float = 0.0  # SD of each form's effect of the day, shared by all listeners
    rounds_a_day: int = 2  # for `whim_sd`
    missed: float = 0.0  # share of rounds that a listener misses
    late_joiner: bool = False  # the last listener joins in round 4
    scale_sd: float = 0.0  # SD of the log of each listener's own scale
    ceiling: float = 0.0  # added to all ratings, cut at 100


@dataclass(frozen=True)
class Simulated:
    """A simulated study: `seen` for all rounds, `round` (n,) of each rating from 1, `truth` (F,)."""

    seen: Observations
    round: Ints
    truth: Floats

    def until(self, last: int) -> Observations:
        """What had been seen after round `last`."""
        return self.seen.only(np.flatnonzero(self.round <= last))


def _orders(world: World, rounds: int, rng: np.random.Generator) -> Ints:
    """(L, R, F) form codes in the order heard."""
    square = np.array(williams_square(world.forms))
    orders = np.empty((world.listeners, rounds, world.forms), dtype=np.int64)
    for listener in range(world.listeners):
        labels = rng.permutation(world.forms)
        rows = np.concatenate([rng.permutation(len(square)) for _ in range(rounds // len(square) + 1)])
        orders[listener] = labels[square[rows[:rounds]]]
    return orders


def _heard(world: World, rounds: int, rng: np.random.Generator) -> Ints:
    """(L, R) 1 where the listener did the round."""
    heard = (rng.random((world.listeners, rounds)) >= world.missed).astype(np.int64)
    if world.late_joiner:
        heard[-1, :3] = 0
    return heard


Seed: TypeAlias = int | tuple[int, ...] | np.random.SeedSequence


def simulate(
    world: World, rounds: int, seed: Seed, *, noise_seed: Seed | None = None, prior: Floats | None = None
) -> Simulated:
    """One study of `rounds` rounds in `world`; the same seeds give the same study.

    With a `noise_seed` of its own, only who heard what when follows from `seed`. `prior` (L, F) replaces the
    incumbent's head start by each listener's prior listens.
    """
    rng = np.random.default_rng(seed)
    n_l, n_f = world.listeners, world.forms
    orders, heard = _orders(world, rounds, rng), _heard(world, rounds, rng)
    rng = rng if noise_seed is None else np.random.default_rng(noise_seed)
    before = np.cumsum(heard, axis=1) - heard  # (L, R): rounds done before this one
    truth = rng.normal(0, world.spread, n_f) if world.spread else np.zeros(n_f)
    truth[world.best] += world.advantage
    dev = rng.normal(0, world.dev_sd, (n_l, n_f))
    if world.dev_counts:
        truth += dev.mean(0)
    dev -= dev.mean(0)  # the truth is of these listeners
    tau = rng.uniform(*world.tau)
    wobble = world.gap_wobble / np.sqrt(2)
    gap = rng.uniform(*world.gap) + rng.normal(0, wobble, n_f) + rng.normal(0, wobble, (n_l, n_f))
    if world.wears_off:
        gap[:, 1] = -world.wears_off
    if prior is None:
        prior = np.zeros((n_l, n_f))
        prior[:, 0] = world.head_start
    row = np.arange(n_l)[:, None, None]
    own = np.broadcast_to(before[:, :, None], orders.shape)  # (L, R, F) by position, like all that follows
    exposure = own + prior[row, orders]
    rating = 55.0 + rng.normal(0, world.mood_sd, (n_l, rounds, 1)) + truth[orders] + dev[row, orders]
    rating = rating + rng.normal(0, world.position_sd, n_f) - gap[row, orders] * np.exp(-exposure / tau)
    rating = rating - world.fatigue * np.maximum(own - 5, 0)
    rating = rating + world.noise_sd * _noise(world, rating.shape, rng) + world.ceiling
    rating = rating + world.loyal * ((row == n_l - 1) & (orders == 0))
    rating = rating - world.sinks * ((orders == world.best % n_f) & (own >= 8))
    if world.whim_sd:
        day = np.arange(rounds) // world.rounds_a_day
        whims = rng.normal(0, world.whim_sd, (rounds, n_f))[day]
        rating = rating + whims[np.arange(rounds)[None, :, None], orders]
    scale = np.exp(rng.normal(0, world.scale_sd, (n_l, 1, 1)))
    rating = np.clip(np.round(55.0 + (rating - 55.0) * scale), 0, 100)
    if world.flat_rater:
        rating[-1] = 50.0
    if world.random_rater:
        rating[-1] = np.round(rng.uniform(0, 100, rating[-1].shape))
    return _arrays(world, orders, heard, rating, exposure, truth)


def _noise(world: World, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    if not world.tail_df:
        return rng.standard_normal(shape)
    scale = np.sqrt(world.tail_df / (world.tail_df - 2))
    return np.asarray(rng.standard_t(world.tail_df, shape) / scale, dtype=np.float64)


def _arrays(
    world: World, orders: Ints, heard: Ints, rating: Floats, exposure: Floats, truth: Floats
) -> Simulated:
    n_l, rounds, n_f = orders.shape
    keep = np.flatnonzero(np.repeat(heard.ravel(), n_f))
    previous = np.concatenate([np.full((n_l, rounds, 1), -1), orders[:, :, :-1]], axis=2)
    listener, around, position = (index.ravel() for index in np.indices(orders.shape))
    seen = Observations(
        rating=rating.ravel(),
        listener=listener,
        form=orders.ravel(),
        group=listener * rounds + around,
        position=position,
        previous=previous.ravel(),
        exposure=exposure.ravel(),
        listeners=n_l,
        forms=n_f,
    )
    return Simulated(seen.only(keep), around[keep] + 1, truth)
