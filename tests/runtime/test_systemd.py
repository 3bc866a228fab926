"""The units are ones that systemd understands, and give each part no more than it needs."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from ctypes.util import find_library
from pathlib import Path

import pytest
from as_the_unit import allowed_calls, lines_of

_FOLDER = Path(__file__).parents[2] / "systemd"
_UNIT = _FOLDER / "cabcanary.service"
_UNITS = sorted(_FOLDER.glob("*.service"))
_CONFINED = Path(__file__).parents[1] / "support" / "as_the_unit.py"

pytestmark = [
    pytest.mark.waits,
    pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze"),
]


def test_all_units_are_there() -> None:
    names = [unit.name for unit in _UNITS]
    assert names == ["cabcanary-pages.service", "cabcanary-watch.service", "cabcanary.service"]


@pytest.mark.parametrize("shipped", _UNITS, ids=lambda unit: unit.stem)
@pytest.mark.parametrize("broker", [False, True], ids=["", "broker"])
def test_the_unit_has_no_key_that_systemd_does_not_know(shipped: Path, broker: bool, tmp_path: Path) -> None:
    # systemd-analyze verify ends with 0 on unknown keys, so its words are what counts.
    text = shipped.read_text().replace("/opt/cabcanary/bin/cabcanary", sys.executable)
    unit = tmp_path / shipped.name
    unit.write_text(text)
    drop_ins = _FOLDER / f"{shipped.name}.d"
    if broker and drop_ins.exists():
        shutil.copytree(drop_ins, tmp_path / drop_ins.name)
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, timeout=60)
    about_ours = [line for line in done.stderr.splitlines() if "cabcanary" in line]
    assert about_ours == []


def settings_of(key: str) -> list[str]:
    return [word for line in lines_of(_UNIT, key) for word in line.split()]


def test_the_unit_lets_the_daemon_ask_whether_the_clock_is_set_and_its_helpers_step_back() -> None:
    # glibc asks by clock_adjtime, before 2.31 by adjtimex; nice(3) calls setpriority.
    allowed = allowed_calls(_UNIT)
    assert {"adjtimex", "clock_adjtime", "setpriority"} <= allowed
    # Of what sets clocks, changes owners, loads modules or takes other priorities, nothing else.
    assert not {"settimeofday", "clock_settime", "chown", "fchown", "setuid", "sched_setscheduler", "bpf"} & allowed
    assert settings_of("SystemCallErrorNumber") == ["EPERM"]
    # systemd.exec(5): with ProtectClock= "the system calls are blocked altogether", reading included.
    assert settings_of("ProtectClock") in ([], ["no"])
    # Setting it takes CAP_SYS_TIME, and no capability is left.
    assert "CapabilityBoundingSet=" in _UNIT.read_text().splitlines()


def exposure(unit: Path) -> float:
    """What systemd-analyze security says, on its scale from 0 to 10."""
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    found = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    assert found, done.stderr[-400:]
    return float(found[1])


@pytest.mark.parametrize("shipped", _UNITS, ids=lambda unit: unit.stem)
def test_the_unit_is_not_exposed_beyond_what_devices_need(shipped: Path, tmp_path: Path) -> None:
    # 5.0 is where systemd-analyze itself begins to call a unit "MEDIUM".
    alone = shutil.copy(shipped, tmp_path)
    assert exposure(Path(alone)) <= 2.0


def test_the_way_to_a_broker_is_open_only_with_its_drop_in(tmp_path: Path) -> None:
    alone = Path(shutil.copy(_UNIT, tmp_path))
    assert set(" ".join(lines_of(alone, "RestrictAddressFamilies")).split()) == {"AF_UNIX", "AF_CAN"}
    assert lines_of(alone, "IPAddressDeny") == ["any"]
    assert lines_of(alone, "IPAddressAllow") == []
    # With it two more families and the private networks are allowed: a little more exposed, and only then.
    assert {"AF_INET", "AF_INET6"} <= set(settings_of("RestrictAddressFamilies"))
    assert exposure(_UNIT) <= 2.2


@pytest.mark.parametrize("shipped", _UNITS, ids=lambda unit: unit.stem)
def test_a_unit_asks_for_the_devices_it_uses_by_numbers_that_do_not_wait_for_a_driver(shipped: Path) -> None:
    # Documentation/admin-guide/devices.txt: 4 ttyS, 116 alsa, 166 ttyACM, 188 ttyUSB, 204 ttyAMA. That of pins is given
    # out at the start of the kernel; a converter's values lie in sysfs.
    allowed = {word.split()[0] for word in lines_of(shipped, "DeviceAllow")}
    wanted = {
        "cabcanary": {"char-4", "char-116", "char-166", "char-188", "char-204", "char-gpiochip"},
        "cabcanary-watch": {"char-gpiochip"},
    }
    assert allowed == wanted.get(shipped.stem, set())
    assert lines_of(shipped, "DevicePolicy") == ["closed"] or lines_of(shipped, "PrivateDevices") == ["yes"]


@pytest.mark.parametrize("shipped", _UNITS, ids=lambda unit: unit.stem)
def test_only_the_daemons_own_user_has_its_folders_made_by_systemd(shipped: Path) -> None:
    # systemd.exec(5): a folder of another owner is given to the unit's user, with all that is in it.
    assert len(lines_of(shipped, "User")) == 1
    if lines_of(shipped, "User") != ["cabcanary"]:
        assert lines_of(shipped, "StateDirectory") == lines_of(shipped, "RuntimeDirectory") == []
    else:
        modes = re.findall(r"^d /var/lib/cabcanary (\d+)", (_FOLDER / "cabcanary.tmpfiles").read_text(), re.MULTILINE)
        assert lines_of(shipped, "StateDirectoryMode") == modes


@pytest.mark.parametrize("shipped", _UNITS, ids=lambda unit: unit.stem)
def test_every_user_and_group_of_a_unit_is_made_by_the_installer(shipped: Path) -> None:
    made = {line.split()[1] for line in (_FOLDER / "cabcanary.sysusers").read_text().splitlines() if line[:1] in "ug"}
    groups = {word for line in lines_of(shipped, "SupplementaryGroups") for word in line.split()}
    # base-passwd of Debian has these two.
    assert {*lines_of(shipped, "User"), *groups} <= made | {"dialout", "audio"}


def test_the_pages_are_a_user_of_their_own_which_reads_drives_and_writes_notes_alone() -> None:
    pages = _FOLDER / "cabcanary-pages.service"
    user = lines_of(pages, "User")
    assert user != lines_of(_UNIT, "User")
    assert f"Environment=CABCANARY_PAGES_USER={user[0]}" in _UNIT.read_text().splitlines()
    assert lines_of(pages, "PrivateDevices") == ["yes"]
    # Nothing of the system, and so no drive, can be written by them; notes lie beside.
    writable = (lines_of(pages, "ProtectSystem"), lines_of(pages, "ReadWritePaths"))
    assert writable == (["strict"], ["-/var/lib/cabcanary/remarks"])
    assert (lines_of(pages, "IPAddressDeny"), lines_of(pages, "IPAddressAllow")) == (["any"], ["localhost"])
    tmpfiles = (_FOLDER / "cabcanary.tmpfiles").read_text().splitlines()
    assert f"d /var/lib/cabcanary/drives 2750 cabcanary {user[0]} -" in tmpfiles
    assert f"d /var/lib/cabcanary/remarks 2770 cabcanary {user[0]} -" in tmpfiles


def test_no_rule_names_an_adapter_by_its_maker() -> None:
    rules = (_FOLDER / "60-cabcanary.rules").read_text()
    assert not re.search(r"idVendor|idProduct|ID_VENDOR|ID_MODEL", rules)
    assert 'SUBSYSTEM=="gpio", KERNEL=="gpiochip*", GROUP="gpio", MODE="0660"' in rules.splitlines()


_TRIES = """
import os, socket
def tried(what):
    try:
        what()
    except OSError as error:
        return error.errno
    return 0
print({
    "nice": tried(lambda: os.nice(3)),
    "unix": tried(lambda: socket.socket(socket.AF_UNIX)),
    "inet": tried(lambda: socket.socket(socket.AF_INET)),
    "owner": tried(lambda: os.chown(".", -1, -1)),
    "affinity": tried(lambda: os.sched_setaffinity(0, {0})),
})
"""


def confined(unit: Path, *words: str, folder: Path, within_s: float) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(_CONFINED), str(unit), *words],
        cwd=folder,
        env={**os.environ, "CABCANARY_BENCH": str(folder)},
        capture_output=True,
        text=True,
        timeout=within_s,
    )


def test_what_the_unit_refuses_fails_and_ends_nothing(tmp_path: Path) -> None:
    if find_library("seccomp") is None:
        pytest.skip("needs libseccomp")
    alone = Path(shutil.copy(_UNIT, tmp_path))
    done = confined(alone, sys.executable, "-c", _TRIES, folder=tmp_path, within_s=60)
    # 1: EPERM, which a program can hear and go on.
    expected = {"nice": 0, "unix": 0, "inet": 1, "owner": 1, "affinity": 1}
    assert done.stdout.strip() == str(expected), done.stderr


@pytest.mark.long
def test_a_drive_is_watched_and_archived_under_the_units_call_filter(tmp_path: Path) -> None:
    alone = Path(shutil.copy(_UNIT, tmp_path))
    bench = [sys.executable, "-m", "cabcanary", "bench", "plug-out-and-in", "--json"]
    done = confined(alone, *bench, folder=tmp_path, within_s=280)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    verdicts = json.loads(done.stdout)
    assert all(verdict["kept"] for verdict in verdicts["verdicts"])
    assert len(verdicts["drives"]) == 1
