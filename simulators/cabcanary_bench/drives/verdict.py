"""A verdict on one promise of a drive, and the limits that the bench van is held to."""

from __future__ import annotations

import itertools
from dataclasses import asdict, dataclass
from typing import Any

KPA_PER_PSI = 6.894757


#: The bench van's example limits: boost in psi, leanest lambda.
CEILING = ((2.0, 0.88), (5.0, 0.86), (8.0, 0.85))


OVER_BOOST_PSI = 8.0


#: A lean fault counts from when the sensor shows this much above the limit.
LEAN_BY = 0.05


#: Every fault must be heard within this, s, of its onset at the sensor's output.
LONGEST_DELAY_S = 0.5


#: The first pitch of each sound, Hz, as the pin must show it.
PITCH = {"warning": 1600.0, "cannot_see": 1500.0, "caution": 700.0, "advisory": 550.0}


@dataclass(frozen=True, slots=True)
class Verdict:
    """One promise of the scenario and whether it was kept."""

    name: str
    expects: str
    kept: bool
    onset_s: float | None
    heard_s: float | None
    text: str

    @property
    def delay_s(self) -> float | None:
        """From the onset at the sensor's output to the sound."""
        return None if self.onset_s is None or self.heard_s is None else self.heard_s - self.onset_s

    def as_json(self) -> dict[str, Any]:
        """The verdict for a program to read."""
        return {**asdict(self), "delay_s": self.delay_s}


@dataclass(frozen=True, slots=True)
class PinSound:
    """The pin began to sound at this time of the drive, with this pitch in Hz."""

    time_s: float
    pitch: float


def ceiling(boost_psi: float) -> float:
    """The leanest lambda allowed at a boost: straight lines between the points, held beyond them."""
    if boost_psi <= CEILING[0][0]:
        return CEILING[0][1]
    for (x0, y0), (x1, y1) in itertools.pairwise(CEILING):
        if boost_psi <= x1:
            return y0 + (y1 - y0) * (boost_psi - x0) / (x1 - x0)
    return CEILING[-1][1]
