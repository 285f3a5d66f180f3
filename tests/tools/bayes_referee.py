"""Bayes intervals of gains by brute force: what any estimator could know of a day at best.

The referee shares no code with tuninglib. Its motion is the closed form in which v² runs to its
limit exponentially with distance; its slopes are differences; its matrices are dense. What is not
known has the distribution that the population states: a flat prior on the logarithm of each
setup's force, normal unknowns in the covariance, and for scatter and winds a quadrature of some
thousand nodes over their log-normal priors. Student's t of the winds is the scale mixture that it
is: each node draws for each run by how much its wind is wilder than usual. At a node everything is
normal, so that the posterior of a gain is a mixture of normals, weighed by the restricted
likelihood of the node; intervals are its quantiles.

Approximations, all small beside the scatter: the unknowns act linearly around their likely values;
rounding is normal with the variance of a rectangle, run by run; wind enters the closed form by the
mean speed.
"""

import functools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri
from scipy.stats import chi2, qmc

GRAVITY_M_S2 = 9.80665
# Nodes of the quadrature, a power of 2; where the day leaves less than this share of them, it takes
# so many times as many.
NODES, FEW, MORE = 2048, 0.05, 16
# Times that the slopes are taken, the last at the likely unknowns.
_ROUNDS = 3


@dataclass(frozen=True)
class Outing:
    """What the rider wrote down, one element a run in the order ridden; speeds shown, in m/s.

    Attributes
    ----------
    setup, rider : array of int
    entry, exit_, down_entry, down_exit : array
        NaN where it was not ridden down.
    entry_is_said : bool
        Whether the entry speed was said once for all runs.
    step : float
        Of the speedometer.
    """

    setup: np.ndarray
    rider: np.ndarray
    entry: np.ndarray
    exit_: np.ndarray
    down_entry: np.ndarray
    down_exit: np.ndarray
    entry_is_said: bool
    step: float


class Found(NamedTuple):
    """Quantiles of one posterior, and the effective number of nodes that it rests on."""

    low: float
    value: float
    high: float
    nodes: float


class Linear(NamedTuple):
    """Rows of data (the ways up, then the ways down), and what acts on them.

    Attributes
    ----------
    data : array, rows
    design : array, rows by setups
    shared : array, rows by unknowns
    swing : array, rows
        What 1 m/s from the first run to the last does; its variance is another by the day.
    known : array, rows by rows
        Covariance of what a run has of its own with a known variance.
    scatter : array, rows
        1 for the ways up.
    winds, changes : array, runs by rows
        What 1 m/s of a run's own wind does, and of its change before the way down.
    """

    data: np.ndarray
    design: np.ndarray
    shared: np.ndarray
    swing: np.ndarray
    known: np.ndarray
    scatter: np.ndarray
    winds: np.ndarray
    changes: np.ndarray


class _Road:
    """The day as a function of its unknowns, in standard deviations; many at once."""

    def __init__(self, outing, population):
        self.outing, self.population = outing, population
        riders = int(outing.rider.max()) + 1
        self.names = [
            "bike", "rotating", "drag", "rolling", "grade", "length", "factor", "wind", "density",
            "drift", "entry", "swing", *(f"{kind} {r}" for kind in ("mass", "effect", "shape")
                                for r in range(riders)),
        ]  # fmt: skip
        self.riders = riders
        self.down = np.flatnonzero(np.isfinite(outing.down_exit))
        n = outing.setup.size
        self.place = np.arange(n) / max(n - 1, 1) - 0.5

    def state(self, unknowns):
        """Physical values of every run, by the unknowns (many by unknowns)."""
        p, at = self.population, dict(zip(self.names, np.moveaxis(unknowns, -1, 0), strict=True))

        def normal(name, stated):
            return (stated[0] + stated[1] * at[name])[:, None]

        def own(kind):
            per_rider = np.stack([at[f"{kind} {r}"] for r in range(self.riders)], axis=-1)
            return per_rider[:, self.outing.rider]

        stated = np.array(p.riders_kg)[self.outing.rider]
        mass = normal("bike", p.bike_kg) + stated[:, 0] + stated[:, 1] * own("mass")
        grade = np.arctan(normal("grade", p.grade))
        climb, roll = GRAVITY_M_S2 * np.sin(grade), GRAVITY_M_S2 * np.cos(grade)
        drag = normal("drag", p.drag_area_m2) * (1 + p.rider_drag * own("shape"))
        said = p.said_entry_m_s[1] / np.sqrt(2) if self.outing.entry_is_said else 0.0
        return {
            "mass": mass,
            "inertia": mass + normal("rotating", p.rotating_kg),
            "climb": mass * climb,
            "roll": mass * roll * normal("rolling", p.rolling),
            "k": normal("density", p.density_kg_m3) * drag / 2,
            "length": normal("length", p.length_m),
            "factor": normal("factor", p.speed_factor),
            "wind": normal("wind", p.wind_m_s) + at["swing"][:, None] * self.place,
            "extra": p.rider_effect * own("effect") + p.drift * at["drift"][:, None] * self.place,
            "entry_off": (said * at["entry"])[:, None],
        }

    def up(self, s, entry, exit_, wind=0.0):
        """Log of the setup's force that the speeds speak of."""
        entry = s["factor"] * (entry + s["entry_off"])
        force = pull_n(s, entry, s["factor"] * exit_, s["climb"], s["wind"] + wind)
        return np.log(np.maximum(force, 1.0)) - s["extra"]

    def back(self, s, entry, exit_, wind=0.0):
        """Force that the way down seems to need. [N]"""
        f = s["factor"]
        return pull_n(s, f * entry, f * exit_, -s["climb"], -(s["wind"] + wind))

    def linear(self, unknowns, log_force):
        """Rows around the unknowns, with slopes of a ride at the setups' forces."""
        o, p = self.outing, self.population
        n, down, m = o.setup.size, self.down, len(self.names)
        here = self.state(unknowns[None])
        data = self.up(here, o.entry, o.exit_)[0]
        if log_force is None:
            log_force = np.bincount(o.setup, data) / np.bincount(o.setup)
        rides = (here["factor"] * (o.entry + here["entry_off"]), here["factor"] * o.exit_)
        force = np.exp(log_force[o.setup] + here["extra"])
        exit_ = end(here, force, *rides, here["climb"], here["wind"])[0] / here["factor"][0]
        steps = 0.05 * np.concatenate([np.eye(m), -np.eye(m)])
        around = self.state(unknowns + steps)
        rows = self.up(around, o.entry, exit_)
        shared = ((rows[:m] - rows[m:]) / 0.1).T

        def slope(function, *at, by):
            h = np.zeros(len(at) + 1)
            h[by] = 1e-3
            sides = [function(here, *(a + s for a, s in zip((*at, 0.0), side, strict=True)))[0]
                     for side in (h, -h)]  # fmt: skip
            return (sides[0] - sides[1]) / 2e-3

        reading = o.step / np.sqrt(12)
        entry_sd = p.said_entry_m_s[1] / np.sqrt(2) if o.entry_is_said else reading
        own = (entry_sd * slope(self.up, o.entry, exit_, by=0)) ** 2
        own += (reading * slope(self.up, o.entry, exit_, by=1)) ** 2
        by_wind = slope(self.up, o.entry, exit_, by=2)
        gust = p.gust_m_s * _mean_of_gusts(p.length_m[0] / p.gust_length_m)
        own += (gust * by_wind) ** 2
        size = n + down.size
        winds, changes = np.zeros((n, size)), np.zeros((n, size))
        winds[np.arange(n), np.arange(n)] = by_wind
        if down.size:
            # The way down has no force to take a logarithm of: it is counted in mean forces.
            unit = np.exp(data.mean())
            entry, read = o.down_entry, o.down_exit
            data = np.append(data, self.back(here, entry, read)[0, down] / unit)
            rides = here["factor"] * entry, here["factor"] * read
            reached = end(here, 0.0, *rides, -here["climb"], -here["wind"])[0] / here["factor"][0]
            reached = np.where(np.isfinite(read), reached, np.nan)
            rows = self.back(around, entry, reached)[:, down] / unit
            shared = np.concatenate([shared, ((rows[:m] - rows[m:]) / 0.1).T])
            slopes = [slope(self.back, entry, reached, by=by)[down] / unit for by in range(3)]
            squares = (reading * slopes[0]) ** 2 + (reading * slopes[1]) ** 2
            own = np.append(own, squares + (gust * slopes[2]) ** 2)
            winds[down, n + np.arange(down.size)] = slopes[2]
            changes[down, n + np.arange(down.size)] = slopes[2]
        design = np.zeros((size, int(o.setup.max()) + 1))
        design[np.arange(n), o.setup] = 1.0
        data = data - shared @ unknowns
        swing = self.names.index("swing")
        apart, shared = shared[:, swing], np.delete(shared, swing, axis=1)
        scatter = np.where(np.arange(size) < n, 1.0, 0.0)
        return Linear(data, design, shared, apart, np.diag(own), scatter, winds, changes)


def pull_n(s, entry, exit_, climb, wind):
    """Constant force that takes the bike from one true speed to the other. [N]

    v² approaches its limit by the factor e^(−x), x = 2 k L / m, on the way.
    """
    decay = np.exp(-2 * s["k"] * s["length"] / s["inertia"])
    steady = climb + s["roll"] + s["k"] * _of_wind(entry, exit_, decay, wind)
    return steady + s["k"] * (exit_**2 - entry**2 * decay) / (1 - decay)


def end(s, force, entry, exit_, climb, wind):
    """True speed at the end under a constant force; ``exit_`` is where about. [m/s]"""
    decay = np.exp(-2 * s["k"] * s["length"] / s["inertia"])
    steady = climb + s["roll"] + s["k"] * _of_wind(entry, exit_, decay, wind)
    squared = entry**2 * decay + (force - steady) / s["k"] * (1 - decay)
    return np.where(squared > 4.0, np.sqrt(np.maximum(squared, 4.0)), exit_)


def _of_wind(entry, exit_, decay, wind):
    """What wind adds to the mean of v², by Simpson's rule; what comes late counts for more."""
    root = np.sqrt(decay)
    middle = np.sqrt((exit_**2 + entry**2 * root) / (1 + root))
    mean = (decay * entry + 4 * root * middle + exit_) / (decay + 4 * root + 1)
    return 2 * wind * mean + wind**2


def _mean_of_gusts(lengths):
    """Standard deviation of the mean of exponentially correlated gusts over so many lengths."""
    return np.sqrt(2 * (lengths - 1 + np.exp(-lengths))) / lengths


class Nodes(NamedTuple):
    """Quadrature over scatter and winds; the last two by run."""

    scatter: np.ndarray
    wind: np.ndarray
    change: np.ndarray
    swing: np.ndarray
    wilder: np.ndarray
    change_wilder: np.ndarray


@functools.lru_cache(maxsize=64)
def nodes_of(population, runs, ways_down, count=NODES) -> Nodes:
    """Equally likely draws of what the population says of scatter and winds."""
    dims = 4 + runs * (2 if ways_down else 1)
    u = qmc.Sobol(dims, rng=np.random.default_rng(20261129)).random(count)
    u = np.clip(u, 1e-6, 1 - 1e-6)
    scatter, wind = (
        median * np.exp(sd * ndtri(u[:, column]))
        for column, (median, sd) in enumerate((population.scatter, population.run_wind_m_s))
    )
    change = wind * population.change_ratio[0] * np.exp(population.change_ratio[1] * ndtri(u[:, 2]))
    dof = population.wind_dof
    *sizes, often = population.wind_over_m_s
    swing = np.where(u[:, 3] < often, *sizes[::-1])
    wilder = dof / chi2.ppf(u[:, 4:], dof) if np.isfinite(dof) else np.ones_like(u[:, 4:])
    return Nodes(
        scatter, wind, change, swing, wilder[:, :runs], wilder[:, runs:] if ways_down else None
    )


def covariances(rows: Linear, nodes: Nodes):
    """Covariance of the rows at each node."""
    found = np.repeat((rows.known + rows.shared @ rows.shared.T)[None], nodes.scatter.size, axis=0)
    index = np.arange(rows.scatter.size)
    found[:, index, index] += nodes.scatter[:, None] ** 2 * rows.scatter
    found += nodes.swing[:, None, None] ** 2 * np.outer(rows.swing, rows.swing)
    variance = nodes.wind[:, None] ** 2 * nodes.wilder
    found += np.einsum("kr,ri,rj->kij", variance, rows.winds, rows.winds, optimize=True)
    if nodes.change_wilder is not None:
        variance = nodes.change[:, None] ** 2 * nodes.change_wilder
        found += np.einsum("kr,ri,rj->kij", variance, rows.changes, rows.changes, optimize=True)
    return found


class Posterior(NamedTuple):
    """Of the setups' log forces: a mixture of normals."""

    weights: np.ndarray
    means: np.ndarray
    covariances: np.ndarray

    def interval(self, vector, level=0.95) -> Found:
        """Quantiles of a weighted sum of the log forces."""
        means = self.means @ vector
        sds = np.sqrt(np.einsum("i,kij,j->k", vector, self.covariances, vector))
        tails = ((1 - level) / 2, 0.5, (1 + level) / 2)
        low, value, high = (mixture_quantile(q, self.weights, means, sds) for q in tails)
        return Found(low, value, high, 1 / np.sum(self.weights**2))


def mixture_quantile(chance, weights, means, sds):
    """Quantile of a mixture of normals."""
    kept = weights > 1e-7 * weights.max()
    weights, means, sds = weights[kept] / weights[kept].sum(), means[kept], sds[kept]
    low, high = np.min(means - 9 * sds), np.max(means + 9 * sds)
    return brentq(lambda at: weights @ ndtr((at - means) / sds) - chance, low, high, xtol=1e-6)


def posterior_of(data, design, covariance) -> Posterior:
    """Posterior with a flat prior on the coefficients; one covariance a node, equally likely."""
    both = np.column_stack([design, data])
    root = np.linalg.cholesky(covariance)
    turned = np.linalg.solve(root, np.broadcast_to(both, (len(root), *both.shape)))
    x, y = turned[..., :-1], turned[..., -1]
    precision = np.einsum("kij,kil->kjl", x, x)
    inverse = np.linalg.inv(precision)
    means = np.einsum("kjl,kil,ki->kj", inverse, x, y, optimize=True)
    rest = np.sum((y - np.einsum("kij,kj->ki", x, means)) ** 2, axis=1)
    log = -np.log(np.diagonal(root, axis1=1, axis2=2)).sum(1) - rest / 2
    log -= np.linalg.slogdet(precision)[1] / 2
    weights = np.exp(log - log.max())
    return Posterior(weights / weights.sum(), means, inverse)


def posterior(outing: Outing, population, count=NODES) -> Posterior:
    """Posterior of the logarithms of the setups' forces on one day.

    Parameters
    ----------
    outing : Outing
    population : object
        With the fields of ``tests.tools.thin_days.Population`` that are told to everybody.
    count : int
        Nodes of the quadrature, a power of 2.
    """
    road = _Road(outing, population)
    runs, ways = outing.setup.size, road.down.size > 0
    middle = Nodes(
        *(np.array([one]) for one in (population.scatter[0], population.run_wind_m_s[0],
                                      population.run_wind_m_s[0] * population.change_ratio[0],
                                      population.wind_over_m_s[0])),
        np.full((1, runs), 1.4), np.full((1, runs), 1.4) if ways else None,
    )  # fmt: skip
    unknowns, log_force = np.zeros(len(road.names)), None
    for _ in range(_ROUNDS - 1):
        rows = road.linear(unknowns, log_force)
        covariance = covariances(rows, middle)
        log_force = posterior_of(rows.data, rows.design, covariance).means[0]
        rest = rows.data - rows.design @ log_force
        # Where an unknown moves up, the force read from the same speeds moves by its slope.
        solved = np.linalg.solve(covariance[0], rest)
        swing = -(middle.swing[0] ** 2) * rows.swing @ solved
        at = road.names.index("swing")
        unknowns = np.insert(np.clip(-rows.shared.T @ solved, -3, 3), at, swing)
    rows = road.linear(unknowns, log_force)
    nodes = nodes_of(population, runs, ways, count)
    found = posterior_of(rows.data, rows.design, covariances(rows, nodes))
    if 1 / np.sum(found.weights**2) < FEW * count:
        nodes = nodes_of(population, runs, ways, MORE * count)
        found = posterior_of(rows.data, rows.design, covariances(rows, nodes))
    return found
