"""Air through a hole, choked or not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

R_AIR, GAMMA = 287.05, 1.4  # J/(kg K), dry air
#: Below this ratio the hole is choked: (2/(k+1))^(k/(k-1)).
CRITICAL = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))


def flux(before_pa: Floats, before_k: Floats, behind_pa: Floats) -> Floats:
    """Mass flow of air through each m² of an ideal hole, kg/(s m²), from pressure and temperature ahead of it and the
    pressure behind it; 0 where that is the higher one.

    Isentropic nozzle, choked at the critical ratio (Shapiro, Dynamics and Thermodynamics of Compressible Fluid Flow,
    ch. 4; Heywood, Internal Combustion Engine Fundamentals, 1st ed., app. C; from memory).
    """
    ratio = np.clip(behind_pa / before_pa, CRITICAL, 1.0)
    head = 2.0 * GAMMA / (GAMMA - 1.0) * (ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA))
    found: Floats = before_pa / np.sqrt(R_AIR * before_k) * np.sqrt(np.maximum(head, 0.0))
    return found
