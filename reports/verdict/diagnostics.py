"""Model diagnostics: the learned familiarity curve, order effects, outliers, drift within a sitting."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import pandas as pd

from render.arrays import Floats
from reports.model.familiarity import Columns, Fit, Prior, centred, fit, shared_columns, t_variance
from reports.model.posterior import NEGLIGIBLE
from reports.model.reading import Reading
from reports.verdict import phrases
from reports.verdict.panel import Panel

LEARNED = 0.85  # the data have shown a curve when its uncertainty fell below this share of the prior's
FAR_OUT = 3.5  # noise SDs
FLAT_SHARE = 0.9
FLAT_SD = 1.0
CURVE_LISTENS = 8
FEWEST = 6  # ratings of one listener before anything is said about that listener


@dataclass(frozen=True)
class Effect:
    """An effect in rating points with its 90 % interval."""

    name: str
    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class Curve:
    """What being new takes from a rating at the 1st, 2nd, ... listen: mean and 90 % interval, in points."""

    listen: tuple[int, ...]
    mean: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    learned: bool
    statement: str


@dataclass(frozen=True)
class Outlier:
    """A rating far from what everything else predicts."""

    listener: str
    round: int
    form: str
    rating: float
    expected: float


@dataclass(frozen=True)
class Diagnostics:
    """All diagnostics; `warnings` say in words what stands out."""

    curve: Curve
    positions: tuple[Effect, ...]
    carry_over: tuple[Effect, ...]
    outliers: tuple[Outlier, ...]
    flat: tuple[str, ...]
    drifts: tuple[Effect, ...]  # points per place within a sitting, of listeners in whom it shows
    warnings: tuple[str, ...]


def diagnose(reading: Reading, table: pd.DataFrame, panel: Panel, prior: Prior) -> Diagnostics:
    """Diagnostics of the reading of a tidy `table` by `panel`."""
    listeners, forms = panel.listeners, panel.forms
    seen, fit = reading.seen, reading.fit
    curve = familiarity_curve(reading, prior)
    positions = _effects(fit, fit.where.position, [f"place {i + 1}" for i in range(_places(fit.where))])
    carry = _effects(fit, fit.where.carry_over, [f'after "{name}"' for name in forms])
    residual, expected = residuals(reading)
    sd = fit.noise_sd()
    size = np.bincount(seen.group)[seen.group] if len(seen) else np.zeros(0)
    scale = sd * np.sqrt(np.maximum(1 - 1 / np.maximum(size, 1), 0.25))
    far = np.flatnonzero(np.abs(residual) > FAR_OUT * scale)
    outliers = tuple(
        Outlier(
            str(table["listener"].iloc[i]),
            int(table["round"].iloc[i]),
            str(table["form"].iloc[i]),
            float(seen.rating[i]),
            float(expected[i]),
        )
        for i in far
    )
    flat = tuple(name for i, name in enumerate(listeners) if _is_flat(seen.rating[seen.listener == i]))
    drifts = tuple(
        drift
        for i, name in enumerate(listeners)
        if (drift := _drift(reading, residual, i, name, len(listeners))) is not None
        and drift.low * drift.high > 0
        and abs(drift.mean) >= 1
    )
    return Diagnostics(
        curve,
        positions,
        carry,
        outliers,
        flat,
        drifts,
        _warnings(positions, carry, outliers, flat, drifts, panel.shown),
    )


def _places(where: Columns) -> int:
    return int(where.position.stop - where.position.start)


def familiarity_curve(reading: Reading, prior: Prior) -> Curve:
    """The common curve: -gap * exp(-(listen - 1) / tau) of a form nobody knew, and whether data taught it.

    Only a difference in familiarity within one round can teach it: a change that all forms share is taken up
    by the level of each round.
    """
    seen = reading.seen
    exposure = np.arange(CURVE_LISTENS, dtype=np.float64)
    mean, sd, low, high = _curve_moments(reading.fit, exposure)
    nothing = seen.only(np.zeros(0, dtype=np.int64))
    prior_sd = _curve_moments(fit(nothing, prior), exposure[:1])[1][0]
    spread = centred(np.exp(-seen.exposure / 3.0)[:, None], seen.group) if len(seen) else np.zeros((0, 1))
    contrast = float(np.abs(spread).max()) if len(seen) else 0.0
    learned = contrast > 0.05 and sd[0] < LEARNED * prior_sd
    if learned:
        text = (
            f"New forms started about {abs(mean[0]):.0f} points too low; by the fifth listen "
            f"{abs(mean[4]):.0f}."
        )
    elif contrast <= 0.05:
        text = (
            "These ratings cannot show how familiarity works: within each round all forms were equally well "
            "known, so a common effect of newness cannot be told from the mood of the round."
        )
    else:
        text = (
            "These ratings are too few to show how familiarity works; what is assumed about it rests on "
            "experience with other studies."
        )
    listens = tuple(range(1, CURVE_LISTENS + 1))
    return Curve(listens, _tuple(mean), _tuple(low), _tuple(high), bool(learned), text)


def _tuple(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)


def _curve_moments(fit: Fit, exposure: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Mean, SD and 90 % interval of the common curve at each exposure (E,), from the mixture itself."""
    at = fit.where.common_gap.start
    keep = np.flatnonzero(fit.weight[:, 0] > NEGLIGIBLE)
    weight = fit.weight[keep, 0] / fit.weight[keep, 0].sum()
    gap = fit.left_mean[keep, at, 0] + fit.gap_mean
    variance = fit.left_cover[keep, at, at] * fit.scale[keep, 0] * t_variance(fit.df)
    tau = fit.tau[keep]
    shape = np.where(tau > 0, np.exp(-exposure[:, None] / np.where(tau > 0, tau, 1.0)), 0.0)
    # points on each component's normal curve, so that quantiles of the mixture can be read off
    nodes = np.linspace(-3.0, 3.0, 61)
    density = np.exp(-(nodes**2) / 2)
    values = -shape[..., None] * (gap[:, None] + np.sqrt(variance)[:, None] * nodes)
    share = (weight[:, None] * (density / density.sum())).ravel()
    values = values.reshape(len(exposure), -1)
    mean = values @ share
    sd = np.sqrt(np.maximum((values**2) @ share - mean**2, 0.0))
    order = np.argsort(values, axis=1)
    low, high = np.empty(len(exposure)), np.empty(len(exposure))
    for i, row in enumerate(order):
        upto = np.cumsum(share[row])
        low[i], high[i] = (
            values[i, row[np.searchsorted(upto, 0.05)]],
            values[i, row[np.searchsorted(upto, 0.95)]],
        )
    return mean, sd, low, high


def _effects(fit: Fit, where: slice, names: Sequence[str]) -> tuple[Effect, ...]:
    """Posterior mean and 90 % interval (normal approximation) of shared effects, around their average."""
    weight = fit.weight[:, 0]
    means = fit.mean[:, where, 0]
    cover = fit.cover[:, where, where] * (fit.scale[:, 0] * t_variance(fit.df))[:, None, None]
    count = means.shape[1]
    if not count:
        return ()
    centre = np.eye(count) - 1 / count
    means, cover = means @ centre, centre @ cover @ centre
    mean = weight @ means
    variance = np.einsum("g,gii->i", weight, cover) + weight @ (means - mean) ** 2
    reach = 1.645 * np.sqrt(variance)
    return tuple(
        Effect(name, float(m), float(m - r), float(m + r))
        for name, m, r in zip(names, mean, reach, strict=True)
    )


def residuals(reading: Reading) -> tuple[Floats, Floats]:
    """(n,) residuals and expected ratings, by the posterior means of all effects and the groups' levels."""
    seen, fit = reading.seen, reading.fit
    if not len(seen):
        return np.zeros(0), np.zeros(0)
    weight = fit.weight[:, 0]
    effect = np.zeros(len(seen))
    for i, equations in enumerate(fit.outer):
        at = slice(i * fit.inner, (i + 1) * fit.inner)
        total = weight[at].sum()
        if total < 1e-9:
            continue
        shared = weight[at] @ fit.mean[at, :, 0] / total
        b = equations.listeners
        rest = b.answer[..., 0] - b.cross @ shared
        dev = np.einsum("lij,lj->li", b.turn, equations.spread * rest)
        design, where = shared_columns(seen, equations.tau)
        own = design @ shared + fit.gap_mean * design[:, where.common_gap.start]
        effect += total * (own + dev[seen.listener, seen.form])
    residual = centred((seen.rating - effect)[:, None], seen.group)[:, 0]
    return residual, seen.rating - residual


def _is_flat(ratings: Floats) -> bool:
    if len(ratings) < FEWEST:
        return False
    _, counts = np.unique(ratings, return_counts=True)
    return bool(counts.max() >= FLAT_SHARE * len(ratings) or ratings.std() < FLAT_SD)


def _drift(reading: Reading, residual: Floats, listener: int, name: str, asked: int) -> Effect | None:
    """One listener's slope over the places of a sitting (a 99 % interval, over all listeners `asked`)."""
    at = np.flatnonzero(reading.seen.listener == listener)
    groups = reading.seen.group[at]
    if len(at) < 2 * FEWEST:
        return None
    place = centred(reading.seen.position[at].astype(np.float64)[:, None], groups)[:, 0]
    total = float(place @ place)
    df = len(at) - len(np.unique(groups)) - 1
    if total <= 0 or df < 5:
        return None
    # the model's own position effects are put back: a drift of everybody is a drift too
    fit = reading.fit
    shared = fit.weight[:, 0] @ fit.mean[:, fit.where.position, 0]
    values = centred((residual[at] + shared[reading.seen.position[at]])[:, None], groups)[:, 0]
    slope = float(place @ values) / total
    rest = values - slope * place
    reach = NormalDist().inv_cdf(1 - 0.005 / asked) * (1 + 1 / df) * np.sqrt(float(rest @ rest) / df / total)
    return Effect(name, slope, float(slope - reach), float(slope + reach))


def _warnings(
    positions: Sequence[Effect],
    carry: Sequence[Effect],
    outliers: Sequence[Outlier],
    flat: Sequence[str],
    drifts: Sequence[Effect],
    shown: Callable[[str], str],
) -> tuple[str, ...]:
    sentences = []
    effects = [(f"Heard in {place.name}, a form", place) for place in positions]
    effects += [(f"What comes {after.name}", after) for after in carry]
    for what, effect in effects:
        if effect.low * effect.high > 0 and abs(effect.mean) >= 2:
            side = "higher" if effect.mean > 0 else "lower"
            sentences.append(f"{what} is rated {abs(effect.mean):.0f} points {side}; allowed for.")
    if outliers:
        sentences.append(
            f"{phrases.counted(len(outliers), 'rating').capitalize()} far from what all others suggest "
            "(a slip of the finger, or a real change of mind?); see the list."
        )
    if flat:
        verb = "gives" if len(flat) == 1 else "give"
        sentences.append(
            f"{phrases.few([shown(name) for name in flat])} {verb} (nearly) always the same number: such "
            "ratings say nothing about the forms and only make the verdict slower."
        )
    if len(drifts) > 3:
        sentences.append(f"The ratings of {len(drifts)} listeners drift within a sitting; see the list.")
    for drift in drifts if len(drifts) <= 3 else ():
        way = "rise" if drift.mean > 0 else "fall"
        sentences.append(
            f"{shown(drift.name)}'s ratings {way} by about {abs(drift.mean):.1f} points from each listen to "
            "the next within a sitting; shorter sittings would help."
        )
    return tuple(sentences)
