"""The troubles of every day: each is told in plain words, and the daemon goes on with all that still works."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from typing import TYPE_CHECKING

import pytest
from harness import Message, Ride

from cabcanary_bench.rig.rig import daemon_command

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.waits


Make = Callable[..., Ride] if TYPE_CHECKING else None

#: Just before the over-boost pull of the first drive, and before the one with a lean mixture.
OVER_BOOST_S, CRUISE_S = 193.0, 150.0


def key_on(driven: Ride) -> Ride:
    """Wires with the key on and nobody driving: fixed voltages, and an engine computer that answers."""
    driven.rig.skip(5.0)
    return driven


def good(name: str) -> Callable[[Message], bool]:
    return lambda values: values[name][1] == "good"


def send(driven: Ride, *lines: bytes) -> None:
    for line in lines:
        driven.rig.van.wideband.write(line)


# --- serial --------------------------------------------------------------------------------------------


def test_a_serial_port_that_is_missing_is_named_and_taken_up_when_it_comes(ride: Make) -> None:
    driven = key_on(ride())
    driven.rig.van.wideband.unplug()
    driven.start()
    told = driven.source("wideband", ok=False)
    assert told["text"] == f"wideband: cannot open {driven.rig.van.wideband.link}: No such file or directory"
    driven.frame("the voltages all the same", good("map"))
    driven.rig.van.wideband.replug()
    driven.source("wideband", ok=True)
    # The first line may be the tail of an older one, and is never believed.
    send(driven, b"lambda=0.7", b"77\r\n", b"lambda=0.912 status=ok\r\n")
    driven.frame("lambda", lambda v: v["lambda"][:2] == [0.912, "good"])


def test_a_serial_port_pulled_out_in_mid_drive_comes_back_and_nothing_else_suffers(ride: Make) -> None:
    driven = ride(speed=2.5)
    driven.begin(at_s=CRUISE_S)
    driven.frame("lambda", good("lambda"))
    seen, frames_seen = len(driven.told.events), len(driven.told.frames)
    driven.rig.van.wideband.unplug()
    lost = driven.source("wideband", ok=False, after=seen)
    assert str(driven.rig.van.wideband.link) in lost["text"]
    values = driven.frame("no lambda", lambda v: v["lambda"][1] == "absent")["values"]
    assert values["lambda"][0] is None
    assert "wideband" in values["lambda"][2] or "unplugged" in values["lambda"][2] or "error" in values["lambda"][2]
    driven.rig.van.wideband.replug()
    driven.source("wideband", ok=True, after=seen)
    driven.frame("lambda again", good("lambda"))
    assert driven.not_good(driven.told.frames[frames_seen:], "map", "supply", "engine_speed") == {}
    assert [e for e in driven.told.events[seen:] if e["kind"] == "source" and e["what"] != "wideband"] == []
    assert driven.alerts() == []


def test_a_serial_port_pulled_out_under_boost_is_heard(ride: Make) -> None:
    driven = ride(speed=2.5)
    driven.begin(at_s=218.0)
    driven.frame("boost", lambda v: (v["boost"][0] or 0.0) > 3.0)
    driven.rig.van.wideband.unplug()
    raised = driven.raised("cannot_see_lambda")
    assert raised["priority"] == "warning"
    assert driven.event("sound", "cannot_see")["alert"] == "cannot_see_lambda"
    assert set(driven.alerts()) <= {"cannot_see_lambda"}


def test_malformed_lines_are_told_and_the_good_ones_between_them_count(ride: Make) -> None:
    driven = key_on(ride())
    driven.start()
    driven.ready()
    send(driven, b"\r\n")
    for n, rubbish in enumerate((b"\xff\xfe\x80\r\n", b"lambda 0.5\r\n", b"x" * 500 + b"\r\n", b"=1 ==\r\n")):
        send(driven, rubbish, b"lambda=0.8%d0 status=ok\r\n" % n)
        wanted = 0.8 + n / 100
        driven.frame("the good line", lambda v, w=wanted: v["lambda"][:2] == [pytest.approx(w), "good"])  # type: ignore[misc]
    driven.logged("wideband: 1 malformed line(s), the last: b'\\xff\\xfe\\x80'")
    assert {f["values"]["lambda"][0] for f in driven.told.frames} <= {None, 0.8, 0.81, 0.82, 0.83}
    # Voltages that stand still are called stuck after a while, on a slow machine by now: let them move.
    driven.rig.start_van()
    driven.frame("the voltages all the same", good("map"))


def test_a_port_that_speaks_at_another_rate_gives_no_value_and_a_hint(ride: Make) -> None:
    driven = key_on(ride())
    driven.start()
    driven.ready()
    for _ in range(20):
        send(driven, bytes(range(128, 168)) + b"\r\n")
    driven.logged("check baud, parity, separator and fields")
    assert {f["values"]["lambda"][0] for f in driven.told.frames} == {None}


# --- voltages ------------------------------------------------------------------------------------------


def test_a_wrong_converter_name_is_answered_with_what_is_there(ride: Make, van_settings: Callable[..., Path]) -> None:
    config = van_settings(('device = "bench-converter"', 'device = "bench-convertor"'))
    driven = key_on(ride(config=config))
    driven.start()
    told = driven.source("adc", ok=False)
    assert told["text"].startswith("adc: no IIO device named 'bench-convertor' under ")
    assert told["text"].endswith("; it holds bench-converter")
    driven.source("engine", ok=True)
    send(driven, b"\n", b"lambda=0.900 status=ok\r\n")
    driven.frame("lambda all the same", good("lambda"))
    reason = driven.frame("no pressure", lambda v: v["map"][1] == "absent")["values"]["map"][2]
    assert "bench-convertor" in reason


def test_a_converter_without_the_wanted_channel_is_answered_with_the_ones_it_has(
    ride: Make, van_settings: Callable[..., Path]
) -> None:
    driven = key_on(ride(config=van_settings(('item = "voltage2"', 'item = "voltage7"'))))
    driven.start()
    told = driven.source("adc", ok=False)
    assert told["text"] == "adc: bench-converter has no 'voltage7'; it has voltage0, voltage1, voltage2"


def test_a_converter_that_comes_late_is_taken_up(ride: Make) -> None:
    driven = key_on(ride())
    away = driven.rig.wires / "away"
    device = driven.rig.van.voltages.device
    device.rename(away)
    driven.start()
    assert "it holds no device" in driven.source("adc", ok=False)["text"]
    away.rename(device)
    driven.source("adc", ok=True)
    driven.frame("pressure", good("map"))


# --- the bus -------------------------------------------------------------------------------------------


def test_an_adapter_pulled_out_in_mid_drive_comes_back_and_nothing_else_suffers(ride: Make) -> None:
    driven = ride()
    driven.begin(at_s=CRUISE_S)
    driven.frame("engine speed", good("engine_speed"))
    seen, frames_seen = len(driven.told.events), len(driven.told.frames)
    driven.rig.van.can.unplug()
    told = driven.source("engine", ok=False, after=seen)
    assert str(driven.rig.van.can.port.link) in told["text"]
    assert "Check that it is plugged in; trying again" in told["text"]
    driven.frame("no engine speed", lambda v: v["engine_speed"][1] in ("absent", "stale"))
    driven.rig.van.can.replug()
    driven.source("engine", ok=True, after=seen)
    driven.frame("engine speed again", good("engine_speed"))
    assert driven.not_good(driven.told.frames[frames_seen:], "map", "supply", "lambda") == {}
    assert driven.rig.van.obd.violations == []


def test_a_killed_bus_helper_is_announced_and_started_again(ride: Make) -> None:
    driven = key_on(ride())
    driven.start()
    driven.ready()
    seen = len(driven.told.events)
    first = driven.helper("cabcanary.sources.")
    os.kill(first, signal.SIGKILL)
    told = driven.source("engine", ok=False, after=seen)
    assert "ended with code -9; it is started again" in told["text"]
    driven.source("engine", ok=True, after=seen)
    driven.frame("engine speed again", good("engine_speed"))
    assert driven.helper("cabcanary.sources.") != first


# --- outputs and disk ------------------------------------------------------------------------------------


def test_without_a_buzzer_the_daemon_says_so_and_watches_all_the_same(ride: Make) -> None:
    driven = ride()
    driven.rig.skip(OVER_BOOST_S)
    # No pin factory of the library's own list finds hardware on a machine without pins.
    driven.start(GPIOZERO_PIN_FACTORY="")
    driven.ready()
    line = driven.logged("NO BUZZER")
    assert "Nothing will be heard from it until this is mended" in line
    driven.rig.start_van()
    driven.raised("over_boost")
    driven.logged("Boost too high")
    assert driven.stop() == 0


def test_a_journal_that_cannot_be_made_is_told_loudly_and_warnings_go_on(ride: Make) -> None:
    driven = ride()
    # A file in the way: what permissions do for others binds root, too.
    (driven.folder / "journal").write_text("in the way")
    driven.begin(at_s=OVER_BOOST_S)
    told = driven.event("recorder", "failed", ok=False)
    assert told["text"].startswith("cannot record: ")
    driven.raised("over_boost")
    assert driven.event("sound", "warning")["alert"] == "over_boost"
    assert driven.stop() == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder on a disk of its own, 256 kB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    options = ["mount", "-t", "tmpfs", "-o", "size=256k", "none", str(folder)]
    if os.getuid() != 0 or subprocess.run(options, check=False, capture_output=True).returncode != 0:
        pytest.skip("a small disk can only be mounted by root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True, timeout=30)


def test_a_full_disk_is_told_costs_no_warning_and_recording_goes_on_when_there_is_room(
    ride: Make, small_disk: Path, van_settings: Callable[..., Path]
) -> None:
    # The journal alone is on the small disk; the rig's own log is not.
    driven = ride()
    (driven.folder / "journal").symlink_to(small_disk)
    ballast = small_disk / "ballast"
    with contextlib.suppress(OSError), ballast.open("wb") as file:
        while True:
            file.write(bytes(4096))
            file.flush()
    driven.begin(at_s=OVER_BOOST_S)
    told = driven.event("recorder", "failed", ok=False)
    assert told["text"] == "cannot record: No space left on device"
    driven.raised("over_boost")
    assert driven.event("sound", "warning")["alert"] == "over_boost"
    ballast.unlink()
    assert driven.event("recorder", "ok", ok=True)["text"] == "recording again"
    assert driven.stop() == 0
    # Nothing was lost: what could not be written was kept until it could.
    (manifest,) = driven.manifests()
    assert (manifest["lost_ticks"], manifest["lost_blocks"], manifest["recovered"]) == (0, 0, False)
    assert "over_boost" in [a["alert"] for a in manifest["alerts"]]


def test_a_state_folder_that_is_none_is_told_and_warnings_go_on(ride: Make, van_settings: Callable[..., Path]) -> None:
    # Recordings would go to a place that is a file; the feed is elsewhere, so that it can be listened to.
    config = van_settings(
        (
            'folder = "${CABCANARY_BENCH:-/var/lib/cabcanary}"',
            'folder = "${STATE}"\nfeed = "${CABCANARY_BENCH}/feed.sock"',
        )
    )
    driven = ride(config=config)
    state = driven.rig.wires / "state"
    state.write_text("not a folder")
    driven.rig.skip(OVER_BOOST_S)
    driven.start(STATE=str(state))
    driven.ready()
    driven.rig.start_van()
    assert driven.event("recorder", "failed", ok=False)["text"].startswith("cannot record: ")
    driven.raised("over_boost")
    assert driven.event("sound", "warning")["alert"] == "over_boost"


# --- two of them -----------------------------------------------------------------------------------------


def test_a_second_daemon_refuses_to_start_and_leaves_the_first_ones_wires_alone(ride: Make) -> None:
    driven = key_on(ride(speed=2.0))
    driven.start()
    driven.ready()
    seen = len(driven.told.events)
    second = subprocess.run(
        daemon_command(driven.rig.config, 2.0),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env=driven.rig.environment(),
        timeout=60,
    )
    assert second.returncode == 1
    assert "watches already" in second.stderr
    assert str(driven.rig.daemon.pid) in second.stderr
    assert driven.told.lost is False
    driven.frame("the first one goes on", good("map"))
    assert [e for e in driven.told.events[seen:] if e["kind"] in ("source", "helper")] == []
    assert (driven.folder / "feed.sock").is_socket()
