"""Bayesian hierarchical model of ratings with a familiarity curve, in closed form on a grid. numpy only.

    rating = level(listener, round, sitting) + q[form] + dev[listener, form] + pos[position]
             + car[form heard just before] - gap[form] * exp(-exposure / tau) + noise

`level` has a flat prior and is removed exactly by centring every column within its group; the noise
variance has a scaled inverse chi-square prior and is integrated out (a listener's own may be a known
multiple of it, `noise_ratio`); the prior spreads of the effects (in units of the noise) and tau are
integrated over a grid. Everything else is linear and Gaussian, so every grid point has a closed form.

The deviations of one listener touch nobody else's, so the normal equations are an arrow: the listeners'
blocks are eliminated one by one, exactly, then the effects of position and carry-over, whose prior spreads
are fixed, and the grid is solved on the few columns that are left. The work on the grid therefore does not
grow with the number of listeners.

Shapes: n ratings, L listeners, F forms, K shared columns, the first R of them left on the grid, G grid
points, m sets of ratings.
"""

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeAlias

import numpy as np

from render.arrays import Floats, Ints

Weighted: TypeAlias = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Prior:
    """Prior distributions. Spreads are in units of the noise SD; (value, weight) pairs.

    `tau` counts listens; 0 stands for "familiarity does not matter". `gap_mean` is in rating points: a form
    never heard is expected to be rated that much below its settled value.

    `own_gap` and `common_gap` each mix two beliefs, and the ratings weigh them: forms hardly differ in how
    they wear in, or differ a lot; being new costs what is usual, or anything. Their weights, those of `tau`
    and `gap_mean` were chosen on simulated studies (RESULTS_verdict.md, "Calibration", by other seeds than
    are reported there) so that stated chances and intervals hold within a few percent both in usual studies,
    where they are a little too careful, and where listeners are much slower and more unlike each other,
    where they are a little too sure.
    """

    q: Weighted = ((0.05, 0.1), (0.2, 0.15), (0.4, 0.25), (0.8, 0.3), (1.4, 0.15), (2.5, 0.05))
    dev: Weighted = ((0.05, 0.2), (0.25, 0.35), (0.5, 0.3), (1.0, 0.15))
    own_gap: Weighted = ((0.05, 0.7), (1.0, 0.3))
    common_gap: Weighted = ((0.25, 0.5), (1.0, 0.5))
    tau: Weighted = ((0.0, 0.1), (1.0, 0.15), (1.75, 0.2), (3.0, 0.25), (5.0, 0.2), (8.0, 0.1))
    own_gap_tau: float = 3.0  # a form's own gap that fades slower than this is smaller in proportion
    only_own: int | None = None  # the one form that has a gap of its own; None: every form has
    position: float = 0.25
    carry_over: float = 0.15
    gap_mean: float = 5.0
    noise_df: float = 6.0
    noise_sd: float = 10.0


# Second opinions before a verdict is called clear. They expect smaller differences between the forms, and
_DOUBTFUL = Prior(
    q=((0.05, 0.15), (0.15, 0.15), (0.3, 0.25), (0.6, 0.25), (1.2, 0.15), (2.5, 0.05)),
    dev=((0.05, 0.2), (0.25, 0.3), (0.5, 0.3), (1.0, 0.2)),
    common_gap=((0.7, 1.0),),
    carry_over=0.2,
)
# that familiarity may take long to settle,
SLOW = replace(
    _DOUBTFUL,
    own_gap=((0.3, 0.5), (1.0, 0.4), (2.0, 0.1)),
    tau=((0.0, 0.15), (1.0, 0.17), (1.75, 0.2), (3.0, 0.23), (5.0, 0.15), (8.0, 0.07), (14.0, 0.03)),
)
# or that each form may wear off, or wear in, in a way of its own.
OWN = replace(_DOUBTFUL, own_gap=((1.0, 0.5), (2.0, 0.5)), tau=((1.75, 0.35), (3.0, 0.4), (5.0, 0.25)))


def fading(form: int) -> Prior:
    """Or that this form alone (its code) may: the sharper question where it is in front."""
    return replace(OWN, only_own=form)


@dataclass(frozen=True)
class Observations:
    """Ratings as arrays, one entry a rated listen; all integer codes start at 0.

    `previous` is -1 where nothing (or nobody knows what) was heard just before; `exposure` is how often this
    listener had heard this form before this listen, prior listens included.
    """

    rating: Floats  # (n,)
    listener: Ints  # (n,)
    form: Ints
    group: Ints  # one code for each (listener, round, sitting)
    position: Ints
    previous: Ints
    exposure: Floats
    listeners: int
    forms: int
    noise_ratio: Floats | None = None  # (L,) noise variance of each listener over the common one; None: 1

    def __len__(self) -> int:
        return len(self.rating)

    def only(self, keep: Ints) -> "Observations":
        """Those at the indices `keep` (k,), with the same listeners and forms."""
        return Observations(
            rating=self.rating[keep],
            listener=self.listener[keep],
            form=self.form[keep],
            group=np.unique(self.group[keep], return_inverse=True)[1].astype(np.int64),
            position=self.position[keep],
            previous=self.previous[keep],
            exposure=self.exposure[keep],
            listeners=self.listeners,
            forms=self.forms,
            noise_ratio=self.noise_ratio,
        )


@dataclass(frozen=True)
class Columns:
    """Where the shared effects lie among the K columns."""

    q: slice
    position: slice
    carry_over: slice
    own_gap: slice
    common_gap: slice
    count: int

    @staticmethod
    def of(forms: int, positions: int) -> "Columns":
        edges = np.cumsum([0, forms, forms, 1, positions, forms]).tolist()
        q, own, common, position, carry_over = (slice(a, b) for a, b in itertools.pairwise(edges))
        return Columns(q, position, carry_over, own, common, edges[-1])

    @property
    def left(self) -> int:
        """R: the columns whose prior spreads vary over the grid come first, position and carry-over last."""
        return int(self.position.start)


def centred(values: Floats, group: Ints) -> Floats:
    """`values` (n, ...) minus the mean of each group: what is left when every group has its own level."""
    size = np.bincount(group)
    order = np.argsort(group, kind="stable")
    starts = np.concatenate([[0], np.cumsum(size)[:-1]])
    sums = np.add.reduceat(values[order], starts[size > 0], axis=0)
    means = np.zeros((len(size), *values.shape[1:]))
    means[size > 0] = sums / size[size > 0].reshape(-1, *[1] * (values.ndim - 1))
    return np.asarray(values - means[group], dtype=np.float64)


def t_variance(df: float) -> float:
    """The variance of Student's t distribution with `df` degrees of freedom (never infinite)."""
    return df / max(df - 2, 1.0)


def _one_hot(codes: Ints, count: int) -> Floats:
    return np.asarray(codes[:, None] == np.arange(count), dtype=np.float64)


def shared_columns(seen: Observations, tau: float) -> tuple[Floats, Columns]:
    """The uncentred design (n, K) of the shared effects, and where each effect's columns are."""
    positions = int(seen.position.max()) + 1 if len(seen) else 0
    where = Columns.of(seen.forms, positions)
    novelty = np.exp(-seen.exposure / tau) if tau > 0 else np.zeros(len(seen))
    form = _one_hot(seen.form, seen.forms)
    design = np.empty((len(seen), where.count))
    design[:, where.q] = form
    design[:, where.position] = _one_hot(seen.position, positions)
    design[:, where.carry_over] = _one_hot(seen.previous, seen.forms)
    design[:, where.own_gap] = -form * novelty[:, None]
    design[:, where.common_gap] = -novelty[:, None]
    return design, where


@dataclass(frozen=True)
class _Listeners:
    """The listeners' blocks for one tau, turned into the eigenvectors of their Gram matrices.

    `turn` (L, F, F), `roots` (L, F); `cross` (L, F, K) and `answer` (L, F, m) are the products of a
    listener's own columns with the shared columns and with the ratings, in that basis.
    """

    turn: Floats
    roots: Floats
    cross: Floats
    answer: Floats


@dataclass(frozen=True)
class _Equations:
    """Normal equations of the shared columns for one (tau, dev): the listeners' deviations eliminated."""

    gram: Floats  # (K, K)
    right: Floats  # (K, m)
    square: Floats  # (m,)
    log_det: float
    listeners: _Listeners
    spread: Floats  # (L, F): prior variance left along each eigenvector, in units of the noise variance
    log_prior: float
    tau: float


def _equations(seen: Observations, ratings: Floats, prior: Prior) -> Iterable[_Equations]:
    """One set of equations for each (tau, dev). `ratings` is (n, m)."""
    block = seen.listener * seen.forms + seen.form
    cells = (seen.listeners, seen.forms)
    ratio = np.ones(seen.listeners) if seen.noise_ratio is None else seen.noise_ratio
    root_weight = 1 / np.sqrt(ratio)
    turn = roots = None
    for tau, tau_weight in prior.tau:
        design, where = shared_columns(seen, tau)
        # the expected gap is moved to the left side, so that every effect has prior mean 0
        moved = ratings - prior.gap_mean * design[:, where.common_gap]
        both = centred(np.hstack([design, moved]), seen.group) * root_weight[seen.listener, None]
        k = where.count
        fixed, answers = both[:, :k], both[:, k:]  # columns of the effects, of the ratings
        sums = _sums(both, block, cells[0] * cells[1]).reshape(*cells, both.shape[1])
        sums *= root_weight[:, None, None]
        if turn is None or roots is None:  # a listener's own columns do not depend on tau
            own = (sums[..., where.q] + np.swapaxes(sums[..., where.q], 1, 2)) / 2
            roots, turn = np.linalg.eigh(own)
            roots = np.maximum(roots, 0.0)
        turned = np.swapaxes(turn, 1, 2) @ sums
        blocks = _Listeners(turn, roots, turned[..., :k], turned[..., k:])
        flat = turned.reshape(cells[0] * cells[1], both.shape[1])
        gram, right, square = product(fixed, fixed), product(fixed, answers), (answers**2).sum(0)
        for dev, dev_weight in prior.dev:
            spread = dev**2 / (1 + dev**2 * roots)
            pulled = spread.reshape(-1, 1) * flat
            yield _Equations(
                gram=gram - product(flat[:, :k], pulled[:, :k]),
                right=right - product(flat[:, :k], pulled[:, k:]),
                square=square - (flat[:, k:] * pulled[:, k:]).sum(0),
                log_det=float(np.log1p(dev**2 * roots).sum()),
                listeners=blocks,
                spread=spread,
                log_prior=float(np.log(tau_weight * dev_weight)),
                tau=tau,
            )


@dataclass(frozen=True)
class _Left:
    """Normal equations of the R columns left on the grid, for all O pairs (tau, dev) at once.

    Given the effects r (R, m) that are left, the means of all shared effects are back @ r + shift; `extra`
    is what those eliminated add to the covariance, in units of the noise variance.
    """

    gram: Floats  # (O, R, R)
    right: Floats  # (O, R, m)
    square: Floats  # (O, m)
    log_det: Floats  # (O,)
    back: Floats  # (O, K, R)
    shift: Floats  # (O, K, m)
    extra: Floats  # (O, K, K)


def _without_fixed(outer: Sequence[_Equations], prior: Prior, where: Columns) -> _Left:
    """Eliminates position and carry-over from the equations of all shared columns."""
    r = where.left
    gram, right = np.stack([e.gram for e in outer]), np.stack([e.right for e in outer])
    sd = np.full(where.count - r, prior.carry_over)
    sd[: where.position.stop - r] = prior.position
    root = np.linalg.cholesky(np.eye(len(sd)) + sd[:, None] * gram[:, r:, r:] * sd)
    half = np.linalg.inv(root) * sd
    onto, answer, flip = half @ gram[:, r:, :r], half @ right[:, r:], np.swapaxes(half, 1, 2)
    turned = np.swapaxes(onto, 1, 2)
    extra = np.zeros_like(gram)
    extra[:, r:, r:] = flip @ half
    return _Left(
        gram=gram[:, :r, :r] - turned @ onto,
        right=right[:, :r] - turned @ answer,
        square=np.stack([e.square for e in outer]) - (answer**2).sum(1),
        log_det=np.array([e.log_det for e in outer]) + 2 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum(1),
        back=np.concatenate([np.broadcast_to(np.eye(r), (len(gram), r, r)), -flip @ onto], axis=1),
        shift=np.concatenate([np.zeros_like(right[:, :r]), flip @ answer], axis=1),
        extra=extra,
    )


def product(a: Floats, b: Floats) -> Floats:
    """a.T @ b for long thin (n, k) arrays, in pieces too small for a BLAS to share among threads.

    So the sums do not depend on the number of cores, and a busy machine does not make the threads wait.
    """
    k = a.shape[1]
    rows = max(8, 150_000 // (k * b.shape[1]))
    whole = len(a) // rows * rows
    pieces = a[:whole].reshape(-1, rows, k), b[:whole].reshape(-1, rows, b.shape[1])
    total = (np.swapaxes(pieces[0], 1, 2) @ pieces[1]).sum(0)
    return np.asarray(total + a[whole:].T @ b[whole:], dtype=np.float64)


def _sums(values: Floats, codes: Ints, count: int) -> Floats:
    """Sums of the rows of `values` (n, k) that share a code: (count, k)."""
    total = np.zeros((count, values.shape[1]))
    if len(codes):
        order = np.argsort(codes, kind="stable")
        present, starts = np.unique(codes[order], return_index=True)
        total[present] = np.add.reduceat(values[order], starts, axis=0)
    return total


def _spreads(prior: Prior, where: Columns, taus: Sequence[float]) -> tuple[Floats, Floats]:
    """Prior SDs (taus, I, R) of the columns on the grid at the inner points, and their log weights (I,)."""
    inner = list(itertools.product(prior.q, prior.own_gap, prior.common_gap))
    has_own = (np.arange(where.q.stop) == prior.only_own) | (prior.only_own is None)
    rows = np.empty((len(inner), where.left))
    for row, ((q, _), (own, _), (common, _)) in zip(rows, inner, strict=True):
        row[where.q], row[where.own_gap], row[where.common_gap] = q, own * has_own, common
    slow = np.array([min(1.0, prior.own_gap_tau / tau) if tau > 0 else 1.0 for tau in taus])
    spreads = np.repeat(rows[None], len(slow), axis=0)
    spreads[..., where.own_gap] *= slow[:, None, None]
    return spreads, np.array([np.log(wq * wo * wc) for (_, wq), (_, wo), (_, wc) in inner])


@dataclass(frozen=True)
class Fit:
    """The posterior, as a mixture over the grid; see `posterior` for what to ask of it.

    weight (G, m); left_mean (G, R, m) and left_cover (G, R, R; in units of the noise variance) of the
    columns left on the grid; scale (G, m) is the noise variance at each point, with `df` degrees of freedom.
    """

    weight: Floats
    left_mean: Floats
    left_cover: Floats
    scale: Floats
    df: float
    where: Columns
    tau: Floats  # (G,)
    forms: int
    inner: int  # grid points for each (tau, dev)
    gap_mean: float  # rating points that `mean` of the common gap leaves out
    outer: tuple[_Equations, ...] = field(repr=False)
    left: _Left = field(repr=False)

    @cached_property
    def mean(self) -> Floats:
        """(G, K, m) means of all shared effects."""
        by_outer = self.left_mean.reshape(-1, self.inner, *self.left_mean.shape[1:])
        stacked = self.left.back[:, None] @ by_outer + self.left.shift[:, None]
        return np.asarray(stacked.reshape(-1, *stacked.shape[2:]), dtype=np.float64)

    @cached_property
    def cover(self) -> Floats:
        """(G, K, K) their covariances, in units of the noise variance."""
        back = self.left.back[:, None]
        by_outer = self.left_cover.reshape(-1, self.inner, *self.left_cover.shape[1:])
        stacked = back @ by_outer @ np.swapaxes(back, -1, -2) + self.left.extra[:, None]
        return np.asarray(stacked.reshape(-1, *stacked.shape[2:]), dtype=np.float64)

    def noise_sd(self, which: int = 0) -> float:
        """The expected noise SD, in rating points."""
        return float(np.sqrt(self.weight[:, which] @ self.scale[:, which]))


def fit(seen: Observations, prior: Prior, ratings: Floats | None = None) -> Fit:
    """The posterior of the shared effects given `seen`; `ratings` (n, m) replaces its own, m sets at once."""
    columns = seen.rating[:, None] if ratings is None else ratings
    groups = len(np.unique(seen.group))
    df = prior.noise_df + len(seen) - groups
    where = shared_columns(seen, 0.0)[1]
    outer = tuple(_equations(seen, columns, prior))
    spreads, log_inner = _spreads(prior, where, [e.tau for e in outer])  # (outer, inner, R)
    left = _without_fixed(outer, prior, where)
    system = spreads[..., :, None] * left.gram[:, None] * spreads[..., None, :]
    system[..., np.arange(where.left), np.arange(where.left)] += 1.0
    lower = np.linalg.cholesky(system)
    inverse = np.linalg.inv(lower) * spreads[..., None, :]  # (outer, inner, R, R): L^-1 S
    half = inverse @ left.right[:, None]
    squares = np.maximum(left.square[:, None] - (half**2).sum(-2), 0.0) + prior.noise_df * prior.noise_sd**2
    log_weight = (
        (np.array([e.log_prior for e in outer]) - left.log_det / 2)[:, None, None]
        + log_inner[:, None]
        - np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(-1)[..., None]
        - df / 2 * np.log(squares)
    ).reshape(-1, columns.shape[1])
    weight = np.exp(log_weight - log_weight.max(0))
    flip = np.swapaxes(inverse, -1, -2)
    return Fit(
        weight=weight / weight.sum(0),
        left_mean=(flip @ half).reshape(-1, where.left, columns.shape[1]),
        left_cover=(flip @ inverse).reshape(-1, where.left, where.left),
        scale=squares.reshape(-1, columns.shape[1]) / df,
        df=df,
        where=where,
        tau=np.repeat([e.tau for e in outer], len(log_inner)),
        forms=seen.forms,
        inner=len(log_inner),
        gap_mean=prior.gap_mean,
        outer=outer,
        left=left,
    )
