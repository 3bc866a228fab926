"""Checks between channels: two that should agree, and what to make of it when they do not."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from cabcanary.validation.base import Name, Strict
from cabcanary.validation.quantities import Seconds


class AgreeCheck(Strict):
    """Two channels of one kind agree within `within` (in the first one's unit), or the first is not believed.

    `below` limits the check to where the second can tell: the engine's own pressure sensor ends near 115 kPa on an
    engine that was built without boost, so it says nothing above.
    """

    kind: Literal["agree"]
    channel: Name
    witness: Name
    within: float = Field(gt=0)
    below: float | None = None
    for_longer_than: Seconds = 2.0


class KeyOnCheck(Strict):
    """With the key on and the engine standing, manifold pressure is the air's: the barometer's, where there is one,
    and between 55 and 108 kPa in any case (the highest roads; the heaviest weather)."""

    kind: Literal["key_on"]
    channel: Name
    engine_speed: Name
    barometer: Name | None = None
    #: In kPa.
    within_kpa: float = Field(default=3.0, gt=0)
    for_longer_than: Seconds = 1.0


class OverrunCheck(Strict):
    """In a fuel cut a living wideband sees air: it must get past `at_least` within `for_longer_than`."""

    kind: Literal["overrun"]
    channel: Name
    pressure: Name
    throttle: Name
    engine_speed: Name
    below_idle_kpa: float = Field(gt=5, lt=80)
    shut_percent: float = Field(default=3.0, ge=0, le=30)
    #: Engines take fuel again below this.
    above_rpm: float = Field(default=1800.0, gt=0)
    at_least: float = Field(default=1.2, gt=1)
    for_longer_than: Seconds = 2.5


class FollowsLoadCheck(Strict):
    """A rich mixture that does not move while the load goes from light to boost, or back, is no mixture.

    It is judged by the manifold alone, so that a vehicle with the fewest sensors has it: below `light_kpa` an engine
    idles, cruises or overruns, above `loaded_kpa` there is boost at any road's air pressure. `for_longer_than` is how
    long each must last: longer than the gas and the sensor take.
    """

    kind: Literal["follows_load"]
    channel: Name
    pressure: Name
    light_kpa: float = Field(default=55.0, gt=20, lt=80)
    loaded_kpa: float = Field(default=110.0, gt=100, lt=200)
    #: How far the mixture may wander, smoothed, and count as standing still, lambda.
    within: float = Field(default=0.02, gt=0, lt=0.1)
    for_longer_than: Seconds = 1.2


Check = Annotated[AgreeCheck | KeyOnCheck | OverrunCheck | FollowsLoadCheck, Field(discriminator="kind")]
