"""Coefficients of a day's rows and their intervals, where scatters are not known exactly.

``d = X β + J z + e``, with z of unit variance (one of them larger on some kinds of days) and
``cov e = V_known + Σ φ_j K_j`` in blocks along the diagonal. What is usual of each φ is stated
beforehand. The answer is averaged over what the φ could be, by what is usual and by what the rows
say, on a grid: with one repeat the first weighs most, with ten the second, and there is no step
between the two.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from tuninglib.statistics.population import Kinds
from tuninglib.statistics.repeats import t_quantile

# Points of the grid along each variance, by how many variances there are. They are set anew, ever
# closer, until they span just what matters: that is up to five standard deviations either way, so
# that they stand 0.3 (one variance) to 1.2 of one apart, which gives a mean to a thousandth.
_POINTS = {0: 1, 1: 31, 2: 15, 3: 9}
_MOST_LOOKS = 6
# Points so far below the best, in log weight, weigh nothing beside it.
_MATTERS = 12.0
# Numbers in one piece of work, so that a long day needs no more memory than a short one.
_AT_ONCE = 8_000_000

# Ratio of the 95 % to the 68.27 % half-width of Student's t, by degrees of freedom.
_DOFS = np.concatenate([np.linspace(0.3, 1, 8)[:-1], np.geomspace(1, 1e4, 120)])
_ONE_SIGMA = ndtr(1.0)
_WIDTH_RATIOS = t_quantile(0.975, _DOFS) / t_quantile(_ONE_SIGMA, _DOFS)


@dataclass(frozen=True)
class Component:
    """One variance φ that is not known, with the matrix that it multiplies.

    Parameters
    ----------
    matrix : array
        K: covariance of the data for φ = 1, in blocks.
    usual : float
        The φ in the middle of what is usual. Its square root is log-normal beforehand.
    log_sd : float
        Standard deviation of the logarithm of the square root of φ.
    """

    matrix: np.ndarray
    usual: float
    log_sd: float

    def log_density(self, phi: np.ndarray) -> np.ndarray:
        """Logarithm of the density of log φ beforehand, but for a constant."""
        # Of φ the logarithm is twice that of its root, and so is its standard deviation.
        far = np.log(phi / self.usual) / (2 * self.log_sd)
        return -0.5 * far**2

    def ends(self) -> tuple[float, float]:
        """Between which logarithms of φ the density can matter."""
        # Six standard deviations: a scatter twenty times the usual one is still found.
        reach = 2 * 6.0 * self.log_sd
        return np.log(self.usual) - reach, np.log(self.usual) + reach


@dataclass(frozen=True)
class Rows:
    """Data with all that acts on them, by block and place; n blocks of b rows.

    Parameters
    ----------
    data : array, n by b
    design : array, n by b by k
        X, of full column rank.
    shared : array, n by b by m
        J: what one standard deviation of each unknown that all blocks share does to the data.
    known : array, n by b by b
        The part of the covariance that is known and not shared by blocks.
    components : tuple of Component
        At most three.
    uneven : tuple
        One unknown z whose variance is another by the kind of day: its place, and the
        :class:`tuninglib.statistics.population.Kinds` in its own standard deviations. Its variance
        then stands behind the φ wherever these are listed. Empty: all z have the variance 1.
    """

    data: np.ndarray
    design: np.ndarray
    shared: np.ndarray
    known: np.ndarray
    components: tuple = ()
    uneven: tuple[int, Kinds] | tuple[()] = ()

    @cached_property
    def columns(self) -> np.ndarray:
        """X, then J, by row. n·b by k + m"""
        both = np.concatenate([self.design, self.shared], axis=-1)
        return both.reshape(self.data.size, -1)

    def prior(self, variances: np.ndarray) -> np.ndarray:
        """Precision that z brings along, 1 unless it is uneven; β has none. g by k + m"""
        k, m = self.design.shape[-1], self.shared.shape[-1]
        found = np.tile(np.repeat([0.0, 1.0], [k, m]), (len(variances), 1))
        if self.uneven:
            found[:, k + self.uneven[0]] = 1 / variances[:, -1]
        return found


class _LeastSquares(NamedTuple):
    """Least squares at several values of the variances, one after the other.

    Attributes
    ----------
    log_likelihood : array, g
        Restricted: β is taken out.
    joint, covariance : array, g by k + m, g by k + m by k + m
        β, then z.
    inverse : array, g by n by b by b
        B⁻¹, of the covariance B of what blocks do not share.
    turned : array, g by n·b by k + m
        B⁻¹ [X J].
    scaled : array, g by n by b
        P d: the data's distances from the fit, by the whole covariance.
    """

    log_likelihood: np.ndarray
    joint: np.ndarray
    covariance: np.ndarray
    inverse: np.ndarray
    turned: np.ndarray
    scaled: np.ndarray

    def diagonal(self) -> np.ndarray:
        """Diagonal of P. g by n by b"""
        own = np.diagonal(self.inverse, axis1=-2, axis2=-1)
        lost = np.sum((self.turned @ self.covariance) * self.turned, axis=-1)
        return own - lost.reshape(own.shape)


def _solve(rows: Rows, variances) -> _LeastSquares:
    """Least squares of [X J] under B⁻¹, with unit precision added for z.

    With A their normal matrix and D the precision of z, log|V| + log|XᵀV⁻¹X| is
    log|B| + log|A| − log|D|, and
    P = B⁻¹ − B⁻¹[X J] A⁻¹ [X J]ᵀ B⁻¹, so that all costs as much as there are rows [1]_.

    References
    ----------
    .. [1] C. R. Henderson, Best linear unbiased estimation and prediction under a selection model,
       Biometrics 31 (1975), 423-447.
    """
    # All points of the grid at once, on the first axis.
    own = np.broadcast_to(rows.known, (len(variances), *rows.known.shape))
    for number, one in enumerate(rows.components):
        own = own + variances[:, number, None, None, None] * one.matrix
    inverse, log_inverse = _inverse(own)
    x = rows.columns
    by_block = x.reshape(*rows.data.shape, -1)
    turned = (inverse @ by_block).reshape(len(own), *x.shape)
    prior = rows.prior(variances)
    normal = x.T @ turned
    diagonal = np.arange(x.shape[1])
    normal[:, diagonal, diagonal] += prior
    covariance = np.linalg.inv(normal)
    # Rounding leaves an inverse a little lopsided, which would show in its own determinant.
    covariance = (covariance + covariance.swapaxes(-1, -2)) / 2
    joint, left = np.zeros(covariance.shape[:2]), np.broadcast_to(rows.data, own.shape[:-1])
    for _ in range(2):
        # The second time, what rounding left over.
        pull = np.einsum("grp,gr->gp", turned, left.reshape(len(own), -1)) - joint * prior
        joint = joint + np.einsum("gpq,gq->gp", covariance, pull)
        left = rows.data - (joint @ x.T).reshape(left.shape)
    scaled = np.einsum("giab,gib->gia", inverse, left)
    squares = np.sum(left * scaled, axis=(1, 2)) + np.sum(joint**2 * prior, axis=1)
    log = log_inverse + np.linalg.slogdet(covariance)[1] - squares
    log = log + np.log(prior[:, rows.design.shape[-1] :]).sum(axis=1)
    # Where one variance is next to nothing beside another, rounding can leave no covariance at all.
    log = np.where(squares >= 0, log, -np.inf)
    return _LeastSquares(log / 2, joint, covariance, inverse, turned, scaled)


def _inverse(blocks):
    """Inverse of each block, and the logarithm of the determinant of all blocks' inverses.

    Blocks of one row or two are by far the most; of these it is worked out place by place, since
    thousands of small matrices cost more to start than to invert.
    """
    if blocks.shape[-1] > 2:
        return np.linalg.inv(blocks), -np.linalg.slogdet(blocks)[1].sum(-1)
    if blocks.shape[-1] == 1:
        return 1 / blocks, -np.log(blocks).sum((-1, -2, -3))
    a, b, d = blocks[..., 0, 0], blocks[..., 0, 1], blocks[..., 1, 1]
    determinant = a * d - b * b
    found = np.stack([d, -b, -b, a], axis=-1) / determinant[..., None]
    return found.reshape(blocks.shape), -np.log(determinant).sum(-1)


def _in_pieces(rows: Rows, variances):
    """Pieces of the grid that are worked out at once."""
    # What one point of the grid takes: turned columns, the covariance, a few sets of blocks.
    each = rows.columns.size + rows.columns.shape[1] ** 2 + 4 * rows.known.size
    some = max(1, _AT_ONCE // each)
    return (variances[begin : begin + some] for begin in range(0, len(variances), some))


@dataclass(frozen=True)
class VarianceMixture:
    """Normal distributions of the coefficients, each with its weight.

    Attributes
    ----------
    means : array, grid by k
    covariances : array, grid by k by k
    weights : array, grid
        Sum to 1.
    """

    means: np.ndarray
    covariances: np.ndarray
    weights: np.ndarray


class Grid(NamedTuple):
    """Values of the variances, each with the weight that it has after the rows are known.

    Attributes
    ----------
    variances : array, g by components
        And one more where an unknown is uneven: its variance.
    weights : array, g
        Sum to 1.
    log_likelihood : array, g
        What the rows alone say.
    """

    variances: np.ndarray
    weights: np.ndarray
    log_likelihood: np.ndarray

    @property
    def middle(self) -> np.ndarray:
        """Geometric mean of each variance."""
        return np.exp(self.weights @ np.log(self.variances))

    @property
    def mean(self) -> np.ndarray:
        """Mean of each variance."""
        return self.weights @ self.variances

    @property
    def log_sd(self) -> np.ndarray:
        """How far the logarithm of each standard deviation is known."""
        logs = np.log(self.variances) / 2
        return np.sqrt(self.weights @ (logs - self.weights @ logs) ** 2)


def variance_grid(rows: Rows, *, closer: bool = True) -> Grid:
    """The variances as they are known once the rows are.

    Parameters
    ----------
    rows : Rows
    closer : bool
        Whether the points are set anew where they matter; without, the first look has to do.

    Returns
    -------
    Grid

    Notes
    -----
    The weight is the restricted likelihood times the density beforehand, of the logarithm of each
    variance, in which the points stand evenly.
    """
    ends = np.array([one.ends() for one in rows.components]).reshape(-1, 2)
    count = len(ends)
    points = _POINTS[count]
    kinds = rows.uneven[1] if rows.uneven else Kinds((1.0,), (1.0,))
    chances = np.repeat(np.log(kinds.chances), points**count)
    for _ in range(_MOST_LOOKS if closer else 1):
        axes = [np.exp(np.linspace(low, high, points)) for low, high in ends]
        variances = np.stack(np.meshgrid(*axes, indexing="ij"), -1) if axes else np.zeros((1, 0))
        variances = np.tile(variances.reshape(points**count, count), (len(kinds.sds), 1))
        if rows.uneven:
            of_kind = np.repeat(np.square(kinds.sds), points**count)
            variances = np.column_stack([variances, of_kind])
        pieces = _in_pieces(rows, variances)
        likelihood = np.concatenate([_solve(rows, piece).log_likelihood for piece in pieces])
        stated = sum(one.log_density(variances[:, at]) for at, one in enumerate(rows.components))
        log = np.where(np.isfinite(likelihood), likelihood + stated + chances, -np.inf)
        # Half a step beyond the outermost point that matters, since the edge lies between two.
        inside = np.log(variances[log > log.max() - _MATTERS, :count])
        step, before = np.diff(ends, axis=1)[:, 0] / (points - 1), ends
        ends = np.stack([inside.min(0) - step / 2, inside.max(0) + step / 2], axis=1)
        # When a look no longer draws the ends much closer, it was close enough itself.
        if np.all(np.diff(ends) > 0.6 * np.diff(before)):
            break
    # Steps are even in log φ, in which the density beforehand is given: no Jacobian is needed.
    weights = np.exp(log - log.max())
    kept = weights > 1e-9
    return Grid(variances[kept], weights[kept] / weights[kept].sum(), likelihood[kept])


def average_over_variances(rows: Rows, grid: Grid) -> VarianceMixture:
    """Coefficients at every point of the grid of variances, with the weight of each.

    Parameters
    ----------
    rows : Rows
    grid : Grid

    Returns
    -------
    VarianceMixture
        Of β, then of z.

    Examples
    --------
    One mean of three, and scatters of about 1.4 are usual, give or take half:

    >>> rows = Rows(np.array([[1.0], [2.0], [6.0]]), np.ones((3, 1, 1)), np.zeros((3, 1, 0)),
    ...             np.zeros((3, 1, 1)), (Component(np.ones((3, 1, 1)), 2.0, 0.5),))
    >>> found = spread(average_over_variances(rows, variance_grid(rows)), np.array([1.0]))
    >>> found.low, found.high
    (0.25, 5.75)
    """
    pieces = [_solve(rows, piece) for piece in _in_pieces(rows, grid.variances)]
    means, covariances = ([getattr(x, name) for x in pieces] for name in ("joint", "covariance"))
    return VarianceMixture(np.concatenate(means), np.concatenate(covariances), grid.weights)


@dataclass(frozen=True)
class MixedFit:
    """Coefficients at one value of the variances.

    Attributes
    ----------
    coefficients, covariance : array
        β and its covariance.
    joint, joint_covariance : array
        β, then the likeliest z, and the covariance of both together.
    variances : array
        φ.
    scaled_residuals : array, n by b
        P d, which is V⁻¹ (d − X β).
    weights : array, k by n by b
        G with β = G d.
    own : array, n by b by b
        Covariance of what the rows do not share: V − J Jᵀ.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    joint: np.ndarray
    joint_covariance: np.ndarray
    variances: np.ndarray
    scaled_residuals: np.ndarray
    weights: np.ndarray
    own: np.ndarray


def fit_at(rows: Rows, variances: ArrayLike) -> MixedFit:
    """Coefficients by generalised least squares.

    Parameters
    ----------
    rows : Rows
    variances : array
        φ of each component, then the variance of an uneven unknown where there is one.

    Returns
    -------
    MixedFit

    Examples
    --------
    >>> rows = Rows(np.array([[1.0], [2.0], [6.0]]), np.ones((3, 1, 1)), np.zeros((3, 1, 0)),
    ...             np.zeros((3, 1, 1)), (Component(np.ones((3, 1, 1)), 7.0, 0.5),))
    >>> fit = fit_at(rows, [7.0])
    >>> fit.coefficients, fit.covariance
    (array([3.]), array([[2.33]]))
    """
    variances = np.asarray(variances, dtype=float)
    found, k = _solve(rows, variances[None]), rows.design.shape[-1]
    joint, covariance = found.joint[0], found.covariance[0]
    weights = (found.turned[0] @ covariance[:, :k]).T.reshape(k, *rows.data.shape)
    # One variance more than components is that of an uneven unknown.
    parts = (phi * one.matrix for phi, one in zip(variances, rows.components, strict=False))
    return MixedFit(
        coefficients=joint[:k],
        covariance=covariance[:k, :k],
        joint=joint,
        joint_covariance=covariance,
        variances=variances,
        scaled_residuals=found.scaled[0],
        weights=weights,
        own=rows.known + sum(parts),
    )


class HeldAgainst(NamedTuple):
    """Each row against what all the others say of it.

    Attributes
    ----------
    off : array, n by b
        How far the row is from there; 0 where nothing else speaks of it.
    distance : array, n by b
        The same in standard deviations, by a normal distribution with the same tails.
    alone : array, n by b
        Variance that such a row has of its own.
    """

    off: np.ndarray
    distance: np.ndarray
    alone: np.ndarray


def left_out(rows: Rows, grid: Grid) -> HeldAgainst:
    """Each row held against what all the others say of it.

    Parameters
    ----------
    rows : Rows
    grid : Grid

    Returns
    -------
    HeldAgainst

    Notes
    -----
    With P of the whole covariance, row i is (P d)_i / P_ii away from what the others say, of
    variance 1 / P_ii [1]_. Without row i the restricted log likelihood is larger by
    ½ (P d)_i² / P_ii − ½ log P_ii, so that a row that is far off cannot excuse itself by the
    scatter that it shows.

    References
    ----------
    .. [1] R. Christensen, L. M. Pearson, W. Johnson, Case-deletion diagnostics for mixed models,
       Technometrics 34 (1992), 38-45.
    """
    solved = [_solve(rows, piece) for piece in _in_pieces(rows, grid.variances)]
    seen = np.concatenate([one.diagonal() for one in solved])
    scaled = np.concatenate([one.scaled for one in solved])
    inverse = np.concatenate([np.diagonal(one.inverse, axis1=-2, axis2=-1) for one in solved])
    # Of a row that is alone with a coefficient of its own, nothing else speaks.
    single = (seen < 1e-9 * inverse).any(0)
    safe = np.where(single, 1.0, seen)
    log = np.log(grid.weights)[:, None, None] + (scaled**2 / safe - np.log(safe)) / 2
    weight = np.exp(log - log.max(0))
    weight /= weight.sum(0)
    # The tail is averaged, not the distance: one scatter in which the row is unlikely does not
    # make it so if another explains it.
    off = scaled / safe
    beyond = (weight * ndtr(-np.abs(off) * np.sqrt(safe))).sum(0)
    off = np.where(single, 0.0, (weight * off).sum(0))
    distance = np.where(single, 0.0, -ndtri(np.maximum(beyond, 1e-300)))
    return HeldAgainst(off, distance, (weight / inverse).sum(0))


def degrees_of_freedom(rows: Rows, fit: MixedFit, number: int) -> float:
    """How many degrees of freedom the rows alone tell one variance with, all its row's noise in it.

    Parameters
    ----------
    rows : Rows
    fit : MixedFit
    number : int
        Of the component.

    Notes
    -----
    Twice the square of the variance, of what such a row has in all, times the expected information
    ½ tr(P K P K) [1]_.

    References
    ----------
    .. [1] H. D. Patterson, R. Thompson, Recovery of inter-block information when block sizes
       are unequal, Biometrika 58 (1971), 545-554.
    """
    solved, part = _solve(rows, fit.variances[None]), rows.components[number].matrix
    inverse, turned, covariance = solved.inverse[0], solved.turned[0], solved.covariance[0]
    moved = (part @ turned.reshape(*rows.data.shape, -1)).reshape(turned.shape)
    again = (part @ inverse @ moved.reshape(*rows.data.shape, -1)).reshape(turned.shape)
    mixed, seen = inverse @ part, covariance @ (turned.T @ moved)
    trace = np.einsum("iab,iba->", mixed, mixed) - 2 * np.sum(covariance * (turned.T @ again))
    trace += np.sum(seen * seen.T)
    acts = np.diagonal(part, axis1=1, axis2=2) > 0
    total = np.diagonal(fit.own, axis1=1, axis2=2)[acts] / np.diagonal(part, axis1=1, axis2=2)[acts]
    return float(trace * total.mean() ** 2)


@dataclass(frozen=True)
class Spread:
    """A contrast of coefficients with its 95 % interval.

    Attributes
    ----------
    value, low, high : float
    p_value : float
        Against zero, two-sided.
    sd, dof : float
        Of the Student's t distribution with the same 95 % and 68 % widths.
    """

    value: float
    low: float
    high: float
    p_value: float
    sd: float
    dof: float


def spread(mixture: VarianceMixture, vector: ArrayLike) -> Spread:
    """A contrast of the coefficients with its 95 % interval.

    Parameters
    ----------
    mixture : VarianceMixture
    vector : array, k

    Returns
    -------
    Spread

    Examples
    --------
    >>> import numpy as np
    >>> one = VarianceMixture(np.zeros((1, 1)), np.ones((1, 1, 1)), np.ones(1))
    >>> found = spread(one, np.array([1.0]))
    >>> found.high, found.sd
    (1.96, 1.0)
    """
    vector = np.asarray(vector, dtype=float)
    means = mixture.means @ vector
    sds = np.sqrt(np.einsum("i,gij,j->g", vector, mixture.covariances, vector))
    weights = mixture.weights
    value = float(weights @ means)
    tails = np.array([0.025, 1 - _ONE_SIGMA, _ONE_SIGMA, 0.975])
    # Halving, in steps that grow outwards, finds the neighbourhood even of a tail that is thin;
    # Newton's method the rest.
    usual = sds[np.argmax(weights)]
    reach = np.arcsinh((10 * sds.max() + np.abs(means - value).max()) / usual)
    low, high = np.full(4, -reach), np.full(4, reach)
    for _ in range(10):
        middle = (low + high) / 2
        at = value + usual * np.sinh(middle)
        under = ndtr((at[:, None] - means) / sds) @ weights < tails
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    at = value + usual * np.sinh((low + high) / 2)
    for _ in range(3):
        z = (at[:, None] - means) / sds
        density = np.exp(-(z**2) / 2) / sds @ weights / np.sqrt(2 * np.pi)
        at = at - (ndtr(z) @ weights - tails) / density
    wide, narrow = at[3] - at[0], at[2] - at[1]
    dof = float(np.interp(-wide / narrow, -_WIDTH_RATIOS, _DOFS))
    below = float(ndtr(-means / sds) @ weights)
    return Spread(
        value=value,
        low=float(at[0]),
        high=float(at[3]),
        p_value=min(1.0, 2 * min(below, 1 - below)),
        sd=float(wide / 2 / t_quantile(0.975, dof)),
        dof=dof if dof < _DOFS[-1] else np.inf,
    )
