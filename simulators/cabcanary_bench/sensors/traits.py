"""What one fitted set of sensors is like: response, noise, age, grounds. The bench van's own set is the default."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import random


@dataclass(frozen=True, slots=True)
class Traits:
    """Every number common practice for its kind, none a data sheet's. Times in s, noise as standard deviation."""

    # --- wideband
    pipe_m3: float = math.pi / 4 * 0.0635**2 * 0.70  # 63.5 mm bore, 0.7 m from port to sensor
    response_s: float = 0.08  # to 63 %; several times that when old
    warm_up_s: float = 18.0
    lambda_ends: tuple[float, float] = (0.65, 1.50)  # what it can show
    lambda_noise: float = 0.002
    lambda_error: float = 0.0  # share of the distance from lambda 1 by which it shows too much: age
    back_pressure: float = 0.0  # of that distance, share per kPa of exhaust pressure
    # --- manifold pressure, its line and its supply
    map_line_lag_s: float = 0.0
    map_noise_kpa: float = 0.15
    map_error_kpa: float = 0.0
    supply_5v_share: float = 1.0
    # --- wiring
    heater_ground_v: float = 0.0  # by how much the heater's current lifts the sensors' ground
    crosstalk: float = 0.0  # of the step from the channel before, share that is left in the next reading
    supply_noise_v: float = 0.01
    charge_noise_v: float = 0.002


def drawn(rng: random.Random) -> Traits:
    """A set of sensors as one vehicle of many has it: all of them good enough to be called healthy."""
    return Traits(
        pipe_m3=math.pi / 4 * 0.0635**2 * rng.uniform(0.5, 1.0),
        response_s=rng.uniform(0.06, 0.11),
        warm_up_s=rng.uniform(12.0, 25.0),
        lambda_noise=rng.uniform(0.001, 0.003),
        lambda_error=rng.uniform(-0.03, 0.03),
        back_pressure=rng.uniform(0.0, 0.002),
        map_line_lag_s=rng.uniform(0.005, 0.03),
        map_noise_kpa=rng.uniform(0.1, 0.3),
        map_error_kpa=rng.uniform(-1.0, 1.0),
        supply_5v_share=rng.uniform(0.996, 1.004),
        heater_ground_v=rng.uniform(0.0, 0.010),
        crosstalk=rng.uniform(0.0, 0.0005),
        supply_noise_v=rng.uniform(0.005, 0.02),
        charge_noise_v=rng.uniform(0.001, 0.003),
    )
