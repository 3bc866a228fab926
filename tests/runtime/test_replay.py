"""What ran live is what is tested: a drive played again gives the alerts that were heard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from harness import Ride, read_journal

if TYPE_CHECKING:
    from collections.abc import Callable

    from long_drive import BenchDrive

    from cabcanary.recorder.journal_drive import Drive

pytestmark = pytest.mark.waits


#: An alert's change of state, as the replay must repeat it: tick time in ns, alert, state.
Change = tuple[int, str, str]


def recorded_changes(drive: Drive) -> list[Change]:
    return [(e["t"], e["what"], e["state"]) for e in drive.events if e["kind"] == "alert" and "state" in e]


def played_again(drive: Drive, until_ns: int) -> list[Change]:
    """The frames through a new engine that starts from the recorded state, acknowledges included."""
    plan = drive.plan()
    engine = plan.engine()
    engine.restore(drive.header["rules_state"])
    acknowledged: list[dict[str, Any]] = [e for e in drive.events if e["kind"] == "acknowledge"]
    found: list[Change] = []
    for frame in drive.frames(plan):
        if frame.time_ns > until_ns:
            break
        while acknowledged and acknowledged[0]["t"] <= frame.time_ns:
            time_ns = acknowledged.pop(0)["t"]
            found += [(c.time_ns, c.alert, c.state) for c in engine.acknowledge(time_ns)]
        found += [(c.time_ns, c.alert, c.state) for c in engine.step(frame)]
    return found


def test_a_recorded_drive_gives_the_alerts_that_were_heard_at_the_same_ticks(bench_drive: BenchDrive) -> None:
    drive = read_journal(bench_drive.copy)
    recorded = recorded_changes(drive)
    assert [what for _, what, state in recorded if state == "active, unacknowledged"] == [
        "lean_under_boost",
        "over_boost",
        "cannot_see_lambda",
    ]
    assert (drive.lost_blocks, drive.end) == (0, None)
    assert played_again(drive, recorded[-1][0]) == recorded


def test_an_acknowledge_in_mid_alert_is_played_again_too(ride: Callable[..., Ride]) -> None:
    driven = ride()
    driven.begin(at_s=193.0)
    driven.raised("over_boost")
    driven.told.command({"do": "acknowledge"})
    driven.event("alert", "over_boost", state="active, acknowledged")
    driven.event("alert", "over_boost", state="normal")
    journal = driven.journal()
    drive = driven.wait("the journal to have it", lambda: _with_end(journal))
    recorded = recorded_changes(drive)
    assert [state for _, what, state in recorded if what == "over_boost"] == [
        "active, unacknowledged",
        "active, acknowledged",
        "normal",
    ]
    assert played_again(drive, recorded[-1][0]) == recorded


def _with_end(journal: Any) -> Drive | None:
    drive = read_journal(journal)
    return drive if ("over_boost", "normal") in [c[1:] for c in recorded_changes(drive)] else None
