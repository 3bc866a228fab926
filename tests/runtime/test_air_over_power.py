"""The daemon begins with the air's pressure of the last drive, and leaves its own for the next."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Ride

pytestmark = pytest.mark.waits


WITNESSES = 'lambda_channel = "lambda"\nvehicle_speed = "vehicle_speed"\n'


def test_the_air_of_the_last_drive_is_there_at_the_first_tick_and_kept_at_the_end(
    ride: Callable[..., Ride], van_settings: Callable[..., Path]
) -> None:
    # Nothing measures the air: neither the bus, nor the manifold.
    config = van_settings(
        (
            'sensors = ["barometer"]\npressure = "map"\nengine_speed = "engine_speed"\nsupply = "supply"\n' + WITNESSES,
            "",
        )
    )
    driven = ride(config=config)
    kept = driven.folder / "remembered.json"
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_text('{"channels": {"air_pressure": [84.3, 0.2]}, "wall_ns": null}')
    driven.begin(at_s=20.0)
    frame = driven.frame("the air's pressure", lambda values: values["air_pressure"][1] == "within")
    value, _, reason, uncertainty = frame["values"]["air_pressure"]
    # US Standard Atmosphere 1976: 84.3 kPa at 1524 m. Two kPa are the weather of days, since no clock was set.
    assert value == pytest.approx(84.3, abs=0.1)
    assert reason == "kept from the last drive"
    assert 2.2 <= uncertainty <= 3.0
    # Power mostly goes with the key, so it is kept on the way and not only in the end.
    driven.wait("it to be kept", lambda: _kept(kept)[1] > 2.0 or None)
    assert driven.stop() == 0
    assert _kept(kept) == [pytest.approx(84.3, abs=0.1), pytest.approx(uncertainty, abs=0.8)]


def _kept(file: Path) -> list[float]:
    found: list[float] = json.loads(file.read_text())["channels"]["air_pressure"]
    return found
