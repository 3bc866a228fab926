"""Every source passes the same contract, each on its own kind of wire."""

from __future__ import annotations

import asyncio
import os
import random
import struct
from abc import abstractmethod
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory
from source_contract import Running, SilenceContract, SourceContract, Wire, until

from cabcanary.sources.can.bus import CanBus
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.gpio.gpio_settings import GpioSource
from cabcanary.sources.gpio.inputs import GpioInputs
from cabcanary.sources.host.computer import HostReader, machine_readers
from cabcanary.sources.host.host_settings import HostSource
from cabcanary.sources.kernel.hwmon import hwmon_reader
from cabcanary.sources.kernel.iio import iio_reader
from cabcanary.sources.kernel.kernel_settings import HwmonSource, IioSource
from cabcanary.sources.one_wire.one_wire_settings import OneWireSource
from cabcanary.sources.one_wire.thermometers import Thermometers
from cabcanary.sources.serial.binary_frame import FrameParser, checksum
from cabcanary.sources.serial.gps_time import RmcParser
from cabcanary.sources.serial.port import SerialReader
from cabcanary.sources.serial.serial_settings import GpsTimeSource, SerialBinarySource, SerialTextSource
from cabcanary.sources.serial.text_line import LineParser
from cabcanary_bench.wiring.gps import rmc
from cabcanary_bench.wiring.serial_pty import SerialPty
from cabcanary_bench.wiring.slcan import SlcanAdapter

pytestmark = pytest.mark.waits


def start(wire: Wire, work) -> None:
    wire.task = asyncio.get_running_loop().create_task(work)


class SerialWire(Wire):
    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.link = folder / "tty"
        self.pty: SerialPty | None = None
        self.noise = random.Random(5)

    def plug(self) -> None:
        if self.pty is None:
            self.pty = SerialPty(self.link)
        else:
            self.pty.replug()

    def unplug(self) -> None:
        assert self.pty is not None
        self.pty.unplug()

    def close(self) -> None:
        if self.pty is not None:
            self.pty.close()

    def write(self, data: bytes) -> None:
        assert self.pty is not None
        self.pty.write(data)


class TextWire(SerialWire):
    def send(self, value: float) -> None:
        self.write(b"it=%.3f status=ok\r\n" % value)

    def send_truncated(self) -> None:
        self.write(b"it=7\r\nit\r\n=3.0 sta\r\n"[4:])

    def send_garbage(self) -> None:
        self.write(bytes(self.noise.randrange(128, 256) for _ in range(100)) + b"\r\n")

    def start_source(self) -> None:
        spec = SerialTextSource(kind="serial_text", port=str(self.link))
        parser = LineParser("wire", spec)
        start(self, SerialReader("wire", spec, parser, ["it"], self.clock, self.slots, self.status).run())


class GpsWire(SerialWire):
    """The time that is told is `value` seconds after the middle of 2026."""

    item, origin = "utc", datetime(2026, 7, 1, tzinfo=UTC)
    tolerance = 0.011

    def shows(self, value: float) -> bool:
        return super().shows(self.origin.timestamp() + value)

    def sentence(self, value: float) -> bytes:
        return rmc(self.origin + timedelta(seconds=value))

    def send(self, value: float) -> None:
        self.write(self.sentence(value))

    def send_truncated(self) -> None:
        self.write(self.sentence(9.0)[:40] + b"\r\n")

    def send_garbage(self) -> None:
        self.write(self.noise.randbytes(100) + b"\r\n")

    def start_source(self) -> None:
        spec = GpsTimeSource(kind="gps_time", port=str(self.link))
        parser = RmcParser("wire")
        start(self, SerialReader("wire", spec, parser, ["utc"], self.clock, self.slots, self.status).run())


class BinaryWire(SerialWire):
    def frame(self, value: float) -> bytes:
        body = struct.pack(">H", round(value * 1000))
        crc, _ = checksum("CRC-16/MODBUS")
        return b"\xaa\x55" + body + struct.pack("<H", crc(body))

    def send(self, value: float) -> None:
        self.write(self.frame(value))

    def send_truncated(self) -> None:
        self.write(self.frame(9.0)[:4])

    def send_garbage(self) -> None:
        self.write(self.noise.randbytes(100))

    def start_source(self) -> None:
        spec = SerialBinarySource.model_validate(
            {
                "kind": "serial_binary",
                "port": str(self.link),
                "sync": "AA 55",
                "length": 6,
                "fields": {"it": {"at": 2, "type": "u16", "scale": 0.001}},
                "checksum": {"kind": "CRC-16/MODBUS", "at": -2, "first": 2, "byte_order": "little"},
            }
        )
        parser = FrameParser("wire", spec)
        start(self, SerialReader("wire", spec, parser, ["it"], self.clock, self.slots, self.status).run())


class TreeWire(Wire):
    """A folder that stands for a kernel tree; `file` is the one that is read."""

    good_value, tolerance = 1250.0, 0.01
    file: Path

    @abstractmethod
    def lay(self) -> None: ...

    def plug(self) -> None:
        self.file.parent.mkdir(parents=True, exist_ok=True)
        self.lay()
        self.put(b"0\n")

    def put(self, text: bytes) -> None:
        # In place and at one stroke, as a kernel file changes: never by renaming, never empty in between.
        descriptor = os.open(self.file, os.O_WRONLY | os.O_CREAT)
        if text:
            os.pwrite(descriptor, text.rstrip(b"\n").ljust(24) + b"\n", 0)
        else:
            os.ftruncate(descriptor, 0)
        os.close(descriptor)

    def send(self, value: float) -> None:
        self.put(b"%d\n" % round(value))

    def send_truncated(self) -> None:
        self.put(b"")

    def send_garbage(self) -> None:
        self.put(b"\xff\xfenonsense\n")

    def unplug(self) -> None:
        for file in self.file.parent.iterdir():
            file.unlink()
        self.file.parent.rmdir()

    async def stop_source(self) -> None:
        self.reader.stop()
        await until(lambda: self.reader.join(0), "the reader's threads")


class IioWire(TreeWire):
    item = "voltage3"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.file = folder / "iio:device5" / "in_voltage3_raw"

    def lay(self) -> None:
        (self.file.parent / "name").write_text("converter\n")

    def start_source(self) -> None:
        spec = IioSource(kind="iio", device="converter", folder=self.folder, rate_hz=200)
        self.reader = iio_reader("wire", spec, ["voltage3"], self.clock, self.slots, self.status)
        self.reader.start()


class HwmonWire(TreeWire):
    item = "in2"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.file = folder / "hwmon4" / "in2_input"

    def lay(self) -> None:
        (self.file.parent / "name").write_text("chip\n")

    def start_source(self) -> None:
        spec = HwmonSource(kind="hwmon", device="chip", folder=self.folder, rate_hz=200)
        self.reader = hwmon_reader("wire", spec, ["in2"], self.clock, self.slots, self.status)
        self.reader.start()


class HostWire(TreeWire):
    """The computer's own temperature: the kernel's file, or one that stands in for it."""

    item, good_value = "board_temperature", 41.0
    stand_in: Path | None = None

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.file = folder / "class" / "thermal" / "thermal_zone0" / "temp"

    def lay(self) -> None:
        (self.file.parent / "type").write_text("cpu-thermal\n")

    def send(self, value: float) -> None:
        self.put(b"%d\n" % round(value * 1000))  # the kernel's unit is m°C

    def start_source(self) -> None:
        spec = HostSource(kind="host", rate_hz=10, folder=self.stand_in)
        readers = machine_readers(self.folder, None, self.clock, system=self.folder)
        self.reader = HostReader("wire", spec, [self.item], self.clock, self.slots, self.status, readers)
        self.reader.start()


class StandInWire(HostWire):
    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.stand_in = folder / "host"
        self.file = self.stand_in / "board_temperature"

    def lay(self) -> None:
        pass

    def send(self, value: float) -> None:
        self.put(b"%.1f\n" % value)


class OneWireWire(TreeWire):
    """A thermometer's folder; what is sent is in m°C, as the kernel's driver gives it."""

    item, number = "oil", "28-0123456789ab"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.file = folder / self.number / "temperature"

    def lay(self) -> None:
        (self.file.parent / "name").write_text(f"{self.number}\n")

    def start_source(self) -> None:
        spec = OneWireSource(kind="one_wire", thermometers={self.item: self.number}, folder=self.folder, rate_hz=10)
        self.reader = Thermometers("wire", spec, [self.item], self.clock, self.slots, self.status)
        self.reader.start()


class CanWire(Wire):
    good_value, tolerance = 1.25, 0.001

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.link = folder / "tty-can"
        self.adapter: SlcanAdapter | None = None
        self.noise = random.Random(5)

    def plug(self) -> None:
        if self.adapter is None:
            self.adapter = SlcanAdapter(self.link)
        else:
            self.adapter.replug()

    def unplug(self) -> None:
        assert self.adapter is not None
        self.adapter.unplug()

    def close(self) -> None:
        if self.adapter is not None:
            self.adapter.close()

    def send(self, value: float) -> None:
        assert self.adapter is not None
        self.adapter.send(0x123, False, struct.pack(">H", round(value * 1000)) + bytes(6))

    def send_truncated(self) -> None:
        assert self.adapter is not None
        self.adapter.port.write(b"t12381F\r")

    def send_garbage(self) -> None:
        assert self.adapter is not None
        self.adapter.port.write(b"x" + self.noise.randbytes(2).hex().encode() + b"\r")

    def start_source(self) -> None:
        spec = CanSource.model_validate(
            {
                "kind": "can",
                "interface": "slcan",
                "channel": str(self.link),
                "signals": {
                    "it": {"id": 0x123, "start": 7, "length": 16, "byte_order": "big", "scale": 0.001},
                },
            }
        )
        start(self, CanBus("wire", spec, self.clock, self.slots, self.status).run())


class TestSerialText(SourceContract, SilenceContract):
    @pytest.fixture
    def wire(self, tmp_path: Path):
        wire = TextWire(tmp_path)
        yield wire
        wire.close()


class TestSerialBinary(SourceContract, SilenceContract):
    @pytest.fixture
    def wire(self, tmp_path: Path):
        wire = BinaryWire(tmp_path)
        yield wire
        wire.close()


class TestGpsTime(SourceContract, SilenceContract):
    @pytest.fixture
    def wire(self, tmp_path):
        wire = GpsWire(tmp_path)
        yield wire
        wire.close()


class TestIio(SourceContract):
    @pytest.fixture
    def wire(self, tmp_path: Path):
        return IioWire(tmp_path)


async def test_a_channel_without_numbers_is_told_of_once_and_once_more_when_it_has_them(tmp_path: Path) -> None:
    wire = IioWire(tmp_path)
    wire.plug()
    wire.start_source()
    await wire.keep_sending(wire.good_value)
    wire.send_garbage()
    await until(wire.is_absent, "the garbage to be seen")
    for _ in range(20):
        wire.send_garbage()
        await asyncio.sleep(0.01)
    await wire.keep_sending(wire.good_value)
    assert [ok for ok, _ in wire.told] == [True, False, True]
    await wire.stop_source()


class TestHwmon(SourceContract):
    @pytest.fixture
    def wire(self, tmp_path: Path):
        return HwmonWire(tmp_path)


class TestOneWire(SourceContract):
    @pytest.fixture
    def wire(self, tmp_path: Path):
        return OneWireWire(tmp_path)


async def test_the_power_on_value_of_a_thermometer_is_no_reading_unless_it_was_near_before(tmp_path: Path) -> None:
    # The chip's data sheet: 85 °C (85000 m°C) stands in its memory after power-on, until a first conversion.
    wire = OneWireWire(tmp_path)
    wire.plug()
    wire.send(85_000)
    wire.start_source()
    await until(wire.is_absent, "the power-on value to be refused")
    await wire.keep_sending(84_500)
    await wire.keep_sending(85_000)
    await wire.keep_sending(60_000)
    wire.send(85_000)
    await until(wire.is_absent, "the power-on value to be refused")
    assert wire.told[-1] == (False, "oil: gave 85 °C, which it shows when it has just got its supply")
    await wire.stop_source()


async def test_a_thermometer_that_hangs_or_is_missing_costs_no_other(tmp_path: Path) -> None:
    wire = OneWireWire(tmp_path)
    wire.plug()
    hung = tmp_path / "28-0000000000aa"
    hung.mkdir()
    os.mkfifo(hung / "temperature")
    ids = {"hung": hung.name, "gone": "28-0000000000bb", "oil": wire.number}
    spec = OneWireSource(kind="one_wire", thermometers=ids, folder=tmp_path, rate_hz=10, hung_after="0.1 s")
    wire.reader = Thermometers("wire", spec, list(ids), wire.clock, wire.slots, wire.status)
    wire.reader.start()
    await wire.keep_sending(41_500)
    await until(lambda: "hung: does not answer" in wire.told[-1][1], "the hung one to be named")
    assert f"gone: {tmp_path}/28-0000000000bb/temperature: No such file or directory" in wire.told[-1][1]
    wire.reader.stop()
    os.close(os.open(hung / "temperature", os.O_RDWR | os.O_NONBLOCK))
    await until(lambda: wire.reader.join(0), "the watcher to end")


async def test_a_bus_that_comes_back_is_told_of_once_for_all_its_items(tmp_path: Path) -> None:
    bus, away = tmp_path / "bus", tmp_path / "away"
    ids = {"oil": OneWireWire.number, "intake": "28-0123456789ac"}
    for number in ids.values():
        (away / number).mkdir(parents=True)
        (away / number / "temperature").write_text("41500\n")
    wire = OneWireWire(bus)
    spec = OneWireSource(kind="one_wire", thermometers=ids, folder=bus, rate_hz=10)
    wire.reader = Thermometers("wire", spec, list(ids), wire.clock, wire.slots, wire.status)
    wire.reader.start()
    for _ in range(2):
        await until(lambda: wire.told and wire.told[-1][1].startswith("oil, intake: no 28-"), "the bus to be missed")
        told = len(wire.told)
        away.rename(bus)
        await until(lambda: wire.told[-1][0], "a word that all is well")
        assert wire.told[told:] == [(True, "reading oil, intake")]
        bus.rename(away)
    await wire.stop_source()


class TestHost(SourceContract):
    @pytest.fixture
    def wire(self, tmp_path: Path):
        return HostWire(tmp_path)


class TestHostStandIn(SourceContract):
    @pytest.fixture
    def wire(self, tmp_path: Path):
        return StandInWire(tmp_path)


class TestCan(SourceContract, SilenceContract):
    @pytest.fixture
    def wire(self, tmp_path: Path):
        wire = CanWire(tmp_path)
        yield wire
        wire.close()


# --- pins: they cannot be cut short or garbled, so they have a contract of their own -----------------------------


@pytest.fixture
def pins():
    before = Device.pin_factory
    Device.pin_factory = MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


class PinWire(Running):
    item = "ignition"

    def start_source(self, **more: object) -> None:
        spec = GpioSource.model_validate(
            {"kind": "gpio", "pins": {"ignition": {"pin": 17, "pull": "down", "debounce": "30 ms", **more}}}
        )
        self.presses: list[str] = []
        source = GpioInputs("wire", spec, self.clock, self.slots, self.status, self.presses.append)
        start(self, source.run())


async def test_a_pin_is_read_from_the_start_and_followed(pins, tmp_path: Path) -> None:
    wire = PinWire(tmp_path)
    wire.start_source()
    await until(lambda: wire.shows(0.0), "the pin to be read")
    pins.pin(17).drive_high()
    await until(lambda: wire.shows(1.0), "the pin to be seen on")
    pins.pin(17).drive_low()
    await until(lambda: wire.shows(0.0), "the pin to be seen off")
    assert wire.presses == ["ignition"]
    await wire.stop_source()


async def test_a_bouncing_contact_is_one_press(pins, tmp_path: Path) -> None:
    wire = PinWire(tmp_path)
    wire.start_source()
    await until(lambda: wire.shows(0.0), "the pin to be read")
    for _ in range(6):
        pins.pin(17).drive_high()
        pins.pin(17).drive_low()
    pins.pin(17).drive_high()
    await until(lambda: wire.shows(1.0), "the press to be seen")
    assert wire.presses == ["ignition"]
    await wire.stop_source()


async def test_a_pin_that_is_pulled_up_can_be_on_when_it_is_low(pins, tmp_path: Path) -> None:
    wire = PinWire(tmp_path)
    wire.start_source(pull="up", active="low")
    await until(lambda: wire.shows(0.0), "the pin to be read")
    pins.pin(17).drive_low()
    await until(lambda: wire.shows(1.0), "the pin to be seen on")
    await wire.stop_source()


async def test_pins_that_do_not_exist_are_told_of(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("cabcanary.sources.gpio.inputs._open", _no_pins)
    wire = PinWire(tmp_path)
    wire.start_source()
    await until(wire.is_absent, "the reading to say so")
    assert wire.told[-1] == (False, "the pins cannot be read: no pins here")
    await wire.stop_source()


def _no_pins(_spec: object) -> None:
    raise OSError("no pins here")
