"""What a first drive teaches: idle pressure and what lies below it, the supply's lowest, the throttle's ends.

Wanted are two minutes of idle, an overrun and one open throttle; what a drive did not show stays unknown.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.parquet as pq

from cabcanary import units
from cabcanary.review.figures.still import STEADY_S, lowest_of, still_spells
from cabcanary.store.archive import METADATA_KEY

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

#: Less is no idle to learn from, s.
_IDLE_S = 60.0
#: Steady spells within this of the lowest one are the same idle, kPa.
_SAME_KPA = 3.0
#: In a fuel cut a wideband sees air, lambda.
_AIR = 1.25
#: Without an overrun the mask begins so far below idle, kPa.
_BELOW_KPA = 3.0
#: So long after the start the alternator has recovered the battery's voltage, s; and the margin under its lowest, V.
_AFTER_START_S, _MARGIN_V = 20.0, 0.3
_OPEN_PERCENT = 60.0


@dataclass(frozen=True, slots=True)
class Taught:
    """What was seen; None: the drive did not show it. Pressures in kPa absolute, the throttle's ends in % raw."""

    idle_kpa: float | None = None
    below_idle_kpa: float | None = None
    overrun_kpa: float | None = None
    supply_lowest: float | None = None
    throttle_ends: tuple[float, float] | None = None

    def answers(self) -> dict[str, str]:
        """As answers to the questions of `cabcanary new`, table `driven`."""
        found: dict[str, str] = {}
        if self.idle_kpa is not None and self.below_idle_kpa is not None:
            found |= {"idle": f"{self.idle_kpa:.1f} kPa", "below_idle": f"{self.below_idle_kpa:.1f} kPa"}
        if self.supply_lowest is not None:
            found["supply_lowest"] = f"{self.supply_lowest:.1f} V"
        return found

    def lines(self) -> list[str]:
        """For a person."""
        idle = "no idle of a minute" if self.idle_kpa is None else f"idle {self.idle_kpa:.1f} kPa"
        over = "no overrun" if self.overrun_kpa is None else f"overrun {self.overrun_kpa:.1f} kPa"
        supply = "no supply voltage" if self.supply_lowest is None else f"supply never below {self.supply_lowest:.1f} V"
        ends = "no open throttle"
        if self.throttle_ends is not None:
            ends = "throttle from {:.0f} to {:.0f} %".format(*self.throttle_ends)
        return [f"this drive shows: {idle}; {over}; {supply}; {ends}"]


def taught_by(path: Path) -> Taught:
    """What the drive in this Parquet file teaches.

    Raises:
        OSError, ArrowInvalid: it cannot be read.
    """
    table = pq.read_table(path)
    about = json.loads((table.schema.metadata or {}).get(METADATA_KEY, b"{}"))
    columns, symbols = set(table.column_names), about.get("units", {})

    def good(name: str) -> Floats:
        if name not in columns:
            return np.full(table.num_rows, np.nan)
        values = np.asarray(table[name].to_numpy(zero_copy_only=False), dtype=np.float64)
        quality = np.asarray(table[f"{name}_quality"].to_pylist(), dtype=object)
        return np.where(np.isin(quality, ("good", "saturated high")), values, np.nan)

    seconds = np.asarray(table["time_s"].to_numpy(), dtype=np.float64)
    running = good("engine_running") == 1.0
    pressure = _kpa(good("map"), symbols.get("map", "kPa"), good("air_pressure"), about)
    idle, below, overrun = _idle(seconds, running, pressure, good("lambda"))
    return Taught(idle, below, overrun, _supply(seconds, running, good("supply")), _ends(table, columns))


def _kpa(values: Floats, symbol: str, air_kpa: Floats, about: dict[str, Any]) -> Floats:
    unit = units.unit(symbol)
    kpa = (unit.to_si(1.0) - unit.to_si(0.0)) / 1000.0 * values
    # A sensor against the air: absolute is what it shows over the air's own.
    channels = tomllib.loads(about.get("settings") or "").get("channels", {})
    gauge = "gauge" in channels.get("map", {}).get("reference", "")
    return kpa + air_kpa if gauge else kpa


def _idle(
    seconds: Floats, running: Mask, kpa: Floats, mixture: Floats
) -> tuple[float | None, float | None, float | None]:
    burning = running & np.isfinite(kpa) & ~(mixture > _AIR)
    same = lowest_of(still_spells(seconds, burning, kpa), _SAME_KPA)
    if len(same) * STEADY_S < _IDLE_S:
        return None, None, None
    idle = float(np.median([spell.level for spell in same]))
    cut = running & (kpa < idle - _BELOW_KPA) & (~np.isfinite(mixture) | (mixture > _AIR))
    if cut.sum() < 25:
        return idle, round(idle - _BELOW_KPA - 1.0, 1), None
    overrun = float(np.median(kpa[cut]))
    return idle, round((overrun + idle) / 2, 1), overrun


def _supply(seconds: Floats, running: Mask, volts: Floats) -> float | None:
    if not running.any():
        return None
    begun = seconds[np.argmax(running)]
    rows = running & np.isfinite(volts) & (seconds > begun + _AFTER_START_S)
    return None if rows.sum() < 500 else round(float(np.percentile(volts[rows], 0.5)) - _MARGIN_V, 1)


def _ends(table: Any, columns: set[str]) -> tuple[float, float] | None:
    if "throttle_raw" not in columns:
        return None
    raw = np.asarray(table["throttle_raw"].to_numpy(zero_copy_only=False), dtype=np.float64)
    raw = raw[np.isfinite(raw)]
    if not raw.size or raw.max() < _OPEN_PERCENT:
        return None
    return float(np.percentile(raw, 0.5)), float(raw.max())
