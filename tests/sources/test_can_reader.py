"""The CAN reader process, run for real against a small adapter and vehicle behind a pseudo terminal."""

import contextlib
import json
import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
import tty

import can
import pytest
from can_process import CanReader, status, value

from cabcanary.clock import NS_PER_S, Clock
from cabcanary.sources.can import link as can_link
from cabcanary.sources.can import obd_ecu
from cabcanary.sources.can.reader import Reader, Settings, SettingsError

pytestmark = pytest.mark.waits


S = NS_PER_S


# --- read-only ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("service", [0x02, 0x03, 0x04, 0x08, 0x09, 0x10, 0x11, 0x14, 0x22, 0x27, 0x2E, 0x31, 0x3E])
def test_no_other_service_can_be_requested_or_sent(service):
    bus = can.Bus(interface="virtual", channel=f"readonly-{service}", ignore_config=True)
    link = can_link.Link(bus, "virtual")
    try:
        ecu = obd_ecu.Ecu(link, Clock(), extended=False)
        with pytest.raises(can_link.ReadOnlyError):
            ecu._request(bytes((service, 0x0C)))
        with pytest.raises(can_link.ReadOnlyError):
            link.send(can.Message(arbitration_id=0x7DF, is_extended_id=False, data=[2, service, 0, 0, 0, 0, 0, 0]))
        with pytest.raises(can_link.ReadOnlyError):  # a first frame could carry anything
            link.send(can.Message(arbitration_id=0x7E0, is_extended_id=False, data=[0x10, 9, 1, 0, 0, 0, 0, 0]))
    finally:
        link.close()


@pytest.mark.parametrize(
    ("line", "named"),
    [
        ("not json", "unusable"),
        ("[]", "unusable"),
        ('{"interface":"slcan","channel":"x","bitrate":500000}', "items"),
        ('{"interface":"slcan","channel":"x","bitrate":500000,"items":{"rmp":1}}', "'rmp'"),
        ('{"interface":"slcan","channel":"x","bitrate":500000,"items":{"rpm":0}}', "0 Hz"),
        ('{"interface":"slcan","channel":"x","bitrate":500000,"items":{"rpm":NaN}}', "nan Hz"),
    ],
)
def test_settings_that_cannot_be_used_are_refused_with_what_is_wrong(line, named):
    with pytest.raises(SettingsError, match=named):
        Settings.parse(line)


# --- a vehicle behind an adapter ---------------------------------------------------------------------

BITMAP_00 = 0x08_1A_00_01  # 05, 0C, 0D, 0F and 20: bits from the left are PIDs 01 to 20
ANSWERS = {
    0x00: BITMAP_00.to_bytes(4, "big"),
    0x20: bytes.fromhex("00000001"),  # only 40
    0x40: bytes.fromhex("40000000"),  # only 42
    0x05: bytes.fromhex("7B"),
    0x0C: bytes.fromhex("1AF8"),
    0x0D: bytes.fromhex("50"),
    0x0F: bytes.fromhex("4B"),
    0x42: bytes.fromhex("36B0"),
}


class Vehicle:
    """An slcan adapter on a pseudo terminal with one control unit on it. `mode` is what goes wrong."""

    def __init__(self, path, *, extended=False):
        self._link, self.path, self.extended = path, str(path), extended
        self.mode = "well"
        self.lines: list[str] = []  # every line the adapter was given
        self.asked: list[int] = []
        self.pending_s = 0.0
        self._stop = threading.Event()
        self.plug()

    def plug(self):
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        with contextlib.suppress(FileNotFoundError):
            self._link.unlink()
        self._link.symlink_to(os.ttyname(self._slave))
        self._stop.clear()
        self._thread = threading.Thread(target=self._run, args=(self._master,), daemon=True)
        self._thread.start()

    def unplug(self):
        self._stop.set()
        self._thread.join(5)
        self._link.unlink()
        os.close(self._master)
        os.close(self._slave)

    def _run(self, master):
        buffer = b""
        while not self._stop.is_set():
            if self.mode == "flood":
                with contextlib.suppress(BlockingIOError):
                    os.set_blocking(master, False)
                    os.write(master, b"tZZZ\xff\xfe\rt7E8\rB8AA\r")
            if not select.select([master], [], [], 0.002)[0]:
                continue
            buffer += os.read(master, 4096)
            *lines, buffer = buffer.split(b"\r")
            for line in lines:
                self.lines.append(line.decode())
                self._handle(master, line.decode())

    def _handle(self, master, line):
        head, digits = ("T", 9) if self.extended else ("t", 4)
        if not line.startswith(head) or self.mode in ("silent", "flood"):
            return
        os.write(master, b"z\r")  # adapters acknowledge what they send
        data = bytes.fromhex(line[digits + 1 :])
        if data[0] >> 4 == 0:
            self.asked.append(data[2])
            self._answer(master, data[2])
        elif data[0] >> 4 == 3 and self.mode == "multi":
            self._frame(master, "2100000000000000")

    def _answer(self, master, pid):
        if self.mode == "multi" and pid == 0x0C:
            self._frame(master, "1009410C1AF80D50")  # longer than it needs to be: two frames, and two PIDs
            return
        if self.mode == "refuse" and pid == 0x0C:
            self._frame(master, "037F0122")
            return
        if self.mode == "pending" and pid == 0x0C:
            self._frame(master, "037F0178")
            self._stop.wait(self.pending_s)
        if self.mode == "garbage":
            os.write(master, b"t7E8\r\rtXYZ\rB8AA\rt7E80\rQ\r")
        if self.mode == "noise" and pid == 0x0D:
            os.write(master, b"\xff\xfe\r")
        if pid in ANSWERS:
            if not self.extended:  # another unit answers as well, with other numbers
                os.write(master, b"t7E9804410C0000000000\r")
            payload = bytes((0x41, pid)) + ANSWERS[pid]
            self._frame(master, f"{len(payload):02X}{payload.hex()}")

    def _frame(self, master, text):
        head = "T18DAF110" if self.extended else "t7E8"
        os.write(master, f"{head}8{text.upper():A<16}\r".encode())


@pytest.fixture
def vehicle(tmp_path):
    made = Vehicle(tmp_path / "adapter")
    yield made
    if not made._stop.is_set():
        made.unplug()


@pytest.fixture
def start(vehicle):
    helpers = []

    def begin(items, **options):
        helpers.append(CanReader(vehicle.path, items, extended=vehicle.extended, **options))
        return helpers[-1]

    yield begin
    for helper in helpers:
        helper.end()


def only_reads(lines):
    """Every frame given to the adapter is a single-frame `01 xx` or flow control; the rest open and close."""
    frames = [line for line in lines if line[:1] in set("tTrRdDbB")]
    for line in frames:
        assert line[0] in "tT", line
        digits = 4 if line[0] == "t" else 9
        assert line[1:digits] in ("7DF", "7E0", "18DB33F1", "18DA10F1")
        assert line[digits] == "8", line  # ISO 15765-4: always eight bytes
        data = bytes.fromhex(line[digits + 1 :])
        assert data[:2] == b"\x02\x01" or data[:3] == b"\x30\x00\x00", line
    assert {line for line in lines if line not in frames} <= {"C", "S6", "", "O", "L", "F"}
    return frames


def test_values_arrive_at_their_rates_with_the_clock_of_their_arrival(vehicle, start):
    helper = start({"rpm": 20.0, "speed": 5.0, "coolant_temperature": 1.0, "module_voltage": 2.0, "maf": 5.0})
    first = helper.wait_any(value("rpm"))
    assert helper.wait_any(status("open"))["text"].startswith("the engine computer 7E8 answers")
    deadline = time.monotonic() + 6
    while helper.values("rpm")[-1]["t"] - first["t"] < 2 * S and time.monotonic() < deadline:
        helper.wait(value("rpm"))
    span = (helper.values("rpm")[-1]["t"] - first["t"]) / S
    assert len(helper.values("rpm")) == pytest.approx(20 * span, rel=0.15)
    assert len(helper.values("speed")) == pytest.approx(5 * span, abs=3)
    # SAE J1979: 1AF8 / 4, 50h, 7B - 40, 36B0 / 1000.
    got = {said["i"]: said["v"] for said in helper.said if "v" in said}
    assert got == {"rpm": 1726.0, "speed": 80, "coolant_temperature": 83, "module_voltage": 14.0}
    assert abs(helper.wait(value("rpm"))["t"] - time.monotonic_ns()) < S
    lacking = [said for said in helper.said if said.get("i") == "maf"]
    assert [said["e"] for said in lacking] == ["not supported by this vehicle"]
    assert 0x10 not in vehicle.asked
    assert len(only_reads(vehicle.lines)) > 40


def test_a_clock_ten_times_as_fast_polls_ten_times_as_often(vehicle, start):
    helper = start({"rpm": 5.0}, speed=10.0)
    first = helper.wait_any(value("rpm"))
    assert abs(first["t"] - time.monotonic_ns() * 10) < 20 * S
    helper.wait_any(lambda said: value("rpm")(said) and said["t"] - first["t"] >= 30 * S)
    since = [said["t"] - first["t"] for said in helper.said if value("rpm")(said)]
    # Three stretches of ten seconds: a machine that is busy in one of them polls less often there, and never more.
    counts = [sum(10 * n * S <= t < 10 * (n + 1) * S for t in since) for n in range(3)]
    assert max(counts) == pytest.approx(50, abs=8), counts


def test_extended_ids_are_asked_and_answered(tmp_path):
    vehicle = Vehicle(tmp_path / "adapter", extended=True)
    helper = CanReader(vehicle.path, {"rpm": 20.0}, extended=True)
    try:
        assert helper.wait_any(value("rpm"))["v"] == 1726.0
        assert only_reads(vehicle.lines)[0] == "T18DB33F180201000000000000"
    finally:
        helper.end()
        vehicle.unplug()


def test_response_pending_is_waited_for_and_the_value_still_comes(vehicle, start):
    vehicle.mode, vehicle.pending_s = "pending", 0.6  # far beyond the 50 ms of an ordinary answer
    helper = start({"rpm": 2.0})
    helper.wait_any(value("rpm"))
    helper.wait(value("rpm"))
    assert not [said for said in helper.said if "e" in said]


def test_a_refusal_is_told_as_one(vehicle, start):
    vehicle.mode = "refuse"
    helper = start({"rpm": 10.0, "speed": 10.0})
    refused = helper.wait_any(lambda said: said.get("i") == "rpm")
    assert refused["e"] == "the engine computer refused: conditions not correct (22)"
    helper.wait(value("speed"))


def test_flow_control_goes_to_the_unit_and_an_answer_that_does_not_fit_is_no_value(vehicle, start):
    vehicle.mode = "multi"
    helper = start({"rpm": 10.0, "speed": 10.0})
    assert "does not fit" in helper.wait_any(lambda said: said.get("i") == "rpm")["e"]
    helper.wait(value("speed"))
    assert "t7E083000000000000000" in only_reads(vehicle.lines)
    assert helper.values("rpm") == []


def test_a_silent_vehicle_is_said_once_and_heard_again_when_it_speaks(vehicle, start):
    helper = start({"rpm": 20.0})
    helper.wait_any(value("rpm"))
    mark = helper.mark()
    vehicle.mode = "silent"
    assert "key on" in helper.wait(status("silent"), after=mark)["text"]
    helper.wait(lambda said: said.get("e") == "no answer from the engine computer")
    helper.wait(lambda said: said.get("e") == "no answer from the engine computer")
    mark = helper.mark()
    vehicle.mode = "well"
    helper.wait(value("rpm"), after=mark)
    helper.wait(status("open"), after=mark)
    assert [said["status"] for said in helper.said if "status" in said] == [
        "opening",
        "open",
        "silent",
        "open",
    ]


def test_garbage_between_frames_costs_no_value(vehicle, start):
    vehicle.mode = "garbage"
    helper = start({"rpm": 2.0})
    helper.wait_any(value("rpm"))
    helper.wait(value("rpm"))
    assert {said["v"] for said in helper.values("rpm")} == {1726.0}


def test_bytes_that_are_no_text_cost_an_answer_at_most(vehicle, start):
    vehicle.mode = "noise"
    helper = start({"rpm": 20.0, "speed": 5.0})
    helper.wait_any(value("rpm"))
    for _ in range(10):
        helper.wait(value("rpm"))
    assert not [said for said in helper.said if said.get("status") == "lost"]


def test_a_flood_of_garbage_is_a_lost_adapter_that_comes_back(vehicle, start):
    helper = start({"rpm": 20.0})
    helper.wait_any(value("rpm"))
    mark = helper.mark()
    vehicle.mode = "flood"
    assert "cannot be read" in helper.wait(status("lost"), after=mark)["text"]
    vehicle.mode = "well"
    helper.wait(value("rpm"))


def test_unplugging_is_said_costs_no_processor_time_and_replugging_brings_values_back(vehicle, start):
    helper = start({"rpm": 20.0})
    helper.wait_any(value("rpm"))
    mark = helper.mark()
    vehicle.unplug()
    assert "plugged in" in helper.wait(status("lost"), after=mark)["text"]
    before, since = helper.cpu_s(), time.monotonic()
    helper.wait(lambda said: said.get("e") == "the CAN adapter is lost")
    helper.wait(lambda said: said.get("e") == "the CAN adapter is lost")
    assert helper.cpu_s() - before < 0.1 * (time.monotonic() - since) + 0.05
    vehicle.plug()
    helper.wait(value("rpm"), seconds=12)
    only_reads(vehicle.lines)


@pytest.mark.parametrize("when", ["opening", "polling", "silent", "lost"])
def test_the_end_of_standard_input_ends_the_process_whatever_it_is_doing(vehicle, start, when):
    if when == "silent":
        vehicle.mode = "silent"
    if when == "lost":
        vehicle.unplug()
    helper = start({"rpm": 20.0})
    helper.wait_any(value("rpm") if when == "polling" else status(when))
    helper.process.stdin.close()
    assert helper.process.wait(2) == 0


@pytest.mark.parametrize("mode", ["well", "silent"])
def test_sigterm_closes_the_bus_and_ends_quickly(vehicle, start, mode):
    vehicle.mode = mode
    helper = start({"rpm": 20.0})
    helper.wait_any(value("rpm") if mode == "well" else status("silent"))
    helper.process.send_signal(signal.SIGTERM)
    assert helper.process.wait(2) == 0
    deadline = time.monotonic() + 2
    while vehicle.lines[-1] != "C" and time.monotonic() < deadline:
        vehicle._thread.join(0.01)
    assert vehicle.lines[-1] == "C"


class Quiet:
    """Output and guard of a reader whose words nobody needs."""

    def status(self, *_words):
        return True

    def alive(self):
        pass


def test_an_end_in_the_middle_of_opening_closes_the_bus_as_well(vehicle, monkeypatch):
    def end_while_opening(**_options):
        with open(vehicle.path, "wb", buffering=0) as port:
            port.write(b"C\rS6\rL\r")
        raise SystemExit(0)  # what SIGTERM does, at any line of python-can

    monkeypatch.setattr(can, "Bus", end_while_opening)
    settings = Settings("slcan", f"{vehicle.path}@115200", 500000, 1.0, extended=False, items={"rpm": 20.0})
    with pytest.raises(SystemExit):
        Reader(settings, Quiet(), Quiet()).run()
    deadline = time.monotonic() + 2
    while vehicle.lines[-1:] != ["C"] and time.monotonic() < deadline:
        vehicle._thread.join(0.01)
    assert vehicle.lines == ["C", "S6", "L", "C"]


def test_settings_that_cannot_be_used_end_the_process_with_words():
    done = subprocess.run(
        [sys.executable, "-m", "cabcanary.sources.can.reader"], input=b"{}\n", capture_output=True, timeout=10
    )
    assert done.returncode == 2
    assert "unusable settings" in json.loads(done.stdout)["text"]
