"""Listeners' noise variances relative to the panel's, from how well their ratings repeat. numpy only."""

import numpy as np

from render.arrays import Floats
from reports.model.familiarity import Observations, centred

FEWEST_DF = 6  # residual degrees of freedom before anything is said of a listener
LEAST_SD = 1.0  # rating points; a listener below it always says the same
TOLERATED = 1.0  # excess over the typical noise variance, in units of it, that is put down to chance


def repeat_variance(seen: Observations) -> tuple[Floats, Floats]:
    """(L,) variance of each listener's ratings around their own mean of each form, and its (L,) df.

    The two-way residual of rounds and forms: mood, scale offset and real preferences are taken out.
    """
    off = centred(seen.rating[:, None], seen.group)[:, 0]
    cell = seen.listener * seen.forms + seen.form
    size = np.bincount(cell, minlength=seen.listeners * seen.forms)
    means = np.bincount(cell, weights=off, minlength=len(size)) / np.maximum(size, 1)
    squares = np.bincount(seen.listener, weights=(off - means[cell]) ** 2, minlength=seen.listeners)
    rated = np.bincount(seen.listener, minlength=seen.listeners)
    groups = np.bincount(seen.listener[np.unique(seen.group, return_index=True)[1]], minlength=seen.listeners)
    forms = (size.reshape(seen.listeners, seen.forms) > 0).sum(1)
    df = np.maximum(rated - groups - forms + 1, 0).astype(np.float64)
    return np.asarray(squares / np.maximum(df, 1.0)), df


def unsteady(seen: Observations) -> bool:
    """Whether a listener's ratings repeat clearly worse than the others', or always say the same."""
    variance, df = repeat_variance(seen)
    same = (df >= FEWEST_DF) & (variance <= LEAST_SD**2)
    return bool(same.any() or (noise_ratios(seen) > 1).any())


def noise_ratios(seen: Observations) -> Floats:
    """(L,) noise variance of each listener over the typical listener's, at least 1.

    The typical one is the lower median of those who do not always say the same. Up to twice its variance
    counts as chance; what is beyond it counts whole. Nobody's ratings count for more than the typical ones:
    who always says the same repeats perfectly and tells nothing.
    """
    ratio = np.ones(seen.listeners)
    if seen.listeners < 2 or not len(seen):
        return ratio
    variance, df = repeat_variance(seen)
    judged = (df >= FEWEST_DF) & (variance > LEAST_SD**2)
    if judged.sum() >= 2:
        typical = np.sort(variance[judged])[(judged.sum() - 1) // 2]
        ratio[judged] = np.maximum(variance[judged] / typical - TOLERATED, 1.0)
    return ratio
