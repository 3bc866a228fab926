"""A converter channel that hangs costs itself, and nothing else: no other voltage, no warning, no clean stop."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from harness import Message, Ride, punctual

from cabcanary.clock import NS_PER_S
from cabcanary_bench.rig.wired_van import CHARGE_CHANNEL, MAP_CHANNEL

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary_bench.drives.verdict import Verdict

pytestmark = pytest.mark.in_time


#: Just before the over-boost pull of the first drive; its fault begins at 195 s.
BEFORE_THE_PULL_S = 193.0


def begin(driven: Ride, channel: int) -> None:
    """Drive with a channel that hangs from before the daemon was there."""
    driven.rig.skip(BEFORE_THE_PULL_S)
    driven.rig.van.voltages.block(channel)
    driven.start()
    driven.source("wideband", ok=True)
    driven.source("engine", ok=True)
    driven.frame("anything", bool)
    driven.rig.start_van()


def qualities(frames: list[Message], channel: str) -> set[str]:
    return {f["values"][channel][1] for f in frames}


def test_a_hung_temperature_is_named_and_delays_no_warning(ride: Callable[..., Ride]) -> None:
    speeds = [1.5, 2.5]

    def attempt() -> tuple[Ride, Verdict]:
        driven = ride(speed=speeds.pop(), own_time=False)
        begin(driven, CHARGE_CHANNEL)
        driven.raised("over_boost")
        driven.event("alert", "over_boost", state="normal")
        return driven, driven.verdict("over-boost")

    driven, verdict = punctual(attempt)
    assert verdict.delay_s is not None
    assert 0 <= verdict.delay_s <= 0.5, verdict.text
    # The dead thermistor is said as well, since a hot charge could not be seen.
    assert set(driven.alerts()) <= {"over_boost", "cannot_see_charge_temperature"}


def test_beside_a_hung_temperature_all_other_readings_stay_fresh(ride: Callable[..., Ride]) -> None:
    driven = ride(speed=2.5, own_time=False)
    begin(driven, CHARGE_CHANNEL)
    driven.logged("voltage2 does not answer; the other channels go on")
    driven.until(BEFORE_THE_PULL_S + 1.0)
    seen = len(driven.told.frames)
    driven.until(BEFORE_THE_PULL_S + 11.0)
    frames = driven.told.frames[seen:]
    assert len(frames) > 100
    assert driven.not_good(frames, "map", "supply", "lambda", "engine_speed", "boost") == {}
    assert len({f["values"]["map"][0] for f in frames}) > 20
    assert qualities(frames, "charge_temperature") == {"absent"}
    assert driven.stop() == 0


def test_a_hung_pressure_is_heard_as_cannot_see_and_blamed_by_name(ride: Callable[..., Ride]) -> None:
    driven = ride(speed=2.5, own_time=False)
    begin(driven, MAP_CHANNEL)
    raised = driven.raised("cannot_see_map")
    assert (raised["blind"], raised["priority"]) == (True, "warning")
    assert raised["text"].startswith("Stay off boost. Cannot see manifold pressure.")
    # Boost was never known, so the patient delay of 8 s holds; it counts from when the engine is known to run.
    running = next(f["t"] for f in driven.told.frames if f["values"]["engine_running"][0] == 1.0)
    assert (raised["t"] - running) / NS_PER_S <= 8.5
    assert driven.event("sound", "cannot_see")["alert"] == "cannot_see_map"
    assert any(p["state"] and p["frequency"] == 1500.0 for p in driven.pins())
    assert driven.not_good(driven.told.frames[-50:], "supply") == {}
    assert driven.alerts() == ["cannot_see_map"]


@pytest.mark.parametrize("channel", [MAP_CHANNEL, CHARGE_CHANNEL])
def test_a_channel_that_is_open_and_never_gives_a_number_costs_only_itself(
    ride: Callable[..., Ride], channel: int
) -> None:
    driven = ride(speed=2.5, own_time=False)
    driven.rig.van.voltages.block(channel)
    # Read and write, so that opening does not wait for a reader.
    writer = os.open(driven.rig.van.voltages.path(channel), os.O_RDWR)
    try:
        driven.rig.skip(BEFORE_THE_PULL_S)
        driven.start()
        driven.source("engine", ok=True)
        driven.event("source", "adc", ok=False)
        driven.rig.start_van()
        mine, other = ("map", "charge_temperature") if channel == MAP_CHANNEL else ("charge_temperature", "map")
        driven.frame("only the good channel", lambda v: v[other][1] == "good" and v[mine][1] == "absent")
        driven.frame("the supply", lambda v: v["supply"][1] == "good")
        if channel == MAP_CHANNEL:
            driven.raised("cannot_see_map")
        else:
            driven.raised("over_boost")
        assert driven.stop() == 0
    finally:
        os.close(writer)
