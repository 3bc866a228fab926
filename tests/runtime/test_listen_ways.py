"""`listen` on the wires that are no text: a chip's tree, pins, bytes."""

from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from cabcanary.cli.listening import listen, parse_wire, wire_of_source
from cabcanary.settings.load import settings_from_text
from cabcanary.sources.listening import ListenError, Wire
from cabcanary_bench.wiring.host_files import HostFiles
from cabcanary_bench.wiring.serial_pty import SerialPty

pytestmark = pytest.mark.waits


@pytest.mark.parametrize(
    ("written", "wire"),
    [
        ("iio", Wire("iio", "/sys/bus/iio/devices")),
        ("hwmon", Wire("hwmon", "/sys/class/hwmon")),
        ("hwmon:/tmp/tree", Wire("hwmon", "/tmp/tree")),
        ("gpio:17", Wire("gpio", "17")),
        ("host", Wire("host", "")),
        ("host:/tmp/stand-in", Wire("host", "/tmp/stand-in")),
        ("/dev/ttyUSB0", Wire("serial", "/dev/ttyUSB0", 9600)),
        ("/dev/ttyUSB0@115200", Wire("serial", "/dev/ttyUSB0", 115200)),
        ("bytes:/dev/ttyUSB0@115200", Wire("bytes", "/dev/ttyUSB0", 115200)),
        ("can:slcan:/dev/ttyACM0@500000", Wire("can", "/dev/ttyACM0", 500000, "slcan")),
    ],
)
def test_each_way_to_write_a_wire(written: str, wire: Wire) -> None:
    assert parse_wire(written) == wire


@pytest.mark.parametrize("written", ["ttyUSB0", "can:slcan", "can:slcan:/dev/ttyACM0", "/dev/ttyUSB0@fast", ""])
def test_what_names_no_wire_is_answered_with_how_to_write_one(written: str) -> None:
    with pytest.raises(ListenError, match="write a serial port"):
        parse_wire(written)


def test_a_chips_channels_are_shown_in_the_kernels_unit(tmp_path: Path) -> None:
    chip = tmp_path / "hwmon3"
    chip.mkdir()
    (chip / "name").write_text("chip\n")
    (chip / "in0_input").write_text("3150\n")
    (chip / "temp1_input").write_text("41500\n")
    lines = list(listen(Wire("hwmon", str(tmp_path)), 0.01))
    assert any(line.endswith("chip in0: 3150 mV") for line in lines)
    assert any(line.endswith("chip temp1: 41500 m°C") for line in lines)


def test_this_computer_is_shown_item_by_item(tmp_path: Path) -> None:
    host = HostFiles(tmp_path / "host")
    host.write("board_temperature", 51.25)
    lines = [line[10:] for line in listen(Wire("host", str(host.folder)), 0.6)]
    for told in (
        "clock_set: 1",
        "recording: only a running daemon knows",
        "board_temperature: 51.25 °C",
        "under_voltage: 0",
        "late_ticks: only a running daemon knows",
        "write_latency: only a running daemon knows",
        "card_read_only: 0",
        "free_space: 80 %",
    ):
        assert told in lines


def test_bytes_are_shown_as_bytes(tmp_path: Path) -> None:
    port = SerialPty(tmp_path / "tty")
    try:
        shown = listen(Wire("bytes", str(port.link), 9600), 5.0)
        next(shown)
        port.write(b"\xaa\x55\x03")
        assert next(shown).endswith("AA 55 03")
        shown.close()
    finally:
        port.close()


def test_a_pin_is_shown_when_it_changes() -> None:
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    try:
        Device.pin_factory.pin(17).drive_low()
        shown = listen(Wire("gpio", "17"), 5.0)
        assert next(shown).endswith("pin 17: low")
        Device.pin_factory.pin(17).drive_high()
        assert next(shown).endswith("pin 17: high")
        shown.close()
    finally:
        Device.pin_factory.reset()
        Device.pin_factory = before


SETTINGS = """
[vehicle]
name = "van"
stage = "sensors only"
[sources.chip]
kind = "hwmon"
device = "chip"
[sources.box]
kind = "serial_binary"
port = "/dev/ttyUSB1"
baud = 115200
sync = "AA 55"
length = 6
fields.it = { at = 2, type = "u16" }
[sources.switches]
kind = "gpio"
pins.ignition = { pin = 22 }
pins.button = { pin = 27 }
[channels.running]
derive = "engine_running"
"""


@pytest.mark.parametrize(
    ("name", "wire"),
    [
        ("chip", Wire("hwmon", "/sys/class/hwmon")),
        ("box", Wire("bytes", "/dev/ttyUSB1", 115200)),
        ("switches", Wire("gpio", "22,27")),
    ],
)
def test_a_source_is_listened_to_by_its_name(name: str, wire: Wire) -> None:
    assert wire_of_source(settings_from_text(SETTINGS, Path("van.toml")).model, name) == wire
