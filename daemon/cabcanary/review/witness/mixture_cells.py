"""What the mixture looks like to the wideband and to the engine's own loop, in bands of air flow.

In closed loop the engine's own sensor holds lambda at 1, so that there the wideband's reading is its error, by nothing
corrected; and the trims are what the loop had to do for it. Each is the mean of a logarithm over one drive.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.witness.leak import idle_rows
from cabcanary.review.witness.orifice import R_AIR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.review.witness.drive_signals import DriveSignals

    Floats = NDArray[np.float64]

#: Bands by flow over the idle's; the first is the idle itself.
BANDS = ((0.0, 1.6), (1.6, 2.5), (2.5, 4.0), (4.0, 7.0), (7.0, 12.0))
#: Bands of pressure ratio in which the mixture is open loop and boosted.
BOOSTED = ((1.08, 1.25), (1.25, 1.60))
_LEAST_ROWS, _LEAST_BOOSTED_ROWS = 16, 4
#: A loop that swings further than this is none, share.
_FAR = 0.3


@dataclass(frozen=True, slots=True)
class MixtureCells:
    """One drive. By kind and band: "shown" log(lambda) and "trim" log(1 + trim) in closed loop, "air" log(air by speed
    and density over metered air), "boosted" log(lambda / commanded) by band of pressure ratio. `flows` over idle."""

    values: dict[tuple[str, int], float]
    flows: dict[int, float]


def mixture_cells(drive: DriveSignals) -> MixtureCells:
    """The cells of one drive; what was not seen for long enough is not there."""
    metered = drive.seen("mass_air")
    with np.errstate(all="ignore"):
        taken = drive.map_kpa * 1000.0 / (R_AIR * drive.charge_k) * drive.rpm / 120.0
        flow = drive.mass_air if metered else drive.map_kpa * drive.rpm
        shown, trim, air = np.log(drive.mixture), np.log1p(drive.trim), np.log(taken / drive.mass_air)
        ratio = drive.map_kpa / drive.air_kpa
        commanded = np.where(np.isfinite(drive.commanded), drive.commanded, 1.0)
        against = np.log(drive.mixture / commanded)
    closed = drive.warm & (drive.closed > 0.99) & (drive.masked < 0.5)
    values: dict[tuple[str, int], float] = {}
    flows: dict[int, float] = {}
    idle = idle_rows(drive) & closed
    at_idle = _mean(flow, idle, _LEAST_ROWS)
    if at_idle is not None:
        for n, (low, high) in enumerate(BANDS):
            rows = idle if n == 0 else closed & ~idle & (flow >= low * at_idle) & (flow < high * at_idle)
            _put(values, ("shown", n), shown, rows & (np.abs(shown) < _FAR), _LEAST_ROWS)
            _put(values, ("trim", n), trim, rows, _LEAST_ROWS)
            _put(values, ("air", n), air, rows, _LEAST_ROWS)
            band = _mean(flow, rows, _LEAST_ROWS)
            if band is not None:
                flows[n] = band / at_idle
    opened = (drive.running == 1.0) & (drive.closed < 0.01) & (drive.masked < 0.5)
    for n, (low, high) in enumerate(BOOSTED):
        _put(values, ("boosted", n), against, opened & (ratio >= low) & (ratio < high), _LEAST_BOOSTED_ROWS)
    return MixtureCells(values, flows)


def _put(
    values: dict[tuple[str, int], float], key: tuple[str, int], of: Floats, rows: NDArray[np.bool_], least: int
) -> None:
    found = _mean(of, rows, least)
    if found is not None:
        values[key] = found


def _mean(of: Floats, rows: NDArray[np.bool_], least: int) -> float | None:
    kept = of[rows & np.isfinite(of)]
    return float(kept.mean()) if len(kept) >= least else None
