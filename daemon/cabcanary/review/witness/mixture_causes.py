"""What shifts a mixture by which shape over air flow, and how well each explains what was seen.

Each cause is a normal distribution over all that is seen: shape times an unknown size, plus the drives' scatter and
what shifts from tank to tank and day to day. Comparing them is a matter of densities (Bayes factors; Kass and Raftery
1995). A size that can have one sign alone has half a normal distribution.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Key = tuple[str, int]
    #: What a unit of the cause does to a cell at this flow over idle.
    Shape = Callable[[str, float], float]

NOTHING = "nothing"
WIDEBAND, AIR, EXHAUST, FUEL, METER, BOOSTED = (
    "wideband", "air let in", "exhaust leak", "fuel", "air meter", "under boost only",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cause:
    """`size` is the standard deviation that a real one has; `positive`: it has one sign alone."""

    name: str
    shape: Shape
    size: float
    positive: bool = False
    #: It takes this kind of cell to be asked about.
    needs: str = ""


def _wideband(kind: str, _flow: float) -> float:
    return 1.0 if kind in ("shown", "boosted") else 0.0


def _fades(power: float, *kinds: str) -> Shape:
    return lambda kind, flow: math.pow(flow, -power) if kind in kinds else 0.0


def _fuel(kind: str, _flow: float) -> float:
    # Under boost what the loop has learnt makes up for some of it.
    return {"trim": 1.0, "boosted": 0.4}.get(kind, 0.0)


def _fuel_at_load(kind: str, flow: float) -> float:
    return {"trim": math.pow(flow / 12.0, 1.2), "boosted": 1.0}.get(kind, 0.0)


def _meter(kind: str, _flow: float) -> float:
    return {"trim": 1.0, "air": 1.0, "boosted": 0.4}.get(kind, 0.0)


def _boosted(kind: str, _flow: float) -> float:
    return 1.0 if kind == "boosted" else 0.0


CAUSES = (
    Cause(WIDEBAND, _wideband, 0.06),
    Cause(AIR, _fades(1.0, "trim", "air"), 0.2, positive=True, needs="air"),
    # Drawn in by the troughs between pulses, which go as flow grows; seen by the engine's own sensor as well, or not.
    Cause(EXHAUST, _fades(2.5, "trim"), 0.15, positive=True),
    Cause(EXHAUST, _fades(5.0, "trim"), 0.15, positive=True),
    Cause(EXHAUST, _fades(3.5, "shown"), 0.15, positive=True),
    Cause(FUEL, _fuel, 0.15),
    Cause(FUEL, _fuel_at_load, 0.15, positive=True),
    Cause(METER, _meter, 0.10, needs="air"),
    Cause(BOOSTED, _boosted, 0.06),
)
#: Standard deviations of what shifts in common from one set of drives to another, of itself: the fuel of another tank
#: (E5 to E10 is 1.8 %), the loop's target and the gauge, temperature behind air by speed and density, the open loop.
_COMMON = {"trim": 0.012, "shown": 0.0025, "air": 0.012, "boosted": 0.012}
#: And by itself in each cell.
_OWN = {"trim": 0.006, "shown": 0.002, "air": 0.010, "boosted": 0.010}
#: By how much a shape is only one: share of the cause's size, in each cell by itself.
_ROUGH = 0.10
#: What the loop has learnt under boost is between nothing and all.
_LEARNT = 0.35
_PRIOR_NOTHING = 0.6


def weigh(seen: Mapping[Key, float], errors: Mapping[Key, float], flows: Mapping[int, float]) -> dict[str, float]:
    """The probability of each cause, of what is seen in each cell beyond the drives before and its standard error."""
    keys = sorted(seen)
    z = np.array([seen[k] for k in keys])
    base = np.diag([errors[k] ** 2 + _OWN[k[0]] ** 2 for k in keys])
    for kind, common in _COMMON.items():
        mask = np.array([float(k[0] == kind) for k in keys])
        base = base + common**2 * np.outer(mask, mask)
    kinds = {k[0] for k in keys}
    asked = [c for c in CAUSES if not c.needs or c.needs in kinds]
    logs = {(NOTHING, 0): _log_density(z, base) + math.log(_PRIOR_NOTHING)}
    names = {c.name for c in asked}
    for n, cause in enumerate(asked):
        of = np.array([cause.shape(k[0], flows.get(k[1], 1.0) if k[0] != "boosted" else 1.0) for k in keys])
        share = (1 - _PRIOR_NOTHING) / len(names) / sum(c.name == cause.name for c in asked)
        logs[cause.name, n] = _of_cause(z, base, cause, of, keys) + math.log(share)
    most = max(logs.values())
    weights: dict[str, float] = {}
    for (name, _), log in logs.items():
        weights[name] = weights.get(name, 0.0) + math.exp(log - most)
    total = sum(weights.values())
    return {name: w / total for name, w in weights.items()}


def _of_cause(z: Floats, base: Floats, cause: Cause, shape: Floats, keys: list[Key]) -> float:
    if not shape.any():
        return -math.inf
    rough = base + np.diag((_ROUGH * cause.size * shape) ** 2)
    if cause.name in (FUEL, METER):
        mask = np.array([float(k[0] == "boosted") for k in keys])
        rough = rough + (_LEARNT * cause.size) ** 2 * np.outer(mask, mask)
    found = _log_density(z, rough + cause.size**2 * np.outer(shape, shape))
    if cause.positive:
        solved = np.linalg.solve(rough, shape)
        precision = float(shape @ solved) + cause.size**-2
        # Twice the share of its sizes that are positive, once it is seen.
        found += math.log(max(math.erfc(-float(z @ solved) / math.sqrt(2 * precision)), 1e-300))
    return found


def _log_density(z: Floats, covariance: Floats) -> float:
    lower = np.linalg.cholesky(covariance)
    white = np.linalg.solve(lower, z)
    return float(-0.5 * white @ white - np.log(np.diag(lower)).sum())
