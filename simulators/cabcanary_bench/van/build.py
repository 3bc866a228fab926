"""How a vehicle may differ from the bench van: compressor, metering, alternator, what its throttle shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from cabcanary.spelling import spelt

CompressorKind = Literal["displacement", "centrifugal", "turbo", "none"]
Metering = Literal["speed_density", "mass_air"]
Alternator = Literal["by_drive", "fixed", "smart"]

COMPRESSORS: tuple[CompressorKind, ...] = ("displacement", "centrifugal", "turbo", "none")


@dataclass(frozen=True, slots=True)
class Build:
    """One vehicle; the default is the bench van.

    `alternator` by_drive leaves it to the drive's circumstances. `throttle_rest_percent` and `throttle_wide_percent`
    are what PID 11 (SAE J1979, from memory: an absolute position) gives with the pedal up and wide open; on many
    vehicles 10 to 20 and 75 to 90 (common practice).
    """

    compressor: CompressorKind = "displacement"
    metering: Metering = "speed_density"
    alternator: Alternator = "by_drive"
    throttle_rest_percent: float = 0.0
    throttle_wide_percent: float = 100.0

    def __post_init__(self) -> None:
        if not 0 <= self.throttle_rest_percent < self.throttle_wide_percent <= 100:
            raise ValueError(
                f"a throttle from {spelt(self.throttle_rest_percent)} to {spelt(self.throttle_wide_percent)} % is none"
            )

    def throttle_shown(self, percent: float) -> float:
        """What PID 11 gives for a throttle that is open by so many percent of its travel."""
        rest, wide = self.throttle_rest_percent, self.throttle_wide_percent
        return percent if (rest, wide) == (0.0, 100.0) else rest + percent * (wide - rest) / 100


BENCH_VAN = Build()
