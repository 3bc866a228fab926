"""One number a drive from cells that not every drive has: drives and cells each have their own level.

y(drive, cell) = level of the cell + level of the drive, by Huber's M-estimator (Huber 1964; iteratively reweighted
least squares), so that a single odd cell does not carry a drive.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Huber's constant: 95 % as efficient as least squares where the scatter is normal.
_K = 1.345
_ROUNDS = 30
#: From a median absolute deviation to a standard deviation of the normal distribution.
_MAD = 1.4826


def levels(drives: Sequence[Mapping[int, float]]) -> list[float | None]:
    """The level of each drive beside the others; None for one that shares no cell with another.

    Only their differences mean something. Cells that a single drive has say nothing of it.
    """
    shared = [c for c in sorted({c for d in drives for c in d}) if sum(c in d for d in drives) > 1]
    rows = [(n, shared.index(c), d[c]) for n, d in enumerate(drives) for c in d if c in shared]
    if not rows:
        return [None] * len(drives)
    with_cells = sorted({n for n, _, _ in rows})
    place = {n: k for k, n in enumerate(with_cells)}
    design = np.zeros((len(rows), len(with_cells) + len(shared)))
    values = np.array([y for _, _, y in rows])
    for row, (n, c, _) in enumerate(rows):
        design[row, place[n]] = design[row, len(with_cells) + c] = 1.0
    fitted = huber(design, values)[: len(with_cells)]
    fitted = fitted - fitted.mean()
    return [float(fitted[place[n]]) if n in place else None for n in range(len(drives))]


def huber(design: Floats, values: Floats) -> Floats:
    """Coefficients of a linear law by Huber's M-estimator; of those that the data leave open the shortest."""
    weights = np.ones(len(values))
    found: Floats = np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        root = np.sqrt(weights)
        new: Floats = np.asarray(
            np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0], dtype=np.float64
        )
        left = np.abs(values - design @ new)
        scale = _MAD * float(np.median(left))
        if scale <= 1e-12 or np.allclose(new, found, rtol=1e-9, atol=1e-12):
            return new
        found, weights = new, np.minimum(1.0, _K * scale / np.maximum(left, 1e-15))
    return found
