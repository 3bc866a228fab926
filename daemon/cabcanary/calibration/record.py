"""The dated record of a calibration, in the folder of the daemon."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cabcanary import __version__
from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.calibration.causes import Cause
    from cabcanary.calibration.fit import Result
    from cabcanary.calibration.points import Session
    from cabcanary.calibration.sensor import Sensor
    from cabcanary.settings.schema import Settings

FOLDER = "calibrations"


def report(
    session: Session, sensor: Sensor, result: Result, keys: dict[str, Any], named: list[Cause]
) -> dict[str, Any]:
    """Points and result as JSON has them; values in the channel's unit, readings in `wire_unit`."""
    curve = sensor.spec.curve
    return {
        "channel": sensor.name,
        "unit": sensor.unit,
        "wire_unit": sensor.wire_unit,
        "reference": session.reference,
        "reference_limits": session.limits,
        "serial": session.serial,
        "points": [
            {
                "reference": p.reference,
                "uncertainty": p.reading,
                **{k: getattr(p.readings, k) for k in ("mean", "noise", "drift")},
                "count": p.readings.number,
                "off": off,
            }
            for p, off in zip(session.points, result.deviations, strict=True)
        ],
        "old_curve": None if curve is None else curve.model_dump(mode="json"),
        "form": result.form.words,
        "keys": keys,
        "residual": keys["residual"],
        "scatter": result.scatter,
        "degrees_of_freedom": result.degrees,
        "coverage_factor": result.coverage_factor,
        "chi_square": result.chi_square if result.stated else None,
        "chance_of_more_scatter": result.chance,
        "within": result.within,
        "within_points": result.within_points,
        "level": 0.95,
        "holds_from": result.holds[0],
        "holds_to": result.holds[1],
        "along": [{"wire": a.wire, "value": a.value, "within": a.within} for a in result.along],
        "named": [{"cause": c.what, "volts": c.volts, "sure": c.sure, "words": c.words} for c in named],
    }


def file_for(folder: Path, channel: str, today: str) -> Path:
    """The file of a calibration of this day; a second one of the day has a number."""
    name, number = f"{channel}-{today}", 1
    path = folder / FOLDER / f"{name}.json"
    while path.exists():
        number += 1
        path = folder / FOLDER / f"{name}-{number}.json"
    return path


def today() -> str:
    """The date, UTC."""
    return datetime.now(UTC).date().isoformat()


def keep(path: Path, told: dict[str, Any], settings: Settings) -> None:
    """Write the record.

    Raises:
        OSError: it cannot be written.
    """
    vehicle = settings.vehicle
    about = {
        "format": 1,
        "software": __version__,
        "calibrated": datetime.now(UTC).isoformat(timespec="seconds"),
        "vehicle": vehicle.name,
        "stage": vehicle.stage,
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomically(path, (json.dumps(about | told, ensure_ascii=False, indent=1) + "\n").encode())
