"""Posterior of the settled effects (at full familiarity): of the panel, of its population, of each listener.

Shapes as in `familiarity`: L listeners, F forms, K shared columns, G grid points. numpy only.
"""

from dataclasses import dataclass

import numpy as np

from render.arrays import Floats
from reports.model.familiarity import Fit, product, t_variance

NEGLIGIBLE = 1e-7  # grid points of less weight than this are left out of draws


@dataclass(frozen=True)
class Mixture:
    """A mixture of t distributions of the forms' settled effects, in rating points.

    weight (G,), mean (G, F), cover (G, F, F), all with `df` degrees of freedom.
    """

    weight: Floats
    mean: Floats
    cover: Floats
    df: float

    def draws(self, count: int, seed: int) -> Floats:
        """(count, F) draws; each grid point gets its share of them to the nearest draw."""
        rng = np.random.default_rng(seed)
        normal = rng.standard_normal((count, self.mean.shape[1]))
        stretch = np.sqrt(self.df / rng.chisquare(self.df, count))
        edges = np.cumsum(self.weight) * count / self.weight.sum()
        point = np.minimum(np.searchsorted(edges, np.arange(count) + 0.5), len(edges) - 1)
        root = np.linalg.cholesky(self.cover + 1e-12 * np.eye(self.mean.shape[1]))
        steps = np.einsum("nij,nj->ni", root[point], normal)
        return np.asarray(self.mean[point] + stretch[:, None] * steps, dtype=np.float64)

    def moments(self) -> tuple[Floats, Floats]:
        """Mean (F,) and covariance (F, F) of the whole mixture."""
        weight = self.weight / self.weight.sum()
        mean = weight @ self.mean
        off = self.mean - mean
        inflate = t_variance(self.df)
        cover = np.einsum("g,gij->ij", weight, self.cover) * inflate
        return mean, cover + np.einsum("g,gi,gj->ij", weight, off, off)


def targets(found: Fit, listeners: Floats | None, which: int = 0) -> Mixture:
    """The settled effects of the forms for the listeners weighted by `listeners` (L,), summing to 1.

    With None: for people like them, i.e. without these listeners' own deviations.
    """
    keep = np.flatnonzero(found.weight[:, which] > NEGLIGIBLE)
    q, forms = found.where.q, found.forms
    mean, cover = found.mean[keep, :, which], found.cover[keep]
    take = np.zeros((len(found.outer), forms, found.where.count))
    take[:, :, q] = np.eye(forms)
    shift, extra = np.zeros((len(found.outer), forms)), np.zeros((len(found.outer), forms, forms))
    if listeners is not None:
        for i, equations in enumerate(found.outer):
            b = equations.listeners
            across = np.swapaxes(b.turn, 1, 2).reshape(-1, forms)  # (L F, F): rows are eigenvectors
            pull = (listeners[:, None] * equations.spread).reshape(-1, 1) * across
            take[i] -= product(pull, b.cross.reshape(len(pull), found.where.count))
            shift[i] = b.answer[..., which].ravel() @ pull
            extra[i] = product(pull, np.repeat(listeners, forms)[:, None] * across)
    at = keep // found.inner
    turned = take[at] @ cover @ np.swapaxes(take[at], 1, 2) + extra[at]
    return Mixture(
        weight=found.weight[keep, which],
        mean=np.einsum("gfk,gk->gf", take[at], mean) + shift[at],
        cover=turned * found.scale[keep, which, None, None],
        df=found.df,
    )


def each_listener(found: Fit, which: int = 0) -> tuple[Floats, Floats]:
    """Every listener's own settled effects: mean (L, F) and covariance (L, F, F) of the whole posterior."""
    k, f = found.where.count, found.forms
    grid = found.weight[:, which].reshape(-1, found.inner)
    inflate = t_variance(found.df)
    mean_s = found.mean[:, :, which].reshape(-1, found.inner, k)
    variance = (found.scale[:, which] * inflate).reshape(grid.shape)
    cover_s = found.cover.reshape(-1, found.inner, k, k)
    take = np.zeros((f, k))
    take[:, found.where.q] = np.eye(f)
    listeners = found.outer[0].listeners.roots.shape[0]
    mean, second = np.zeros((listeners, f)), np.zeros((listeners, f, f))
    for i, equations in enumerate(found.outer):
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
