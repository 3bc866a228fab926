"""Weighted linear least squares, and the two distributions by which its results are judged.

The estimates are those of the Guide to the Expression of Uncertainty in Measurement, annex H.3 (JCGM 100:2008), for
any design; they are solved by an orthogonal decomposition, since normal equations lose half of the digits.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array: TypeAlias = NDArray[np.float64]
else:
    Array = Any


class UnsolvableError(ValueError):
    """The points do not decide the parameters."""


class Solution(NamedTuple):
    """Parameters; `of_data` (parameters, points) is the matrix by which they follow from the data."""

    parameters: Array
    of_data: Array
    #: Sum of squares of the residuals, each over its stated uncertainty.
    chi_square: float
    degrees: int
    residuals: Array

    def covariance(self, uncertainties: Array) -> Array:
        """Of the parameters, for independent data with these standard uncertainties."""
        spread = self.of_data * uncertainties
        return spread @ spread.T

    @property
    def scale(self) -> float:
        """By how much the residuals are larger than the uncertainties say; nan without degrees of freedom."""
        return math.sqrt(self.chi_square / self.degrees) if self.degrees else math.nan


def solve(design: Array, data: Array, uncertainties: Array) -> Solution:
    """The parameters that make the squares of (data - design @ parameters) / uncertainties smallest.

    Raises:
        UnsolvableError: too few points, or two columns of the design are alike.
    """
    points, parameters = design.shape
    if points < parameters:
        raise UnsolvableError(f"{parameters} parameters take {parameters} points, and there are {points}")
    weighted = design / uncertainties[:, None]
    # Columns of the same length: a resistance's logarithm beside its cube would look dependent.
    lengths = np.linalg.norm(weighted, axis=0)
    if not np.all(lengths > 0):
        raise UnsolvableError("no point says anything of one of the parameters")
    q, r = np.linalg.qr(weighted / lengths)
    if np.min(np.abs(np.diag(r))) < _SMALLEST_PIVOT:
        raise UnsolvableError("the points lie too close together")
    inverse = np.linalg.solve(r, q.T) / lengths[:, None]
    of_data = inverse / uncertainties
    found = of_data @ data
    # One step of refinement: the residuals of a good solution are small, and so is what they lack.
    found += of_data @ (data - design @ found)
    residuals = data - design @ found
    chi_square = float(np.sum((residuals / uncertainties) ** 2))
    return Solution(found, of_data, chi_square, points - parameters, residuals)


#: Of the triangular factor of columns of length 1: below it, a change in the eleventh digit of the data decides.
_SMALLEST_PIVOT = 1e-11


def chance_above(chi_square: float, degrees: int) -> float:
    """How often chi-square with so many degrees of freedom is larger than this (closed forms: Abramowitz and Stegun,
    Handbook of Mathematical Functions, 26.4.4 and 26.4.5)."""
    half = chi_square / 2.0
    if half <= 0:
        return 1.0
    if degrees % 2 == 0:
        term = total = math.exp(-half)
        for k in range(1, degrees // 2):
            term *= half / k
            total += term
        return total
    total = math.erfc(math.sqrt(half))
    term = math.exp(-half) * math.sqrt(half) / math.gamma(1.5)
    for k in range(1, (degrees + 1) // 2):
        total += term
        term *= half / (k + 0.5)
    return total
