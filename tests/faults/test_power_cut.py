"""A power cut in mid-drive loses at most the last second, and never another drive.

kill -9 is the nearest thing to it that a process can be given; what the card itself may lose is the journal's
damage table's business. A cut drive is recovered by the next start, without being asked.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest
from harness import LATE_S, PATIENCE_S, Ride, children, read_journal, wait_for

from cabcanary.clock import NS_PER_S
from cabcanary_bench.drives.scenario import Phase, Scenario

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.waits


#: Long enough for the long campaign; the van thread ends with the ride.
IDLE = Scenario(
    name="idle",
    length_s=4000.0,
    phases=(
        Phase("key on", 0.0, 2.0, trace_s=0, hold=True),
        Phase("start", 2.0, 4.0, trace_s=0, hold=True, crank=True),
        Phase("idle", 4.0, 4000.0, trace_s=0, hold=True),
    ),
)
#: What a power cut may take, clock seconds.
MAY_LOSE_S = 1.0


def archived(folder: Path) -> dict[str, bytes]:
    """Every file of the archive with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in (folder / "drives").rglob("*") if p.is_file()}


def cut(driven: Ride, after_s: float) -> tuple[str, int, float]:
    """Let a drive run for some clock seconds and cut the power: the drive, its ticks and what was lost, s."""
    started = driven.event("drive", "started")
    due_ns = started["t"] + int(after_s * NS_PER_S)
    driven.wait("the moment of the cut", lambda: driven.rig.clock.now_ns() >= due_ns)
    cut_ns = driven.kill()
    # That of the drive before may still lie beside it: it goes last when a drive is archived.
    left = read_journal(driven.folder / "journal" / f"{started['drive']}.ccj")
    assert left.end is None
    return started["drive"], len(left.ticks), (cut_ns - left.ticks[-1][0]) / NS_PER_S


@pytest.mark.parametrize(
    "cuts",
    [
        pytest.param(4, marks=pytest.mark.timeout(900)),
        pytest.param(500, marks=[pytest.mark.long, pytest.mark.timeout(4 * 3600)]),
    ],
)
def test_a_cut_drive_loses_a_second_at_most_and_comes_back_unasked(ride: Callable[..., Ride], cuts: int) -> None:
    chance = random.Random(cuts)
    driven = ride(IDLE, speed=5.0, own_time=False)
    driven.begin(at_s=3.0)
    # First a drive that ends in order: it must stay as it is whatever comes after.
    driven.event("drive", "started")
    driven.until(7.0)
    assert driven.stop() == 0
    # By its own archiver, or where the machine was too slow for that, by the one of the next start.
    driven.start()
    wait_for("the first drive's archive", driven.manifests, PATIENCE_S)
    before = archived(driven.folder)
    too_late = 0
    for _ in range(cuts):
        drive, ticks, lost_s = cut(driven, after_s=chance.uniform(0.4, 4.0))
        if lost_s > MAY_LOSE_S:
            # Only where the machine was late, and hardly ever.
            assert driven.rig.worst_lag_s > LATE_S, f"{lost_s:.2f} s were lost"
            too_late += 1
        driven.start()
        # By the new daemon, or by an archiver that the killed one had only just started.
        manifest = driven.wait(
            "the drive in the archive", lambda d=drive: next((m for m in driven.manifests() if m["drive"] == d), None)
        )
        assert (manifest["recovered"], manifest["ticks"], manifest["lost_blocks"]) == (True, ticks, 0)
        now = archived(driven.folder)
        assert {name: now[name] for name in before} == before
        before = now
    assert too_late <= max(1, cuts // 100)
    assert len(driven.manifests()) == cuts + 1
    assert [m["recovered"] for m in driven.manifests()].count(False) == 1


def test_a_cut_in_the_middle_of_an_alert_keeps_the_alert(ride: Callable[..., Ride]) -> None:
    driven = ride(speed=2.0, own_time=False)
    driven.begin(at_s=193.0)
    raised = driven.raised("over_boost")
    # The archiver that every start begins with must be done: a killed daemon's would take the drive up unheard.
    driven.wait("its end", lambda: not any("archiver" in words for words in children(driven.pid).values()))
    second_later = raised["t"] + NS_PER_S
    driven.wait("a second more", lambda: driven.rig.clock.now_ns() > second_later)
    driven.kill()
    driven.start()
    told = driven.event("recorder", "archived", recovered=True)
    assert "recovered after it was cut off" in told["text"]
    (manifest,) = driven.manifests()
    assert ("over_boost", 1) in [(a["alert"], a["count"]) for a in manifest["alerts"]]
    assert manifest["peak_boost"] > 8.0
    # The fault still stands, and a monitor that has just started says so by itself.
    driven.raised("over_boost")


def test_a_stop_in_mid_drive_closes_the_drive_in_order(ride: Callable[..., Ride]) -> None:
    driven = ride(IDLE, own_time=False)
    driven.begin(at_s=3.0)
    driven.event("drive", "started")
    driven.until(6.0)
    assert driven.stop() == 0
    assert "stopped: this vehicle is no longer watched" in driven.log
    if (
        not driven.manifests()
    ):  # a busy machine: the stop has not waited for ever, and the next start takes the drive up
        driven.start()
        driven.event("recorder", "archived")
        assert driven.stop() == 0
    (manifest,) = driven.manifests()
    assert (manifest["recovered"], manifest["lost_blocks"], manifest["lost_ticks"]) == (False, 0, 0)
    assert list((driven.folder / "journal").glob("*")) == []
