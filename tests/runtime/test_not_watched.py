"""What an engine under boost is not watched for is told at every start: heard, shown, and over the feed."""

from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Ride

pytestmark = pytest.mark.waits


def test_a_gap_is_a_caution_at_the_start_and_the_lamp_winks_twice(
    ride: Callable[..., Ride], van_settings: Callable[..., Path]
) -> None:
    config = van_settings()
    rules = config.parent / "rules" / "mixture.toml"
    text = rules.read_text(encoding="utf-8")
    mark = 'say = "Lean under boost"\n'
    rules.write_text(text.replace(mark, mark + 'out_of_service = "being tuned"\n'), encoding="utf-8")
    driven = ride(config=config)
    driven.begin(at_s=20.0)
    told = driven.event("monitor", "coverage")
    assert told["coverage"][0]["watched"] == "no"
    notice = driven.event("alert", "not_watched")
    assert notice["priority"] == "caution"
    assert "NOT WATCHED for lean under boost (its rule lean_under_boost is out of service)" in notice["text"]
    heard = driven.event("sound", "caution", alert="not_watched")
    assert heard["t"] > notice["t"]
    driven.event("lamp", "partly_watching")
