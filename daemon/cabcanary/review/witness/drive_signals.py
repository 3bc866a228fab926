"""What an estimate needs of one drive, in half-second means: so an hour is 7,200 rows, and noise is a tenth."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.model import Quality
from cabcanary.settings.derived import AirflowChannel, AsBurntChannel
from cabcanary.settings.sensors import MeasuredChannel

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.review.figures.columns import Columns
    from cabcanary.settings.schema import Settings

    Floats = NDArray[np.float64]

#: One row, s.
ROW_S = 0.5
_KELVIN = 273.15
#: By what a channel is found: the item of the vehicle's bus, or its own name.
_ITEMS = {
    "throttle": ("throttle",),
    "coolant_c": ("coolant_temperature", "coolant"),
    "air_k": ("ambient_temperature", "intake_temperature", "charge_temperature"),
    "charge_k": ("charge_temperature", "intake_temperature"),
    "mass_air": ("maf", "mass_air"),
    "fuel_system": ("fuel_system_1", "fuel_system"),
    "short_trim": ("short_trim_1", "short_trim"),
    "long_trim": ("long_trim_1", "long_trim"),
    "commanded": ("commanded_lambda",),
    "fuel_rate": ("fuel_rate",),
}
#: Bits of PID 03: closed loop (2), closed loop with a fault of a sensor behind it (16) (SAE J1979).
_CLOSED = (2.0, 16.0)


@dataclass(frozen=True, slots=True)
class DriveSignals:
    """One drive by rows of half a second; NaN: not seen. Pressures in kPa absolute, speeds in rpm, temperatures in K
    (coolant in °C), flow in g/s, throttle in %, trims as shares; `closed` is 1 in closed loop."""

    drive: str
    seconds: Floats
    map_kpa: Floats
    air_kpa: Floats
    rpm: Floats
    throttle: Floats
    mixture: Floats
    charge_k: Floats
    air_k: Floats
    coolant_c: Floats
    mass_air: Floats
    trim: Floats
    closed: Floats
    commanded: Floats
    running: Floats
    #: 1 in gas of a fuel cut and whatever else the rules mask.
    masked: Floats
    displacement_m3: float | None = None
    #: By what the air at the compressor's inlet is known: "measured", "behind it" or "".
    air_known: str = ""
    start: str = ""
    #: What the engine believes to burn, L/h; None where no channel reads it.
    fuel_rate: Floats | None = None

    def seen(self, *names: str) -> bool:
        """Whether all of these were ever seen."""
        found = (getattr(self, name) for name in names)
        return all(values is not None and bool(np.isfinite(values).any()) for values in found)

    @property
    def warm(self) -> NDArray[np.bool_]:
        """Where the engine runs and is not known to be cold."""
        found: NDArray[np.bool_] = (self.running == 1.0) & ~(self.coolant_c < _WARM_C) & (self.seconds > _STARTED_S)
        return found


#: From here on idle is no more raised for the cold, °C; and a cold sensor has come up, s after the start.
_WARM_C, _STARTED_S = 70.0, 60.0


def signals_of(columns: Columns, start: str = "") -> DriveSignals:
    """One recorded drive."""
    settings, roles = columns.drive.plan.settings, columns.roles
    names = {part: _named(settings, wanted) for part, wanted in _ITEMS.items()}
    speed = _named(settings, ("rpm", "engine_speed"))

    def good(name: str | None, symbol: str = "") -> Floats:
        return columns.good(name, symbol, Quality.WITHIN)

    trims = [good(names[n], "%") for n in ("short_trim", "long_trim")]
    system = good(names["fuel_system"])
    closed = np.where(np.isfinite(system), np.isin(system, _CLOSED).astype(np.float64), np.nan)
    known = "measured" if _named(settings, ("ambient_temperature", "intake_temperature")) else "behind it"
    every = DriveSignals(
        columns.name,
        columns.seconds,
        good(roles.pressure, "kPa"),
        good(roles.air, "kPa"),
        good(speed, "rpm"),
        good(names["throttle"], "%"),
        columns.good(roles.mixture),
        good(names["charge_k"], "°C") + _KELVIN,
        good(names["air_k"], "°C") + _KELVIN,
        good(names["coolant_c"], "°C"),
        good(names["mass_air"], "g/s"),
        (trims[0] + trims[1]) / 100.0,
        closed,
        columns.good(names["commanded"]),
        columns.running().astype(np.float64),
        columns.masked().astype(np.float64),
        displacement_of(settings),
        known if names["air_k"] else "",
        start,
        good(names["fuel_rate"], "L/h") if names["fuel_rate"] else None,
    )
    return by_rows(every)


def by_rows(signals: DriveSignals) -> DriveSignals:
    """Means over half seconds; a row of which a quarter was not seen is not seen."""
    seconds = signals.seconds
    if not len(seconds):
        return signals
    row = ((seconds - seconds[0]) / ROW_S).astype(np.int64)
    counts = np.bincount(row)
    kept = counts > 0
    found: dict[str, Any] = {}
    for part in dataclasses.fields(signals):
        values = getattr(signals, part.name)
        if not isinstance(values, np.ndarray):
            continue
        seen = np.isfinite(values)
        number = np.bincount(row[seen], minlength=len(counts))
        total = np.bincount(row[seen], values[seen], minlength=len(counts))
        with np.errstate(all="ignore"):
            found[part.name] = np.where(number >= 0.75 * counts, total / number, np.nan)[kept]
    return dataclasses.replace(signals, **found)


def displacement_of(settings: Settings) -> float | None:
    """The engine's displacement in m³, where a channel of the settings needed it."""
    for spec in settings.channels.values():
        if isinstance(spec, AirflowChannel):
            return spec.displacement
        if isinstance(spec, AsBurntChannel) and spec.pipe is not None:
            return spec.pipe.displacement
    return None


def _named(settings: Settings, wanted: tuple[str, ...]) -> str | None:
    """The first channel that reads such an item or is called so; earlier words first."""
    for word in wanted:
        for name, spec in settings.channels.items():
            if name == word or (isinstance(spec, MeasuredChannel) and spec.item == word):
                return name
    return None
