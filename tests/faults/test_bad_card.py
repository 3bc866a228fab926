"""A card that stalls, is full, read-only or broken in mid-drive: no warning late, losses told, recording goes on.

The daemon is the installed one; between it and the kernel stands a small library (support/bad_card.c) that fails its
writes and syncs to order, and only those of the journal and the archive.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from typing import TYPE_CHECKING

import pytest
from harness import Ride, punctual, read_journal

from cabcanary_bench.drives.verdict import LONGEST_DELAY_S

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from cabcanary_bench.drives.verdict import Verdict

pytestmark = pytest.mark.in_time


SOURCE = os.path.join(os.path.dirname(__file__), "..", "support", "bad_card.c")  # noqa: PTH118, PTH120
WORDS = {
    "stall": "the card is slow",
    "enospc": "cannot record: No space left on device",
    "erofs": "cannot record: Read-only file system",
    "eio": "cannot record: Input/output error",
}


@pytest.fixture
def library(tmp_path: Path) -> Path:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.fail(
            "no C compiler for the library that makes the card fail; install gcc and libc6-dev, as .ci/tests does"
        )
    made = tmp_path / "bad_card.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", str(made), SOURCE, "-ldl"], check=True)
    return made


@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    "trouble", ["stall", "enospc", *(pytest.param(t, marks=pytest.mark.long) for t in ("erofs", "eio"))]
)
def test_no_warning_is_late_and_recording_goes_on_when_the_card_does(
    ride: Callable[..., Ride], tmp_path: Path, library: Path, trouble: str
) -> None:
    control = tmp_path / "card"

    def attempt() -> tuple[Ride, Verdict]:
        control.write_text("")
        driven = ride(speed=2.5, own_time=False)
        driven.rig.skip(188.0)
        driven.start(LD_PRELOAD=str(library), BAD_CARD=str(control))
        driven.ready()
        driven.rig.start_van()
        driven.event("drive", "started")
        driven.until(192.0)
        control.write_text(trouble)
        driven.event("recorder", "failed")
        driven.raised("over_boost")
        driven.until(200.0)
        verdict = driven.verdict("over-boost")
        control.write_text("")
        return driven, verdict

    driven, verdict = punctual(attempt)
    # What else a busy machine lets fall silent is not asked about here: the warning must be there, and in time.
    assert verdict.heard_s is not None, verdict
    assert verdict.heard_s - verdict.onset_s <= LONGEST_DELAY_S or driven.machine_late, verdict
    told = [e["text"] for e in driven.told.events if e["kind"] == "recorder"]
    assert [t for t in told if t.startswith(WORDS[trouble])], told
    driven.event("recorder", "ok")
    # Nothing was lost: what could not be written waited in memory, and the alert of the bad time is on the card.
    journal = driven.journal()

    def whole() -> bool:
        drive = read_journal(journal)
        return any(e["what"] == "over_boost" and e.get("raised") for e in drive.events) and drive.lost_blocks == 0

    driven.wait("the alert in the journal", whole)
    ticks = [t for t, _ in read_journal(journal).ticks]
    frames = [f["t"] for f in driven.told.frames if f["t"] <= ticks[-1]]
    missing = set(frames) - set(ticks)
    assert not missing or driven.machine_late, len(missing)


def test_what_the_driver_wants_remembered_is_in_the_drive(ride: Callable[..., Ride]) -> None:
    driven = ride(own_time=False)
    driven.begin(at_s=185.0)
    driven.event("drive", "started")
    driven.told.command({"do": "note", "text": "hiss at the throttle"})
    driven.told.command({"do": "note"})
    driven.event("note", "feed", text="hiss at the throttle")
    driven.event("note", "feed", text="remember this")
    journal = driven.journal()

    def notes() -> list[str]:
        return [e["text"] for e in read_journal(journal).events if e["kind"] == "note"]

    driven.wait("both in the journal", lambda: notes() == ["hiss at the throttle", "remember this"])


def test_a_drive_that_must_make_room_is_told_in_the_cab_and_to_programs(
    ride: Callable[..., Ride], van_settings: Callable[..., Path]
) -> None:
    driven = ride(config=van_settings(more="\n[archive]\nlargest_gb = 0.000001\n"), own_time=False)
    driven.begin(at_s=100.0)
    drive = driven.event("drive", "started")["drive"]
    driven.until(104.0)
    driven.stop()
    driven.start()
    removed = driven.wait("the removal in the log", lambda: f"{drive} of " in driven.log and "removed: " in driven.log)
    assert removed
    assert driven.manifests() == []
