"""Rules can speak of the monitor's own computer: the daemon as it is installed, against its stand-in folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from harness import Ride

pytestmark = pytest.mark.waits


RULE = """
[[rule]]
id = "not_recording"
priority = "advisory"
say = "Nothing is recorded"
do = "Look at the card when you are home"
when = "recording < 0.5"
blind_delay = "10 s"

[[rule]]
id = "monitor_hot"
priority = "advisory"
say = "The monitor is hot"
do = "Give it air"
when = "board_temperature > 75 °C deadband 5 °C"
blind_delay = "10 s"
"""


def test_a_computer_that_grows_hot_and_a_card_that_takes_nothing_raise_their_rules(
    ride: Callable[..., Ride], van_settings: Callable[..., Path]
) -> None:
    config = van_settings()
    rules = config.parent / "rules" / "bench-van.toml"
    rules.write_text(rules.read_text(encoding="utf-8") + RULE, encoding="utf-8")
    driven = ride(config=config)
    # A file where the folder of journals belongs: nothing can be recorded, not even by root.
    journals = driven.folder / "journal"
    journals.write_text("in the way")
    driven.begin(at_s=150.0)
    driven.source("computer", ok=True)
    driven.frame("the clock set", lambda v: v["clock_set"][:2] == [1.0, "good"])
    driven.raised("not_recording")
    driven.frame("recording 0", lambda v: v["recording"][:2] == [0.0, "good"])
    driven.rig.van.host.write("board_temperature", 81.0)
    driven.raised("monitor_hot")
    driven.rig.van.host.write("clock_set", 0)
    driven.frame("the clock lost", lambda v: v["clock_set"][0] == 0.0)
    journals.unlink()
    driven.event("alert", "not_recording", active=False)
    driven.rig.van.host.write("board_temperature", 60.0)
    driven.event("alert", "monitor_hot", active=False)
