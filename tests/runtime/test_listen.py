"""`cabcanary listen` on the bench's wires: raw readings as they come, and nothing sent."""

from __future__ import annotations

import json
import os
import subprocess
import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from harness import command

from cabcanary_bench.paths import config_folder
from cabcanary_bench.wiring.serial_pty import SerialPty
from cabcanary_bench.wiring.slcan import SlcanAdapter
from cabcanary_bench.wiring.voltage_tree import VoltageTree

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.waits


def listen(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command("listen", *arguments),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, **environment},
    )


@contextmanager
def repeating(what: Callable[[], object]) -> Iterator[None]:
    """Do this every 20 ms in a thread: a sensor that goes on whether anybody listens or not."""
    stop = threading.Event()

    def run() -> None:
        while not stop.wait(0.02):
            what()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(10)


@pytest.fixture
def port(tmp_path: Path) -> Iterator[SerialPty]:
    port = SerialPty(tmp_path / "tty")
    yield port
    port.close()


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[SlcanAdapter]:
    adapter = SlcanAdapter(tmp_path / "can")
    yield adapter
    adapter.close()


@pytest.fixture
def tree(tmp_path: Path) -> Iterator[VoltageTree]:
    tree = VoltageTree(tmp_path / "iio", "bench-converter", [0, 1])
    yield tree
    tree.close()


def test_lines_of_a_serial_port_are_shown_as_they_come_with_the_unprintable_made_visible(port: SerialPty) -> None:
    with repeating(lambda: port.write(b"lambda=0.853 status=ok\r\n\xff\x00?\r\n")):
        done = listen(f"{port.link}@19200", "--seconds", "0.5")
    head, *lines = done.stdout.splitlines()
    assert (done.returncode, done.stderr) == (0, "")
    assert head.startswith(f"listening on {port.link} at 19200 baud")
    shown = {line.split(maxsplit=1)[1] for line in lines[1:]}
    assert shown == {"lambda=0.853 status=ok", r"\xff\x00?"}
    times = [float(line.split(maxsplit=1)[0]) for line in lines]
    assert times == sorted(times)
    assert port.read() == b""  # nothing was written to the wire


def test_a_program_gets_an_object_a_line(port: SerialPty) -> None:
    with repeating(lambda: port.write(b"lambda=0.853 status=ok\r\n")):
        done = listen(f"{port.link}@19200", "--seconds", "0.5", "--json")
    head, *lines = map(json.loads, done.stdout.splitlines())
    assert (done.returncode, done.stderr, head["at_s"]) == (0, "", None)
    assert {line["text"] for line in lines[1:]} == {"lambda=0.853 status=ok"}
    assert [line["at_s"] for line in lines] == sorted(line["at_s"] for line in lines)


def test_a_quiet_port_is_said_to_be_quiet(port: SerialPty) -> None:
    done = listen(str(port.link), "--seconds", "0.2")
    assert done.returncode == 0
    assert done.stdout.splitlines()[0].startswith(f"listening on {port.link} at 9600 baud")
    assert done.stdout.splitlines()[1].endswith("(nothing)")


def test_voltages_are_shown_in_counts_and_in_millivolts(tree: VoltageTree) -> None:
    # sysfs-bus-iio: mV = raw * scale; 16 bit over 6.144 V: 12345 counts are 2314.6875 mV.
    tree.write(0, 2.3146875)
    done = listen(f"iio:{tree.device.parent}", "--seconds", "0.3")
    assert (done.returncode, done.stderr) == (0, "")
    assert "bench-converter voltage0: raw 12345 = 2314.7 mV" in done.stdout
    assert "bench-converter voltage1: raw 0 = 0.0 mV" in done.stdout


def test_a_channel_that_hangs_does_not_hang_the_listening(tree: VoltageTree) -> None:
    tree.block(1)
    done = listen(f"iio:{tree.device.parent}", "--seconds", "0.3")
    assert done.returncode == 0
    assert "voltage1: gives no number" in done.stdout
    assert "voltage0: raw 0 = 0.0 mV" in done.stdout


def test_a_bus_is_shown_and_nothing_is_sent_on_it(adapter: SlcanAdapter) -> None:
    # 1726 rpm by the published formula: (256 * 0x1A + 0xF8) / 4.
    answer = bytes.fromhex("04410C1AF8AAAAAA")
    with repeating(lambda: adapter.send(0x7E8, extended=False, data=answer)):
        done = listen(f"can:slcan:{adapter.port.link}@500000", "--seconds", "0.3")
    assert (done.returncode, done.stderr) == (0, "")
    assert "500000 bit/s, sending nothing" in done.stdout
    assert "7E8  04 41 0C 1A F8 AA AA AA" in done.stdout
    assert adapter.listen_only is True
    assert adapter.bitrate_code == "S6"  # 500 kbit/s in the adapter's own table
    assert list(adapter.sent_by_host) == []
    assert adapter.refused == 0
    assert adapter.open is False  # left as it was found


def test_an_extended_identifier_is_shown_whole(adapter: SlcanAdapter) -> None:
    with repeating(lambda: adapter.send(0x18DAF110, extended=True, data=b"\x01")):
        done = listen(f"can:slcan:{adapter.port.link}@250000", "--seconds", "0.3")
    assert "18DAF110  01" in done.stdout


def test_a_source_is_found_by_its_name_in_the_settings(port: SerialPty) -> None:
    config = str(config_folder() / "bench-van.toml")
    with repeating(lambda: port.write(b"lambda=0.853 status=ok\r\n")):
        done = listen("wideband", "--config", config, "--seconds", "0.4", CABCANARY_BENCH_WIDEBAND=str(port.link))
    assert done.returncode == 0
    assert f"listening on {port.link} at 9600 baud" in done.stdout
    assert "lambda=0.853 status=ok" in done.stdout


def test_a_port_that_is_unplugged_meanwhile_is_said_to_be(port: SerialPty) -> None:
    started = time.monotonic()

    def write_then_go() -> None:
        port.write(b"a=1\n")
        if time.monotonic() - started > 1.0:
            port.unplug()

    with repeating(write_then_go):
        done = listen(str(port.link), "--seconds", "30")
    assert done.returncode == 1
    assert str(port.link) in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["ttyUSB0"], "'ttyUSB0' names nothing to listen to; write a serial port"),
        (["/dev/ttyUSB0@fast"], "'fast' is no rate"),
        (["can:slcan:/dev/ttyACM0"], "is no bus; write a serial port"),
        (["can:500000"], "is no bus"),
        (["can:slcan@500000"], "is no bus"),
        (["nose", "--config", str(config_folder() / "bench-van.toml")], "there is no source 'nose'; there are: adc"),
        (["adc", "--config", "/nowhere/van.toml"], "/nowhere/van.toml"),
        (["/dev/null", "--seconds", "soon"], "invalid float value"),
        ([], "the following arguments are required: SOURCE"),
    ],
)
def test_a_mistake_in_the_command_is_answered_with_what_to_write(arguments: list[str], words: str) -> None:
    done = listen(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("{}/tty", "No such file or directory; is it plugged in, and may you open it?"),
        ("iio:{}/iio", "there is no IIO device under "),
        ("can:slcan:{}/can@500000", "cannot be opened"),
        ("can:no_such_adapter:x@500000", "cannot be opened"),
        ("can:slcan:{}/can@123", "cannot be opened"),
    ],
)
def test_a_device_that_is_not_there_is_named(tmp_path: Path, source: str, words: str) -> None:
    done = listen(source.format(tmp_path), "--seconds", "1")
    assert done.returncode == 1
    assert words in done.stderr
    assert "Traceback" not in done.stderr
