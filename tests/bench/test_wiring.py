"""The transports behave as the real ones do, at their edges too."""

from __future__ import annotations

import errno
import json
import os
import re
import select
import stat
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

import can
import isotp
import pytest

from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.rig.wired_van import BenchVan
from cabcanary_bench.van.vehicle import DriverInput, Truth, Vehicle
from cabcanary_bench.wiring.gpio import PINS_VARIABLE, RecordingFactory, read_changes
from cabcanary_bench.wiring.obd import VIN, ObdResponder, separation_s, support_bitmap, van_pids
from cabcanary_bench.wiring.serial_pty import SerialPty
from cabcanary_bench.wiring.slcan import HostFrame, SlcanAdapter, format_frame, parse_frame
from cabcanary_bench.wiring.voltage_tree import VoltageTree

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.in_time


ROOT = Path(__file__).parents[2]


def read_some(descriptor: int, at_least: int = 1, patience_s: float = 2.0) -> bytes:
    data = b""
    end = time.monotonic() + patience_s
    while len(data) < at_least and time.monotonic() < end:
        if select.select([descriptor], [], [], 0.05)[0]:
            data += os.read(descriptor, 4096)
    return data


# --- voltages ----------------------------------------------------------------------------------------


def test_voltages_read_as_the_kernel_gives_them(tmp_path: Path) -> None:
    tree = VoltageTree(tmp_path, "adc", [0, 3])
    # sysfs-bus-iio: mV = raw * scale; 16 bit over 6.144 V: 12345 counts are 2314.6875 mV.
    tree.write(0, 2.3146875)
    device = tmp_path / "iio:device0"
    assert (device / "name").read_text() == "adc\n"
    assert int((device / "in_voltage0_raw").read_text().strip()) == 12_345
    assert float((device / "in_voltage_scale").read_text()) == 0.1875
    assert sorted(p.name for p in device.glob("*_raw")) == ["in_voltage0_raw", "in_voltage3_raw"]
    tree.close()
    tree.close()


def test_a_kept_descriptor_sees_new_values_in_whole_numbers(tmp_path: Path) -> None:
    tree = VoltageTree(tmp_path, "adc", [0])
    path = tree.path(0)
    inode, kept = path.stat().st_ino, os.open(path, os.O_RDONLY)
    for volts, counts in ((6.0, 32_000), (0.001, 5), (99.0, 32_767), (-1.0, 0)):
        tree.write(0, volts)
        assert int(os.pread(kept, 64, 0).strip()) == counts
    assert path.stat().st_ino == inode
    os.close(kept)
    tree.close()


def test_a_channel_can_hang_vanish_and_return(tmp_path: Path) -> None:
    tree = VoltageTree(tmp_path, "adc", [0, 1])
    tree.block(0)
    assert stat.S_ISFIFO(tree.path(0).stat().st_mode)
    tree.write(0, 1.0)
    tree.remove(1)
    assert not tree.path(1).exists()
    tree.restore(0)
    tree.restore(1)
    tree.write(1, 0.1875)
    assert int(tree.path(1).read_text()) == 1000
    tree.close()


# --- serial ------------------------------------------------------------------------------------------


@pytest.fixture
def port(tmp_path: Path) -> Iterator[SerialPty]:
    made = SerialPty(tmp_path / "tty")
    yield made
    made.close()


def test_bytes_pass_unchanged_both_ways(port: SerialPty) -> None:
    host = os.open(port.link, os.O_RDWR | os.O_NOCTTY)
    payload = bytes(range(256))
    assert port.write(payload) == 256
    assert read_some(host, 256) == payload
    os.write(host, payload)
    assert select.select([port.fileno()], [], [], 2.0)[0]
    assert port.read() == payload
    assert port.read() == b""
    os.close(host)


def test_what_nobody_fetches_does_not_pile_up(port: SerialPty) -> None:
    line = b"lambda=0.853 status=ok\r\n"
    for _ in range(5000):
        port.write(line)
    # The kernel hands bytes over when it likes, so the count is near the 120 kB that nobody fetched and not exact.
    assert port.dropped > 60_000
    # A device goes on sending; the kernel holds up to 64 kB back and hands them over 4 kB at a time.
    for _ in range(200):
        time.sleep(0.005)
        port.write(line)
    host = os.open(port.link, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    assert len(read_some(host, 4000, patience_s=0.2)) <= port.backlog + 8 * len(line)
    os.close(host)


def test_unplugging_ends_the_reader_s_file_and_replugging_brings_a_new_one(port: SerialPty) -> None:
    host = os.open(port.link, os.O_RDONLY | os.O_NOCTTY)
    port.unplug()
    port.unplug()
    try:
        end, failure = os.read(host, 10), errno.EIO
    except OSError as error:
        end, failure = b"", error.errno or 0
    assert (end, failure) == (b"", errno.EIO)
    os.close(host)
    assert not port.link.is_symlink()
    assert (port.write(b"x"), port.read(), port.plugged) == (0, b"", False)
    port.replug()
    again = os.open(port.link, os.O_RDONLY | os.O_NOCTTY)
    port.write(b"back")
    assert read_some(again, 4) == b"back"
    os.close(again)


# --- CAN adapter -------------------------------------------------------------------------------------


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[SlcanAdapter]:
    made = SlcanAdapter(tmp_path / "tty-can")
    yield made
    made.close()


def ask(adapter: SlcanAdapter, sent: bytes, answer: bytes) -> None:
    host = os.open(adapter.port.link, os.O_RDWR | os.O_NOCTTY)
    os.write(host, sent)
    assert read_some(host, len(answer)) == answer
    os.close(host)


def test_the_handshake_of_python_can_is_accepted(adapter: SlcanAdapter) -> None:
    # The bytes that python-can 4.6.1 sends for bitrate=500000, an empty line among them.
    ask(adapter, b"C\rS6\r\rO\rO\r", b"\r" * 5)
    assert (adapter.open, adapter.bitrate_code) == (True, "S6")


@pytest.mark.parametrize(
    ("sent", "answer"),
    [
        (b"V\r", b"V1013\r"),
        (b"t7DF802010C0000000000\r", b"\a"),  # the channel is closed
        (b"O\rt7DF802010C0000000000\r", b"\rz\r"),
        (b"O\rT18DB33F1302010C\r", b"\rZ\r"),
        (b"O\rr7DF8\r", b"\rz\r"),
        (b"L\rt7DF802010C0000000000\r", b"\r\a"),  # listen only
        (b"O\rS6\r", b"\r\a"),  # no change of rate while open
        (b"O\rt7DF9\r", b"\r\a"),
        (b"O\rt7DF20\r", b"\r\a"),
        (b"O\rtXYZ0\r", b"\r\a"),
        (b"nonsense\r", b"\a"),
        (b"x" * 33, b"\a"),
    ],
)
def test_commands_are_acknowledged_and_errors_refused(adapter: SlcanAdapter, sent: bytes, answer: bytes) -> None:
    ask(adapter, sent, answer)


def test_frames_are_written_and_read_alike() -> None:
    data = bytes.fromhex("04410C1AF8AAAAAA")
    assert format_frame(0x7E8, False, data) == b"t7E8804410C1AF8AAAAAA\r"
    assert parse_frame(b"t7E8804410C1AF8AAAAAA") == HostFrame(0x7E8, False, False, data)
    assert parse_frame(format_frame(0x18DAF110, True, data)[:-1]) == HostFrame(0x18DAF110, True, False, data)


def test_nothing_goes_to_a_closed_channel_and_replugging_starts_closed(adapter: SlcanAdapter) -> None:
    assert not adapter.send(0x7E8, False, b"\0")
    ask(adapter, b"O\r", b"\r")
    adapter.unplug()
    adapter.replug()
    assert not adapter.open
    ask(adapter, b"O\r", b"\r")
    assert adapter.send(0x123, False, b"\1\2")


# --- diagnostics -------------------------------------------------------------------------------------


def example_truth() -> Truth:
    from dataclasses import replace

    base = Vehicle().truth(DriverInput(True, False, 0.0))
    return replace(
        base, running=True, rpm=1726.0, speed_km_h=80.0, coolant_c=83.0, map_kpa=142.0, supply_v=14.0,
        charge_c=35.0, short_trim_percent=-12.5, long_trim_percent=12.5, throttle_percent=100.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("pid", "data"),
    # SAE J1979 formulas, bytes worked by hand: 0C is (256 A + B)/4, 05 is A - 40, 06 is (A - 128)/1.28, ...
    [
        (0x05, "7B"),
        (0x06, "70"),
        (0x07, "90"),
        (0x0B, "73"),
        (0x0C, "1AF8"),
        (0x0D, "50"),
        (0x0F, "4B"),
        (0x11, "FF"),
        (0x33, "65"),
        (0x42, "36B0"),
        (0x04, "FF"),
        (0x44, "8000"),
    ],
)
def test_values_are_encoded_by_the_published_formulas(pid: int, data: str) -> None:
    assert van_pids(example_truth)(pid) == bytes.fromhex(data)


def test_an_unknown_value_is_not_supported() -> None:
    assert van_pids(example_truth)(0x10) is None


def test_the_support_bitmap_names_what_is_there_and_that_more_follows() -> None:
    have = {0x01, 0x0C, 0x0D, 0x33}
    # First PID in the highest bit: 01 -> bit 31, 0C -> bit 20, 0D -> bit 19, "more" -> bit 0.
    assert support_bitmap(0x00, have.__contains__) == (1 << 31 | 1 << 20 | 1 << 19 | 1).to_bytes(4, "big")
    assert support_bitmap(0x20, have.__contains__) == (1 << (0x40 - 0x33)).to_bytes(4, "big")


def test_separation_times_are_decoded_as_the_standard_says() -> None:
    assert [separation_s(c) for c in (0, 0x7F, 0xF1, 0xF9, 0x80)] == [0.0, 0.127, 0.0001, 0.0009, 0.127]


@pytest.fixture
def bus(adapter: SlcanAdapter) -> Iterator[can.BusABC]:
    opened = can.Bus(interface="slcan", channel=str(adapter.port.link), bitrate=500_000, sleep_after_open=0.1)
    yield opened
    opened.shutdown()


@pytest.fixture
def responder(adapter: SlcanAdapter) -> ObdResponder:
    return ObdResponder(adapter, van_pids(example_truth))


def request(bus: can.BusABC, can_id: int, data: str) -> str | None:
    bus.send(can.Message(arbitration_id=can_id, is_extended_id=False, data=bytes.fromhex(data)))
    end = time.monotonic() + 0.3
    while time.monotonic() < end:
        message = bus.recv(0.05)
        if message is not None:
            assert message.arbitration_id == 0x7E8
            return message.data.hex().upper()
    return None


@pytest.mark.parametrize(
    ("can_id", "sent", "answer"),
    [
        (0x7DF, "02010C0000000000", "04410C1AF8AAAAAA"),
        (0x7E0, "02010D0000000000", "03410D50AAAAAAAA"),
        (0x7DF, "03010D0500000000", "05410D50057BAAAA"),
        (0x7DF, "0201100000000000", None),  # not supported: silence to a request to all
        (0x7E0, "0201100000000000", "037F0112AAAAAAAA"),
        (0x7DF, "0204000000000000", "037F0411AAAAAAAA"),  # clearing codes: refused
        (0x7E1, "02010C0000000000", None),  # another controller
    ],
)
def test_requests_are_answered_over_the_bus(
    bus: can.BusABC, responder: ObdResponder, can_id: int, sent: str, answer: str | None
) -> None:
    assert request(bus, can_id, sent) == answer
    assert responder.violations == ([bytes.fromhex("0400")] if sent.startswith("0204") else [])


def test_with_the_ignition_off_nothing_answers(bus: can.BusABC, responder: ObdResponder) -> None:
    responder.awake = False
    assert request(bus, 0x7DF, "02010C0000000000") is None


def test_the_bitmaps_lead_to_every_value(bus: can.BusABC, responder: ObdResponder) -> None:
    found: set[int] = set()
    base: int | None = 0
    while base is not None:
        answer = bytes.fromhex(request(bus, 0x7DF, f"0201{base:02X}0000000000") or "")
        bits = int.from_bytes(answer[3:7], "big")
        found |= {base + 1 + i for i in range(32) if bits >> 31 - i & 1}
        base = base + 0x20 if bits & 1 else None
    assert found - {0x20, 0x40} == {
        0x03,
        0x04,
        0x05,
        0x06,
        0x07,
        0x0B,
        0x0C,
        0x0D,
        0x0F,
        0x11,
        0x33,
        0x42,
        0x44,
    }


def iso_tp(bus: can.BusABC, payload: bytes, **settings: int) -> bytes:
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    stack = isotp.CanStack(bus, address=address, params={"tx_padding": 0, **settings})
    stack.start()
    try:
        stack.send(payload)
        answer = stack.recv(block=True, timeout=2.0)
    finally:
        stack.stop()
    assert answer is not None
    return bytes(answer)


@pytest.mark.parametrize("settings", [{}, {"blocksize": 1}, {"stmin": 5}])
def test_the_vin_comes_in_several_frames(bus: can.BusABC, responder: ObdResponder, settings: dict[str, int]) -> None:
    assert len(VIN) == 17
    assert iso_tp(bus, b"\x09\x02", **settings) == b"\x49\x02\x01" + VIN.encode()


def test_six_values_come_in_one_answer(bus: can.BusABC, responder: ObdResponder) -> None:
    answer = iso_tp(bus, bytes.fromhex("010C0D050B3342"))
    assert answer == bytes.fromhex("410C1AF80D50057B0B7333654236B0")


def test_the_adapter_remembers_what_the_host_sent(
    adapter: SlcanAdapter, bus: can.BusABC, responder: ObdResponder
) -> None:
    request(bus, 0x7DF, "02010C0000000000")
    assert [f.data[:3].hex() for f in adapter.sent_by_host] == ["02010c"]


# --- pins --------------------------------------------------------------------------------------------


def test_every_change_of_a_pin_is_written_down(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from gpiozero import LED, PWMOutputDevice

    record = tmp_path / "pins.jsonl"
    monkeypatch.setenv(PINS_VARIABLE, str(record))
    factory = RecordingFactory()
    buzzer = PWMOutputDevice(18, frequency=2000, pin_factory=factory)
    buzzer.value = 0.5
    buzzer.value = 0.5
    buzzer.frequency = 1000
    buzzer.value = 0
    lamp = LED(17, pin_factory=factory)
    lamp.on()
    changes = read_changes(record)
    assert [(c["pin"], c["state"], c["frequency"]) for c in changes] == [
        ("GPIO18", 0.0, 2000),
        ("GPIO18", 0.5, 2000),
        ("GPIO18", 0.5, 1000),
        ("GPIO18", 0.0, 1000),
        ("GPIO17", 1.0, None),
    ]
    assert [c["t"] for c in changes] == sorted(c["t"] for c in changes)
    assert list(factory.changes) == changes
    buzzer.close()
    lamp.close()
    factory.close()


def test_the_pins_load_by_their_declared_name(tmp_path: Path) -> None:
    # In a process of its own: the pin library keeps one factory per process. The package's metadata is
    # written beside it, so that this holds in a plain checkout too.
    group = "gpiozero_pin_factories"
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["entry-points"][group]
    info = tmp_path / "cabcanary_entry_points-0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: cabcanary-entry-points\nVersion: 0\n")
    (info / "entry_points.txt").write_text(f"[{group}]\n" + "".join(f"{k} = {v}\n" for k, v in declared.items()))
    record = tmp_path / "pins.jsonl"
    program = "from gpiozero import PWMOutputDevice as P; p = P(18, frequency=2000); p.value = 0.5"
    environment = {
        **os.environ,
        "GPIOZERO_PIN_FACTORY": "cabcanary-bench",
        PINS_VARIABLE: str(record),
        "PYTHONPATH": os.pathsep.join([str(tmp_path), str(ROOT / "simulators")]),
    }
    subprocess.run([sys.executable, "-c", program], env=environment, check=True, timeout=30)
    assert (18, 0.5) in [(int(re.sub(r"\D", "", c["pin"])), c["state"]) for c in read_changes(record)]
    assert json.loads(record.read_text().splitlines()[-1])["state"] == 0.0  # closed at exit


# --- all together ------------------------------------------------------------------------------------


def test_the_van_speaks_on_every_wire(tmp_path: Path) -> None:
    van = BenchVan(tmp_path / "bench", FIRST_DRIVE)
    folder = tmp_path / "bench"
    host = os.open(folder / "tty-wideband", os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    for n in range(100):
        van.step(n * 0.01)
    heard = read_some(host, 50 * 27)
    assert heard == b"lambda=--- status=heating\r\n" * 50
    device = folder / "iio" / "iio:device0"
    volts = [int((device / f"in_voltage{c}_raw").read_text()) * 0.1875e-3 for c in (0, 1, 2)]
    # Key on, engine off: 101.3 kPa is 1.91 V, 12.35 V through 4.0 is 3.09 V, 20 °C is 4.17 V.
    assert volts == pytest.approx([1.914, 3.09, 4.171], abs=0.02)
    assert len(van.outputs) == 100
    assert van.outputs[-1].phase == "key on"
    os.close(host)
    van.close()
    van.close()
