"""`cabcanary reload` beside a real daemon: taken without a break, or refused with the old settings in force."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Ride, command, read_journal

from cabcanary_bench.drives.scenario import FIRST_DRIVE

pytestmark = pytest.mark.waits

#: A frame is asked for at 10 Hz; a break in the watch would leave out more than two.
_LONGEST_GAP_NS = 300_000_000


@pytest.fixture
def driven(ride: Callable[..., Ride], van_settings: Callable[..., Path]) -> Ride:
    made = ride(FIRST_DRIVE, 5.0, van_settings())
    made.begin(at_s=193.0)
    return made


def reload(driven: Ride, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command("reload", str(driven.rig.config), *words),
        env=driven.rig.environment(), capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip


def stages(driven: Ride) -> list[str]:
    """The stage of each drive, archived or still in the journal."""
    found = {m["drive"]: m["stage"] for m in driven.manifests()}
    for path in (driven.folder / "journal").glob("*.ccj"):
        header = read_journal(path).header
        found[header["drive"]] = header["stage"]
    return [found[drive] for drive in sorted(found)]


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


def test_a_higher_limit_is_taken_in_mid_drive_and_the_drive_goes_on(driven: Ride) -> None:
    driven.raised("over_boost")
    numbers = driven.rig.config.parent / "rules" / "bench-van.toml"
    change(numbers, '"compressor, low boost" = 8', '"compressor, low boost" = 25')
    done = reload(driven)
    assert (done.returncode, done.stderr) == (0, "")
    assert "new settings are in force" in done.stdout
    assert driven.event("alert", "over_boost", state="normal")["t"] > 0
    driven.event("lamp", "stay_out_of_boost")
    driven.frame("a moment later", lambda _: True)
    driven.stop()
    assert stages(driven) == ["compressor, low boost", "compressor, low boost"]
    assert any(a["alert"] == "over_boost" for a in driven.manifests()[0]["alerts"])
    if not driven.machine_late:
        ticks = [f["t"] for f in driven.told.frames]
        assert max(b - a for a, b in itertools.pairwise(ticks)) < _LONGEST_GAP_NS


def test_a_rule_that_goes_out_of_service_leaves_the_lamp_and_another_hears_a_persons_word(driven: Ride) -> None:
    driven.raised("over_boost")
    rules = driven.rig.config.parent / "rules"
    change(rules / "boost.toml", 'id = "over_boost"', 'id = "over_boost"\nout_of_service = "its hoses are off"')
    change(rules / "bench-van.toml", 'manifold_highest = "185 kPa"', 'manifold_highest = "125 kPa"')
    assert reload(driven).returncode == 0
    driven.raised("manifold_over_limit")
    driven.told.command({"do": "acknowledge"})
    driven.event("alert", "manifold_over_limit", state="active, acknowledged")
    # Nothing of the rule that is gone keeps the lamp at its warning once the pull is over.
    driven.event("lamp", "stay_out_of_boost")


def test_wrong_settings_leave_the_old_ones_in_force(driven: Ride) -> None:
    change(driven.rig.config, 'unit = "psi"', 'unit = "pxi"')
    done = reload(driven)
    assert done.returncode == 1
    assert "the settings stay as they were" in done.stderr
    assert "pxi" in done.stderr
    # The watch goes on by the old ones.
    driven.raised("over_boost")


def test_what_is_opened_at_the_start_is_named(driven: Ride) -> None:
    change(driven.rig.config, "baud = 9600", "baud = 19200")
    done = reload(driven, "--json")
    assert done.returncode == 1
    assert '"taken": false' in done.stdout
    assert "sources; restart the daemon, parked" in done.stdout


def test_the_hang_up_signal_does_the_same_and_a_stage_is_taken(driven: Ride) -> None:
    change(driven.rig.config, 'stage = "compressor, low boost"', 'stage = "more boost"')
    change(driven.rig.config, 'confirmed_by = ""', 'confirmed_by = "a tuner"')
    # The same limit as before, so that the same pull passes it.
    change(driven.rig.config.parent / "rules" / "bench-van.toml", '"more boost" = 12', '"more boost" = 8')
    os.kill(driven.pid, signal.SIGHUP)
    told = driven.event("monitor", "settings_taken")
    assert told["stage"] == "more boost"
    driven.wait("the greeting of the new stage", lambda: driven.told.hello["stage"] == "more boost")
    # What was said at the start, and holds no more, is no longer said.
    asked = subprocess.run(
        command("status", str(driven.rig.config), "--json"),
        env=driven.rig.environment(), capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert "limits_not_confirmed" not in asked.stdout
    driven.raised("over_boost")
    # A person's word reaches the rules that are in force now.
    driven.told.command({"do": "acknowledge"})
    driven.event("alert", "over_boost", state="active, acknowledged")
    driven.stop()
    assert stages(driven) == ["compressor, low boost", "more boost"]


def test_a_daemon_that_runs_with_another_file_is_not_asked(driven: Ride, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text(driven.rig.config.read_text(encoding="utf-8"), encoding="utf-8")
    driven.rig.config = other
    done = reload(driven)
    assert done.returncode == 2
    assert "name that file" in done.stderr
