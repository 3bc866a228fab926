"""The kernel's trees: its own arithmetic, devices found by name, and what a converter does on a bad day."""

from __future__ import annotations

import errno
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cabcanary.clock import Clock
from cabcanary.model import Quality, Reading
from cabcanary.processes.status import Backoff, Status
from cabcanary.sources.kernel import hwmon, iio
from cabcanary.sources.kernel.hwmon import hwmon_reader
from cabcanary.sources.kernel.iio import iio_reader
from cabcanary.sources.kernel.kernel_settings import HwmonSource, IioSource
from cabcanary.sources.kernel.reader import TreeError, TreeReader
from cabcanary.sources.kind import Wanted
from cabcanary.sources.kinds import wire_of
from cabcanary.sources.slot import Slots

pytestmark = pytest.mark.waits


#: For a machine that is busy with other things.
LONGEST_S = 15.0


def until(condition: Callable[[], object], what: str) -> None:
    ends = time.monotonic() + LONGEST_S
    while not condition():
        assert time.monotonic() < ends, f"waited in vain for {what}"
        time.sleep(0.002)


def lay(device: Path, **files: object) -> Path:
    """A device's folder; a double underscore stands for a hyphen."""
    device.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (device / name.replace("__", "-")).write_text(f"{content}\n", encoding="utf-8")
    return device


class Bench:
    """A reader over a folder, and what it told."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock, self.slots = Clock(), Slots()
        self.told: list[tuple[bool, str]] = []
        self.status = Status("adc", lambda _name, ok, words: self.told.append((ok, words)))
        self.reader: TreeReader | None = None

    def iio(self, *items: str, device: str = "converter", hung_after: float = 0.15) -> None:
        spec = IioSource(kind="iio", device=device, folder=self.folder, rate_hz=500, hung_after=f"{hung_after} s")
        backoff = Backoff(0.001, 0.01)
        self.reader = iio_reader("adc", spec, items, self.clock, self.slots, self.status, backoff)
        self.reader.start()

    def hwmon(self, *items: str) -> None:
        spec = HwmonSource(kind="hwmon", device="chip", folder=self.folder, rate_hz=500)
        backoff = Backoff(0.001, 0.01)
        self.reader = hwmon_reader("adc", spec, items, self.clock, self.slots, self.status, backoff)
        self.reader.start()

    def reading(self, item: str) -> Reading | None:
        return self.slots.newest.get(("adc", item))

    def value(self, item: str) -> float | None:
        reading = self.reading(item)
        return None if reading is None else reading.value

    def shows(self, item: str, value: float) -> None:
        until(lambda: (v := self.value(item)) is not None and abs(v - value) < 1e-9, f"{item} to show {value}")

    def absent(self, item: str) -> Reading:
        until(lambda: (r := self.reading(item)) is not None and r.value is None, f"{item} to be absent")
        reading = self.reading(item)
        assert reading is not None
        return reading

    def release(self, fifo: Path) -> None:
        """Let a hung read go, for good: opened from both ends and empty, a FIFO gives nothing."""
        assert self.reader is not None
        self.reader.stop()
        before = threading.active_count()
        os.close(os.open(fifo, os.O_RDWR))
        until(lambda: threading.active_count() < before, "the hung read to end")

    def close(self) -> None:
        if self.reader is not None:
            self.reader.stop()
            assert self.reader.join(LONGEST_S)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.close()


# --- arithmetic: Documentation/ABI/testing/sysfs-bus-iio, (raw + offset) * scale ---------------------------------


@pytest.mark.parametrize(
    ("raw", "scale", "offset", "millivolts"),
    [
        (12345, "0.1875", 0, 2314.6875),  # 16 bit over ±6.144 V: 6144 / 32768 mV a step
        (-32768, "0.1875", 0, -6144.0),
        (2048, "0.8056640625", 0, 1650.0),  # 12 bit over 3.3 V: 3300 / 4096 mV a step
        (2048, "0.8056640625", -2048, 0.0),
        (0, "0.8056640625", -2048, -1650.0),
        (1, "1e3", 1, 2000.0),
    ],
)
def test_a_reading_is_raw_plus_offset_times_scale(
    bench: Bench, raw: int, scale: str, offset: int, millivolts: float
) -> None:
    lay(
        bench.folder / "iio:device0",
        name="converter", in_voltage0_raw=raw, in_voltage0_scale=scale, in_voltage0_offset=offset,
    )  # fmt: skip
    bench.iio("voltage0")
    bench.shows("voltage0", millivolts)


def test_a_channels_own_scale_and_offset_come_before_the_shared_ones(bench: Bench) -> None:
    lay(
        bench.folder / "iio:device0",
        name="converter",
        in_voltage_scale="0.5", in_voltage_offset=100,
        in_voltage0_raw=1000, in_voltage1_raw=1000, in_voltage1_scale="2", in_voltage1_offset=-10,
        in_temp_scale="125", in_temp0_raw=200,
    )  # fmt: skip
    bench.iio("voltage0", "voltage1", "temp0")
    bench.shows("voltage0", 550.0)
    bench.shows("voltage1", 1980.0)
    bench.shows("temp0", 25_000.0)  # milli-degree


def test_a_missing_scale_is_one_and_a_missing_offset_nothing(bench: Bench) -> None:
    lay(bench.folder / "iio:device0", name="converter", in_voltage0_raw=1234)
    bench.iio("voltage0")
    bench.shows("voltage0", 1234.0)


def test_a_processed_reading_is_taken_as_it_is(bench: Bench) -> None:
    lay(bench.folder / "iio:device0", name="converter", in_voltage0_input=2500, in_voltage_scale="0.1875")
    bench.iio("voltage0")
    bench.shows("voltage0", 2500.0)


def test_a_differential_input_goes_by_both_its_numbers(bench: Bench) -> None:
    lay(
        bench.folder / "iio:device0",
        name="converter", in_voltage0__voltage1_raw=-80, in_voltage__voltage_scale="0.0078125", in_voltage_scale="3",
    )  # fmt: skip
    bench.iio("voltage0-voltage1")
    bench.shows("voltage0-voltage1", -0.625)


#: What the kernel's Documentation/ABI/testing/sysfs-bus-iio and sysfs-class-hwmon say of each kind of channel.
IIO = IioSource(kind="iio", device="converter")
HWMON = HwmonSource(kind="hwmon", device="chip")


@pytest.mark.parametrize(
    ("source", "item", "unit"),
    [
        (IIO, "voltage0", "mV"),  # "units after application of scale and offset are millivolts"
        (IIO, "voltage0-voltage1", "mV"),
        (IIO, "current2", "mA"),  # "milliamps"
        (IIO, "power1", "mW"),  # "milliwatts"
        (IIO, "resistance0", "ohm"),  # "Ohms"
        (IIO, "temp1", "m°C"),  # "milli degrees Celsius"
        (IIO, "temp", "m°C"),
        (IIO, "pressure", "kPa"),  # "kilopascal"
        (IIO, "pressure0", "kPa"),
        (IIO, "humidityrelative", "m%"),  # "milli percent"
        (HWMON, "in0", "mV"),  # "Unit: millivolt"
        (HWMON, "temp1", "m°C"),  # "Unit: millidegree Celsius"
        (HWMON, "curr1", "mA"),  # "Unit: milliampere"
        (HWMON, "power1", "µW"),  # "Unit: microWatt"
        (HWMON, "energy1", "µJ"),  # "Unit: microJoule"
        (HWMON, "fan1", "rpm"),  # "Unit: revolution/min (RPM)"
        (HWMON, "humidity1", "m%"),  # "Unit: milli-percent (per cent mille, pcm)"
    ],
)
def test_each_kind_of_channel_comes_in_the_kernels_unit(source: IioSource | HwmonSource, item: str, unit: str) -> None:
    # No channel's own unit can change what the kernel gives.
    for wanted in ("V", "°C", unit):
        assert wire_of("it", source, Wanted(item, wanted))[0].symbol == unit


@pytest.mark.parametrize("item", ["voltage0", "in0"])
def test_only_a_voltage_is_a_converters_own(item: str) -> None:
    source = IIO if item == "voltage0" else HWMON
    assert wire_of("it", source, Wanted(item, "V"))[1] is True
    assert wire_of("it", source, Wanted("temp1", "°C"))[1] is False


def test_a_barometer_is_read_in_kilopascal(bench: Bench) -> None:
    # sysfs-bus-iio: (raw + offset) * scale in kilopascal; (21227 - 0.5) * 0.00477 = 101.250405 kPa.
    lay(
        bench.folder / "iio:device0",
        name="converter", in_pressure0_raw=21227, in_pressure0_scale="0.00477", in_pressure0_offset="-0.5",
    )  # fmt: skip
    bench.iio("pressure0")
    bench.shows("pressure0", 101.250405)


def test_a_label_is_read_as_the_channel_behind_it(bench: Bench) -> None:
    # sysfs-class-hwmon: tempN_label is "suggested temperature channel label", tempN_input is in millidegree Celsius.
    lay(bench.folder / "hwmon2", name="chip", temp2_label="Core 0", temp2_input=41_500, in2_label="Vcore", in2_input=1)
    assert hwmon.open_channel(bench.folder / "hwmon2", "Core 0", "m°C").read() == 41_500.0


def test_a_label_of_something_else_is_refused_by_name(tmp_path: Path) -> None:
    # Told as a temperature, a voltage of 3150 mV would be 3.15 °C.
    chip = lay(tmp_path / "hwmon2", name="chip", in2_label="Core 0", in2_input=3150)
    with pytest.raises(TreeError, match="'Core 0' is the label of in2, and the settings take it to be in m°C"):
        hwmon.open_channel(chip, "Core 0", "m°C")


def test_a_value_that_the_driver_has_scaled_may_have_decimals(bench: Bench) -> None:
    lay(bench.folder / "iio:device0", name="converter", in_pressure_input="101.325000000")
    bench.iio("pressure")
    bench.shows("pressure", 101.325)


# --- finding --------------------------------------------------------------------------------------------------------


def test_a_device_is_found_by_its_label_before_another_ones_name(tmp_path: Path) -> None:
    lay(tmp_path / "iio:device0", name="converter", in_voltage0_raw=1)
    labelled = lay(tmp_path / "iio:device1", name="adc", label="converter", in_voltage0_raw=2)
    assert iio.find_device(tmp_path, "converter") == labelled
    assert iio.find_device(tmp_path, "adc") == labelled


def test_a_device_that_is_not_there_is_named_beside_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(TreeError, match="it holds no device"):
        iio.find_device(tmp_path, "converter")
    lay(tmp_path / "iio:device0", name="imu")
    with pytest.raises(TreeError, match=r"no IIO device named 'converter' under .*; it holds imu"):
        iio.find_device(tmp_path, "converter")


def test_an_item_that_is_not_there_is_named_beside_those_that_are(tmp_path: Path) -> None:
    device = lay(tmp_path / "iio:device0", name="converter", in_voltage1_raw=1, in_voltage0_raw=1)
    with pytest.raises(TreeError, match="converter has no 'voltage7'; it has voltage0, voltage1"):
        iio.open_channel(device, "voltage7")


def test_a_device_that_comes_back_under_another_number_is_found_again(bench: Bench) -> None:
    for number, raw in ((0, 100), (3, 200), (1, 300)):
        device = lay(bench.folder / f"iio:device{number}", name="converter", in_voltage0_raw=raw)
        if bench.reader is None:
            bench.iio("voltage0")
        bench.shows("voltage0", raw)
        shutil.rmtree(device)
        bench.absent("voltage0")
    assert bench.status.losses >= 3


# --- a bad day ------------------------------------------------------------------------------------------------------


class Faults:
    """Reads of one file fail while an error is set; stands before `os.pread`."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, path: Path) -> None:
        self.error = 0
        self.failed = 0
        self._real, self._path = os.pread, path
        monkeypatch.setattr(os, "pread", self)

    def __call__(self, descriptor: int, length: int, offset: int) -> bytes:
        if self.error and Path(f"/proc/self/fd/{descriptor}").readlink() == self._path:
            self.failed += 1
            raise OSError(self.error, os.strerror(self.error))
        return self._real(descriptor, length, offset)


@pytest.mark.parametrize("code", [errno.EBUSY, errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.ENODATA])
def test_a_passing_error_costs_its_channel_while_it_lasts_and_no_other(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    device = lay(bench.folder / "iio:device0", name="converter", in_voltage0_raw=100, in_voltage1_raw=200)
    faults = Faults(monkeypatch, device / "in_voltage0_raw")
    bench.iio("voltage0", "voltage1")
    bench.shows("voltage0", 100)
    faults.error = code
    assert bench.absent("voltage0").reason == f"voltage0: {os.strerror(code)}"
    # Longer than after three failures in a row a device is held to be gone.
    until(lambda: faults.failed > 10, "more failures")
    (device / "in_voltage1_raw").write_text("201\n", encoding="ascii")
    bench.shows("voltage1", 201)
    faults.error = 0
    bench.shows("voltage0", 100)
    assert bench.status.counters["errors"] >= 10


def test_what_is_no_number_is_no_value(bench: Bench) -> None:
    device = lay(bench.folder / "iio:device0", name="converter", in_voltage0_raw=100, in_voltage1_raw=200)
    bench.iio("voltage0", "voltage1")
    bench.shows("voltage0", 100)
    for text in ("", "nan", "0x10", "1.5.2", "12 34", "<unsupported>"):
        (device / "in_voltage0_raw").write_text(text, encoding="ascii")
        assert bench.absent("voltage0").quality is Quality.ABSENT
        assert bench.value("voltage1") == 200
        (device / "in_voltage0_raw").write_text("101\n", encoding="ascii")
        bench.shows("voltage0", 101)


def test_a_read_that_hangs_costs_its_own_channel_and_is_named(bench: Bench) -> None:
    device = lay(bench.folder / "iio:device0", name="converter", in_voltage0_raw=100, in_voltage2_raw=300)
    os.mkfifo(device / "in_voltage1_raw")
    bench.iio("voltage0", "voltage1", "voltage2", hung_after=0.05)
    # voltage2 comes after the one that hangs.
    bench.shows("voltage2", 300)
    for n in range(5):
        (device / "in_voltage0_raw").write_text(f"{n}\n", encoding="ascii")
        (device / "in_voltage2_raw").write_text(f"{n + 50}\n", encoding="ascii")
        bench.shows("voltage0", n)
        bench.shows("voltage2", n + 50)
    assert bench.value("voltage1") is None
    assert (False, "voltage1 does not answer; the other channels go on") in bench.told
    bench.release(device / "in_voltage1_raw")


def test_a_hung_read_keeps_one_thread_and_the_channels_behind_it_get_one_other(bench: Bench) -> None:
    device = lay(bench.folder / "iio:device0", name="converter", in_voltage0_raw=100)
    os.mkfifo(device / "in_voltage1_raw")
    before, began = threading.active_count(), time.monotonic()
    bench.iio("voltage1", "voltage0", hung_after=0.05)
    bench.shows("voltage0", 100)
    print(f"\n  the channel behind a hung one came after {time.monotonic() - began:.3f} s; hung_after 0.05 s")
    time.sleep(0.3)  # several looks of the watcher: it must not go on making threads
    assert threading.active_count() == before + 3  # the watcher, and two that read
    bench.release(device / "in_voltage1_raw")


# --- hwmon: Documentation/ABI/testing/sysfs-class-hwmon -------------------------------------------------------------


def test_hwmon_gives_millivolt_and_milli_degree_by_number_or_label(bench: Bench) -> None:
    lay(
        bench.folder / "hwmon3",
        name="chip", in0_input=1650, temp1_input=38_500, in1_input=12_000, in1_label="battery", curr1_input=-250,
    )  # fmt: skip
    bench.hwmon("in0", "temp1", "battery", "curr1")
    bench.shows("in0", 1650.0)
    bench.shows("temp1", 38_500.0)
    bench.shows("battery", 12_000.0)
    bench.shows("curr1", -250.0)


def test_a_chip_or_a_label_that_is_not_there_is_named_beside_those_that_are(tmp_path: Path) -> None:
    chip = lay(tmp_path / "hwmon0", name="chip", in1_input=1, in1_label="battery", temp1_input=2)
    with pytest.raises(TreeError, match=r"no hwmon chip named 'other' under .*; it holds chip"):
        hwmon.find_chip(tmp_path, "other")
    with pytest.raises(TreeError, match="chip has no 'feed'; it has in1, battery, temp1"):
        hwmon.open_channel(chip, "feed")


def test_a_channel_that_is_switched_off_costs_only_itself(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    chip = lay(bench.folder / "hwmon0", name="chip", in0_input=1650, in1_input=5)
    faults = Faults(monkeypatch, chip / "in1_input")
    faults.error = errno.ENODATA
    bench.hwmon("in0", "in1")
    bench.shows("in0", 1650.0)
    assert bench.absent("in1").reason == f"in1: {os.strerror(errno.ENODATA)}"
    until(lambda: faults.failed > 10, "more failures")
    assert bench.value("in0") == 1650.0
