"""The unit file is one that systemd understands, and gives the daemon no more than it needs."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

_UNIT = Path(__file__).parents[2] / "systemd" / "cabcanary.service"
_UNITS = sorted((Path(__file__).parents[2] / "systemd").glob("*.service"))

pytestmark = [
    pytest.mark.waits,
    pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze"),
]


def test_all_units_are_there() -> None:
    names = [unit.name for unit in _UNITS]
    assert names == ["cabcanary-pages.service", "cabcanary-watch.service", "cabcanary.service"]


@pytest.mark.parametrize("shipped", _UNITS, ids=lambda unit: unit.stem)
def test_the_unit_has_no_key_that_systemd_does_not_know(shipped: Path, tmp_path: Path) -> None:
    # systemd-analyze verify ends with 0 on unknown keys, so its words are what counts.
    text = shipped.read_text().replace("/opt/cabcanary/bin/cabcanary", sys.executable)
    unit = tmp_path / shipped.name
    unit.write_text(text)
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, timeout=60)
    about_ours = [line for line in done.stderr.splitlines() if "cabcanary" in line]
    assert about_ours == []


def settings_of(key: str) -> list[str]:
    lines = _UNIT.read_text().splitlines()
    return [word for line in lines if line.startswith(f"{key}=") for word in line.partition("=")[2].split()]


def test_the_unit_lets_the_daemon_ask_whether_the_clock_is_set() -> None:
    # glibc asks by clock_adjtime, before 2.31 by adjtimex; a call that is filtered out would kill the process.
    allowed = set(settings_of("SystemCallFilter"))
    assert {"adjtimex", "clock_adjtime"} <= allowed
    assert settings_of("SystemCallErrorNumber") == ["EPERM"]
    # systemd.exec(5): with ProtectClock= "the system calls are blocked altogether", reading included.
    assert settings_of("ProtectClock") in ([], ["no"])
    # Setting it takes CAP_SYS_TIME, and no capability is left.
    assert "CapabilityBoundingSet=" in _UNIT.read_text().splitlines()


@pytest.mark.parametrize("shipped", _UNITS, ids=lambda unit: unit.stem)
def test_the_unit_is_not_exposed_beyond_what_devices_need(shipped: Path) -> None:
    # 5.0 is where systemd-analyze itself begins to call a unit "MEDIUM" (its scale: 0 to 10).
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=50", str(shipped)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stdout[-400:]
