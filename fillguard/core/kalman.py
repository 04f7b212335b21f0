"""A Kalman filter over a handful of unknowns, one scalar measurement at a time."""

from math import sqrt
from operator import mul
from typing import NamedTuple

Row = tuple[float, ...]
Matrix = tuple[Row, ...]

_GATE = 3.0
"""A residual counts at most as this many standard deviations: one wild reading must not carry the unknowns away."""


class Unknowns(NamedTuple):
    """Best estimate and covariance."""

    mean: Row
    covariance: Matrix


def dot(a: Row, b: Row) -> float:
    """Inner product."""
    return float(sum(map(mul, a, b)))


def variance(covariance: Matrix, gradient: Row) -> float:
    """Variance of an output that depends on the unknowns with this gradient."""
    return sum(g * dot(row, gradient) for g, row in zip(gradient, covariance, strict=True))


def measured(unknowns: Unknowns, gradient: Row, residual: float, noise_variance: float) -> Unknowns:
    """The unknowns after a measurement came out `residual` above what they predicted."""
    lean = tuple(dot(row, gradient) for row in unknowns.covariance)
    total = dot(gradient, lean) + noise_variance
    limit = _GATE * sqrt(total)
    step = min(max(residual, -limit), limit) / total
    scaled = tuple(x / total for x in lean)
    return Unknowns(
        tuple(m + step * x for m, x in zip(unknowns.mean, lean, strict=True)),
        tuple(
            tuple(c - s * x for c, x in zip(row, lean, strict=True))
            for row, s in zip(unknowns.covariance, scaled, strict=True)
        ),
    )


def loosened(covariance: Matrix, added: Row) -> Matrix:
    """Process noise on the diagonal: without it the filter ends up certain of what it only assumes."""
    return tuple((*row[:j], row[j] + added[j], *row[j + 1 :]) for j, row in enumerate(covariance))
