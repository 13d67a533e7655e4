"""Posterior of the settled effects (at full familiarity): of the panel, of its population, of each listener.

Shapes as in `familiarity`: L listeners, F forms, K shared columns, G grid points. numpy only.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from render.arrays import Floats
from reports.model.familiarity import Fit, product, t_variance

NEGLIGIBLE = 1e-7  # grid points that together weigh less than this are left out


@dataclass(frozen=True)
class Targets:
    """Settled effects of a panel for all m sets of ratings of a fit: a mixture of t distributions.

    At every grid point mean (G, F, m) in points, and cover (G, F, F) in units of the noise variance, common
    to all sets; weights, noise variances and degrees of freedom are the fit's.
    """

    fit: Fit
    mean: Floats
    cover: Floats

    @staticmethod
    def of(fit: Fit, listeners: Floats | None) -> "Targets":
        """For the listeners weighted by `listeners` (L,), sum 1; with None, for people like them.

        The latter leaves out these listeners' own deviations.
        """
        forms, k, q = fit.forms, fit.where.count, fit.where.q
        sets = fit.weight.shape[1]
        mean = np.empty((len(fit.weight), forms, sets))
        cover = np.empty((len(fit.weight), forms, forms))
        for i, equations in enumerate(fit.outer):
            at = slice(i * fit.inner, (i + 1) * fit.inner)
            take = np.zeros((forms, k))
            take[:, q] = np.eye(forms)
            shift, extra = np.zeros((forms, sets)), np.zeros((forms, forms))
            if listeners is not None:
                b = equations.listeners
                across = np.swapaxes(b.turn, 1, 2).reshape(-1, forms)  # (L F, F): rows are eigenvectors
                pull = (listeners[:, None] * equations.spread).reshape(-1, 1) * across
                take -= product(pull, b.cross.reshape(len(pull), k))
                shift = product(pull, b.answer.reshape(len(pull), sets))
                extra = product(pull, np.repeat(listeners, forms)[:, None] * across)
            left = take @ fit.left.back[i]
            mean[at] = left @ fit.left_mean[at] + take @ fit.left.shift[i] + shift
            cover[at] = left @ fit.left_cover[at] @ left.T + take @ fit.left.extra[i] @ take.T + extra
        return Targets(fit, mean, cover)

    def means(self) -> Floats:
        """(m, F) means of the whole posterior."""
        weight = self.fit.weight / self.fit.weight.sum(0)
        return np.asarray(np.einsum("gm,gfm->mf", weight, self.mean), dtype=np.float64)

    def moments(self) -> tuple[Floats, Floats]:
        """Means (m, F) and covariances (m, F, F) of the whole posterior."""
        weight, mean = self.fit.weight / self.fit.weight.sum(0), self.means()
        spread = (weight * self.fit.scale * t_variance(self.fit.df)).T @ self.cover.reshape(len(weight), -1)
        off = self.mean - mean.T
        between = np.einsum("gfm,gem->mfe", weight[:, None] * off, off, optimize=True)
        return mean, spread.reshape(-1, *self.cover.shape[1:]) + between

    def draws(self, count: int, seed: int, which: int = 0) -> Floats:
        """(count, F) draws of one set's effects, in points; each grid point has its share to the nearest."""
        normal, stretch = _standard_t(count, self.cover.shape[1], self.fit.df, seed)
        edges = np.cumsum(self.fit.weight[:, which])
        point = np.searchsorted(edges, (np.arange(count) + 0.5) * (edges[-1] / count))
        size = stretch * np.sqrt(self.fit.scale[point, which])
        steps = np.einsum("nij,nj->ni", self._root[point], normal)
        return np.asarray(self.mean[point, :, which] + size[:, None] * steps, dtype=np.float64)

    @cached_property
    def _root(self) -> Floats:
        return np.asarray(
            np.linalg.cholesky(self.cover + 1e-12 * np.eye(self.cover.shape[1])), dtype=np.float64
        )


@lru_cache(maxsize=8)
def _standard_t(count: int, forms: int, df: float, seed: int) -> tuple[Floats, Floats]:
    """Standard normal draws (count, forms), and what makes them t draws with `df` degrees of freedom.

    Studies that are simulated together share them.
    """
    rng = np.random.default_rng(seed)
    normal, stretch = rng.standard_normal((count, forms)), np.sqrt(df / rng.chisquare(df, count))
    normal.flags.writeable = stretch.flags.writeable = False
    return normal, stretch


def each_listener(fit: Fit, which: int = 0) -> tuple[Floats, Floats]:
    """Every listener's own settled effects: mean (L, F) and covariance (L, F, F) of the whole posterior."""
    k, f = fit.where.count, fit.forms
    grid = fit.weight[:, which].reshape(-1, fit.inner)
    inflate = t_variance(fit.df)
    mean_s = fit.mean[:, :, which].reshape(-1, fit.inner, k)
    variance = (fit.scale[:, which] * inflate).reshape(grid.shape)
    cover_s = fit.cover.reshape(-1, fit.inner, k, k)
    take = np.zeros((f, k))
    take[:, fit.where.q] = np.eye(f)
    listeners = fit.outer[0].listeners.roots.shape[0]
    mean, second = np.zeros((listeners, f)), np.zeros((listeners, f, f))
    for i, equations in enumerate(fit.outer):
        total = grid[i].sum()
        if total < NEGLIGIBLE:
            continue
        inner = grid[i] / total
        middle = inner @ mean_s[i]
        off = mean_s[i] - middle
        spread = np.einsum("g,gij->ij", inner * variance[i], cover_s[i]) + (inner[:, None] * off).T @ off
        b = equations.listeners
        pull = b.turn * equations.spread[:, None, :]
        on = take - pull @ b.cross
        own = on @ middle + np.einsum("lij,lj->li", pull, b.answer[..., which])
        cover = on @ spread @ np.swapaxes(on, 1, 2) + (inner @ variance[i]) * (
            pull @ np.swapaxes(b.turn, 1, 2)
        )
        mean += total * own
        second += total * (cover + own[:, :, None] * own[:, None, :])
    return mean, second - mean[:, :, None] * mean[:, None, :]
