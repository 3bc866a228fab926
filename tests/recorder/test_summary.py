"""A drive's figures: which alerts count."""

from __future__ import annotations

from cabcanary.recorder.summary import Summary


def test_the_notice_of_unconfirmed_limits_makes_no_drive_one_with_an_alert() -> None:
    start = {"t": 1_000_000_000, "kind": "alert", "what": "limits_not_confirmed", "priority": "caution", "raised": True}
    lean = {"t": 3_500_000_000, "kind": "alert", "what": "lean_under_boost", "priority": "warning", "raised": True}
    assert Summary(None).result([start], 1_000_000_000)["alerts"] == []
    (counted,) = Summary(None).result([start, lean], 1_000_000_000)["alerts"]
    assert (counted.alert, counted.priority, counted.count, counted.first_s) == ("lean_under_boost", "warning", 1, 2.5)
