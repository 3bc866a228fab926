"""Short drives of the bench van for tests: what the van does and what its sensors show, step by step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from cabcanary_bench.faults.circumstances import Circumstance, CircumstanceKind
from cabcanary_bench.faults.faults import Fault, FaultKind
from cabcanary_bench.sensors.outputs import Outputs, Sensors
from cabcanary_bench.sensors.traits import Traits
from cabcanary_bench.van.vehicle import DriverInput, Truth, Vehicle

STEP_S = 0.01
PSI_KPA = 6.894757
#: When the pull of `pull` begins, s.
PULL_S = 28.0


class Moment(NamedTuple):
    truth: Truth
    shown: Outputs


class Drive:
    """A van that is driven on and on; faults and circumstances at its own times."""

    def __init__(
        self,
        faults: Sequence[Fault] = (),
        circumstances: Sequence[Circumstance] = (),
        traits: Traits | None = None,
        **settings: float,
    ) -> None:
        self.vehicle = Vehicle(faults=faults, circumstances=circumstances, **settings)  # type: ignore[arg-type]
        self.sensors = Sensors(1, traits)

    def on(
        self,
        seconds: float,
        speed: float = 0.0,
        grade: float = 0.0,
        pedal: float | None = None,
        *,
        crank: bool = False,
        key: bool = True,
        ramp: float | None = None,
        altitude: float = 0.0,
    ) -> list[Moment]:
        """Go on for so long; with `ramp` the target grows by so many km/h a second up to `speed`."""
        moments = []
        for n in range(round(seconds / STEP_S)):
            target = speed if ramp is None else min(speed, n * STEP_S * ramp)
            truth = self.vehicle.step(STEP_S, DriverInput(key, crank, target, grade, pedal, altitude))
            moments.append(Moment(truth, self.sensors.step(truth, self.vehicle.effects)))
        return moments

    def started(self) -> Drive:
        """Key, starter, six seconds of idle: eight seconds in all."""
        self.on(2.0, crank=True)
        self.on(6.0)
        return self


def one(
    kind: FaultKind, severity: float = 1.0, start_s: float = 0.0, end_s: float = 1e6, onset_s: float = 0.0
) -> tuple[Fault]:
    """A fault alone."""
    return (Fault(kind, start_s, end_s, severity, onset_s),)


def around(
    kind: CircumstanceKind, amount: float = 1.0, start_s: float = 0.0, end_s: float = 1e6
) -> tuple[Circumstance]:
    """A circumstance alone."""
    return (Circumstance(kind, start_s, end_s, amount),)


def idle(
    seconds: float = 20.0, faults: Sequence[Fault] = (), circumstances: Sequence[Circumstance] = (), **settings: float
) -> list[Moment]:
    """Idle after a start; only the last half is given."""
    drive = Drive(faults, circumstances, **settings).started()
    moments = drive.on(seconds)
    return moments[len(moments) // 2 :]


def pull(
    faults: Sequence[Fault] = (), circumstances: Sequence[Circumstance] = (), seconds: float = 9.0, **settings: float
) -> list[Moment]:
    """Full throttle up a slope from 28 s on, after twenty seconds of getting up speed; all of the climb."""
    drive = Drive(faults, circumstances, **settings).started()
    drive.on(20.0, speed=60.0, ramp=4.0)
    return drive.on(seconds, speed=95.0, grade=11.0)


def cruise(
    seconds: float = 30.0,
    speed: float = 60.0,
    faults: Sequence[Fault] = (),
    circumstances: Sequence[Circumstance] = (),
    **settings: float,
) -> list[Moment]:
    """A steady speed on the flat, from 33 s on."""
    drive = Drive(faults, circumstances, **settings).started()
    drive.on(25.0, speed=speed, ramp=4.0)
    return drive.on(seconds, speed=speed)


def mean(values: Sequence[float]) -> float:
    """Their arithmetic mean."""
    return sum(values) / len(values)
