"""The CAN reader on a simulated adapter and vehicle: it listens first, disturbs nothing, and lets the vehicle sleep.

Readers here run with a clock ten times as fast where seconds of waiting are the point; times of that clock are
called clock seconds.
"""

import threading
import time
from itertools import pairwise

import pytest
from can_process import Traffic, missing, reading, status, until, value

from cabcanary_bench.wiring.obd import ObdResponder
from cabcanary_bench.wiring.slcan import SlcanAdapter

pytestmark = pytest.mark.waits


# SAE J1979: 1AF8 / 4 = 1726 rpm; 50h = 80 km/h; 62h = 98 kPa; 7B - 40 = 83 °C.
PIDS = {0x0C: b"\x1a\xf8", 0x0D: b"\x50", 0x0B: b"\x62", 0x05: b"\x7b"}
EXPECTED = {"rpm": 1726.0, "speed": 80, "map": 98, "coolant_temperature": 83}
#: Whatever a vehicle may be sent (ISO 15765-4, from memory): requests to all, flow control to the unit that answers.
FUNCTIONAL, UNITS = {(0x7DF, False), (0x18DB33F1, True)}, range(0x7E0, 0x7E8)
RPM_SIGNAL = {"id": 0x201, "start": 7, "length": 16, "byte_order": "big", "scale": 0.25, "invalid": [0xFFFF]}


def only_reads(adapter):
    """Nothing but single-frame service 01 requests and ISO-TP flow control has gone to the bus."""
    for frame in adapter.sent_by_host:
        assert not frame.remote, frame
        assert len(frame.data) == 8, frame
        kind, length = frame.data[0] >> 4, frame.data[0] & 0x0F
        if (frame.can_id, frame.extended) in FUNCTIONAL:
            assert (kind, frame.data[1]) == (0, 0x01), frame
            assert 2 <= length <= 7, frame
            assert not any(frame.data[1 + length :]), frame
        else:
            assert frame.can_id in UNITS or (frame.extended and frame.can_id & ~0xFF00 == 0x18DA00F1), frame
            assert frame.data[:3] == b"\x30\x00\x00", frame


def data_lines(adapter):
    return [line for line in adapter.commands if line[:1] in b"tTrRdDbB" and line]


@pytest.fixture
def adapter(tmp_path):
    made = SlcanAdapter(tmp_path / "can")
    yield made
    made.close()
    only_reads(made)


@pytest.fixture
def engine(adapter):
    return ObdResponder(adapter, PIDS.get)


def rpm_frame(n):
    return 0x201, False, bytes.fromhex("1AF8000000000000")


def other_frame(n):
    return 0x3A0, False, n.to_bytes(8, "big")


# --- broadcast ---------------------------------------------------------------------------------------


def test_signals_are_heard_and_without_items_nothing_is_ever_sent(adapter, engine):
    far = {"id": 0x201, "extended": True, "start": 0, "length": 8, "byte_order": "little"}
    with reading(adapter.port.link, signals={"rpm": RPM_SIGNAL, "far": far}) as reader, Traffic(adapter, 50, rpm_frame):
        assert reader.wait_any(value("rpm"))["v"] == 1726.0
        assert "sending nothing" in reader.wait_any(status("open"))["text"]
        adapter.send(0x201, True, b"\x07")
        assert reader.wait_any(value("far"))["v"] == 7
        adapter.send(0x201, False, b"\xff\xff")
        assert reader.wait_any(missing("rpm"))["e"] == "the raw number 65535 means no value"
    assert data_lines(adapter) == []
    assert adapter.listen_only


def test_signals_of_a_dbc_file_are_heard(adapter, tmp_path):
    from importlib import resources

    # opendbc 0.3.1 (MIT), ford_cgea1_2_ptcan_2011.dbc: 0.1 psi a bit, 30 psi below; 380 tenths - 30 = 8.0.
    dbc = str(resources.files("opendbc") / "dbc" / "ford_cgea1_2_ptcan_2011.dbc")
    wanted = {"boost": "Diesel_Data_Legacy_1.TURBO_BOOST"}
    with (
        reading(adapter.port.link, dbc=dbc, dbc_signals=wanted) as reader,
        Traffic(adapter, 50, lambda _n: (0x407, False, bytes.fromhex("017C000000000000"))),
    ):
        assert reader.wait_any(value("boost"))["v"] == pytest.approx(8.0)


def test_signals_that_cannot_be_had_end_the_reader_with_words(adapter):
    with reading(adapter.port.link, dbc="/nowhere/x.dbc", dbc_signals={"a": "M.S"}) as reader:
        assert "No such file" in reader.wait_any(status("lost"))["text"]
        assert reader.process.wait(5) == 2


def test_a_bus_that_falls_silent_is_said_and_heard_again(adapter):
    with reading(adapter.port.link, signals={"rpm": RPM_SIGNAL}) as reader:
        reader.wait_any(status("silent"))
        assert reader.wait_any(missing("rpm"))["e"] == "nothing is heard on the bus"
        with Traffic(adapter, 50, rpm_frame):
            reader.wait_any(value("rpm"))
        mark = reader.mark()
        reader.wait(status("silent"), after=mark)
        with Traffic(adapter, 50, rpm_frame):
            reader.wait(value("rpm"), after=mark)
            reader.wait(status("open"), after=mark)
    assert data_lines(adapter) == []


def test_signals_and_obd_items_share_a_bus(adapter, engine):
    with (
        reading(
            adapter.port.link, {"speed": 10.0}, signals={"rpm": RPM_SIGNAL, "far": {**RPM_SIGNAL, "id": 0x7}}
        ) as reader,
        Traffic(adapter, 100, rpm_frame),
    ):
        reader.wait_any(value("speed"))
        for _ in range(5):
            reader.wait(value("rpm"))
            reader.wait(value("speed"))
        assert reader.wait_any(missing("far"))["e"] == "frame 007 has not been seen on this bus"


# --- several PIDs, several units, odd padding ---------------------------------------------------------


def test_up_to_six_pids_share_a_request_where_the_engine_takes_it(adapter, engine):
    with reading(adapter.port.link, dict.fromkeys(EXPECTED, 10.0), pids_per_request=6) as reader:
        for item, expected in EXPECTED.items():
            assert reader.wait_any(value(item))["v"] == expected
        # On a machine with other work to do one of them may become due a moment after the others.
        for _ in range(3):
            mark = len(engine.asked)
            until(lambda start=mark: len(engine.asked) > start + 5)
            lengths = {len(request) for request in engine.asked[mark:]}
            if lengths == {5}:
                break
    assert lengths == {5}
    assert engine.violations == []


@pytest.mark.parametrize("several", ["refused", "silent", "first"])
def test_an_engine_that_takes_one_pid_a_request_is_found_out_once_and_asked_that_way(adapter, engine, several):
    engine.several = several
    with reading(adapter.port.link, dict.fromkeys(EXPECTED, 20.0), pids_per_request=6) as reader:
        for item, expected in EXPECTED.items():
            assert reader.wait_any(value(item))["v"] == expected
        reader.wait(value("rpm"))
        reader.wait(value("rpm"))
        assert [len(request) - 1 for request in engine.asked if len(request) > 2] == [4]
        assert not [said for said in reader.said if "e" in said]
        assert "silent" not in reader.statuses()


def test_one_pid_a_request_when_the_settings_say_so(adapter, engine):
    with reading(adapter.port.link, dict.fromkeys(EXPECTED, 10.0), pids_per_request=1) as reader:
        for item in EXPECTED:
            reader.wait_any(value(item))
    assert {len(request) for request in engine.asked} == {2}


@pytest.mark.parametrize("padding", [0x00, 0x55, 0xAA, 0xCC])
def test_whatever_fills_an_answer_changes_nothing(adapter, padding):
    engine = ObdResponder(adapter, PIDS.get, padding)
    with reading(adapter.port.link, dict.fromkeys(EXPECTED, 20.0), pids_per_request=2) as reader:
        for item, expected in EXPECTED.items():
            assert reader.wait_any(value(item))["v"] == expected
    assert engine.violations == []


@pytest.mark.parametrize("extended", [False, True])
def test_of_several_units_the_engine_is_the_one_believed(adapter, extended):
    other = ObdResponder(adapter, {0x0C: b"\0\0", 0x0D: b"\1", 0x05: b"\0"}.get, unit=1, extended=extended)
    ObdResponder(adapter, PIDS.get, unit=0, extended=extended)
    with reading(adapter.port.link, {"rpm": 20.0, "speed": 20.0}, extended=extended, pids_per_request=6) as reader:
        reader.wait_any(value("rpm"))
        for _ in range(5):
            reader.wait(value("rpm"))
        assert {said["v"] for said in reader.values("rpm")} == {1726.0}
        assert {said["v"] for said in reader.values("speed")} == {80}
    assert other.requests > 5


# --- response pending --------------------------------------------------------------------------------


def test_while_the_engine_pleads_for_patience_broadcasts_go_on_and_what_waits_says_why(adapter, engine):
    engine.pending_s, engine.pending_pids = 3.0, frozenset({0x0D})
    with (
        reading(adapter.port.link, {"speed": 1.0, "map": 10.0}, signals={"rpm": RPM_SIGNAL}) as reader,
        Traffic(adapter, 50, rpm_frame),
    ):
        words = "asks for patience"
        first = reader.wait_any(missing("speed", words))
        other = reader.wait_any(missing("map", words))
        assert reader.wait_any(value("speed"))["v"] == 80
        speed = reader.values("speed")[0]
        between = [said for said in reader.values("rpm") if first["t"] < said["t"] < speed["t"]]
        assert len(between) > 20  # 50 a second, for about two seconds
        assert other["t"] < speed["t"]
        assert reader.wait(value("map"))["v"] == 98
        assert "silent" not in reader.statuses()


# --- listening first ---------------------------------------------------------------------------------


def test_the_bus_is_opened_listening_and_the_first_good_frame_is_proof_enough(adapter, engine):
    started = threading.Event()

    def note(n):
        started.set()
        return other_frame(n)

    with Traffic(adapter, 100, note), reading(adapter.port.link, {"rpm": 10.0}) as reader:
        reader.wait_any(value("rpm"))
    commands = list(adapter.commands)
    first = commands.index(next(line for line in commands if line[:1] == b"t"))
    assert b"L" in commands[:first]
    assert commands.index(b"L") < commands.index(b"O") < first


@pytest.mark.parametrize("garbles", [False, True])
@pytest.mark.parametrize("items", [{}, {"rpm": 10.0}])
def test_a_bus_at_another_bit_rate_is_sent_nothing_and_said_to_be_one(adapter, engine, garbles, items):
    adapter.bus_code, adapter.garbles = (
        "S5",
        garbles,
    )  # 250 kbit/s; garbage comes slower than what makes an adapter lost
    signals = {"other": {"id": 0x3A0, "start": 0, "length": 8, "byte_order": "little"}}
    with reading(adapter.port.link, items, signals=signals) as reader, Traffic(adapter, 15, other_frame):
        said = reader.wait_any(status("lost", "the bus does not speak at 500 kbit/s; check bitrate"))
        assert said
        reader.wait_any(missing("other", "500 kbit/s"))
        looks = adapter.commands.count(b"F")
        until(lambda: adapter.commands.count(b"F") > looks + 1 or garbles)
        assert adapter.attempts == 0
        assert set(adapter.commands) <= {b"C", b"S6", b"", b"L", b"F"}  # and no other rate was tried
        adapter.bus_code = "S6"  # the bus, of course, does not change: the user's settings were right all along
        reader.wait_any(value("other"), seconds=25)
        if items:
            reader.wait_any(value("rpm"))


def test_a_quiet_bus_is_asked_one_question_and_listened_to_again(adapter):
    with reading(adapter.port.link, {"rpm": 10.0}) as reader:
        reader.wait_any(status("silent", "no answer"))
        until(lambda: adapter.attempts >= 3)
    frames = [line for line in adapter.commands if line in (b"O", b"L") or line[:1] == b"t"]
    question = b"t7DF80201000000000000"
    assert set(frames) == {b"L", b"O", question}
    while frames[0] == b"L":
        frames.pop(0)
    for n in range(0, len(frames) - 2, 3):
        assert frames[n : n + 3] == [b"O", question, b"L"]


def test_a_question_that_only_makes_errors_is_not_repeated_at_once(adapter, engine):
    adapter.lonely = True  # every other unit is asleep, or the bit rate is wrong: nothing is acknowledged
    with reading(adapter.port.link, {"rpm": 10.0}, speed=10.0) as reader:
        reader.wait_any(status("silent", "errors on the bus"))
        asked_at = time.monotonic()
        assert adapter.attempts == 1
        until(lambda: adapter.attempts == 2)
        assert time.monotonic() - asked_at > 2.0  # 30 clock seconds are 3
        adapter.lonely = False
        adapter.send(0x3A0, False, bytes(8))
        reader.wait_any(value("rpm"))


def test_an_adapter_that_left_the_bus_comes_back(adapter, engine):
    with reading(adapter.port.link, {"rpm": 20.0}) as reader:
        reader.wait_any(value("rpm"))
        mark = reader.mark()
        adapter.bus_off = True
        reader.wait(status("silent", "errors on the bus"), after=mark)
        reader.wait(missing("rpm"), after=mark)
        mark = reader.mark()
        reader.wait(value("rpm"), after=mark)


# --- sleep -------------------------------------------------------------------------------------------


def test_requests_end_when_the_ignition_goes_off_and_resume_at_once_when_it_comes_back(adapter, engine):
    with reading(adapter.port.link, {"rpm": 5.0}, speed=10.0) as reader:
        reader.tell({"ignition": True})
        reader.wait_any(value("rpm"))
        mark = reader.mark()
        reader.tell({"ignition": False})
        reader.wait(status("off", "the ignition is off"), after=mark)
        reader.wait(missing("rpm", "the ignition is off"), after=mark)
        asked, at = adapter.attempts, time.monotonic()
        until(lambda: time.monotonic() - at > 1.5)  # 15 clock seconds in which it would answer
        assert adapter.attempts == asked
        mark = reader.mark()
        before = time.monotonic()
        reader.tell({"ignition": True})
        reader.wait(value("rpm"), after=mark)
        assert time.monotonic() - before < 1.0
        assert reader.statuses()[-1] == "open"


def test_a_vehicle_that_falls_asleep_is_left_alone_until_its_bus_wakes(adapter, engine):
    with reading(adapter.port.link, {"rpm": 5.0}, speed=10.0) as reader:
        with Traffic(adapter, 50, other_frame) as traffic:
            reader.wait_any(value("rpm"))
            until(lambda: traffic.sent > 80)
        engine.awake = False
        reader.wait(status("silent", "so that the vehicle can sleep"))
        asked, at = adapter.attempts, time.monotonic()
        until(lambda: time.monotonic() - at > 4)  # 40 clock seconds
        assert adapter.attempts == asked
        mark = reader.mark()
        engine.awake = True  # and says so, with one frame
        reader.wait(value("rpm"), after=mark)


def test_a_silent_engine_on_a_talking_bus_is_probed_every_ten_clock_seconds(adapter, engine):
    with reading(adapter.port.link, {"rpm": 5.0}, speed=10.0) as reader, Traffic(adapter, 50, other_frame):
        reader.wait_any(value("rpm"))
        engine.awake = False
        reader.wait(status("silent", "so that the vehicle can sleep"))
        times = []
        for n in range(adapter.attempts + 1, adapter.attempts + 4):
            until(lambda n=n: adapter.attempts >= n)
            times.append(time.monotonic())
        assert min(b - a for a, b in pairwise(times)) > 0.9


# --- the whole campaign ------------------------------------------------------------------------------


def test_whatever_goes_wrong_nothing_but_reads_and_flow_control_is_put_on_the_bus(adapter, engine):
    items = dict.fromkeys(EXPECTED, 20.0)
    signals = {"other": {"id": 0x3A0, "start": 0, "length": 8, "byte_order": "little"}}
    with (
        reading(adapter.port.link, items, signals=signals, speed=10.0, pids_per_request=6) as reader,
        Traffic(adapter, 100, other_frame),
    ):
        reader.wait_any(value("rpm"))
        for several in ("refused", "first", "silent", "answered"):
            engine.several = several
            adapter.unplug()
            reader.wait(status("lost"))
            adapter.replug()
            reader.wait(value("map"), seconds=20)
        engine.pending_s = 0.5
        reader.wait(value("rpm"))
        engine.pending_s = 0.0
        for text in (b"t7E8\r", b"tZZZ\r", b"t7E80\r", b"t7E8103FF\r", b"\xff\xfe\r", b"t7E881014410C1AF80D50\r"):
            adapter.port.write(text)
            reader.wait(value("speed"))
        adapter.bus_off = True
        reader.wait(value("rpm"), seconds=20)
        reader.tell({"ignition": False})
        reader.wait(status("off"))
        reader.tell({"ignition": True})
        reader.wait(value("rpm"))
    assert len(adapter.sent_by_host) > 20
    assert engine.violations == []
    only_reads(adapter)


def test_a_garbage_stream_without_line_ends_costs_neither_memory_nor_a_core(adapter):
    with reading(adapter.port.link, {"rpm": 5.0}) as reader:
        until(lambda: adapter.open)
        stop = threading.Event()

        def flood():
            while not stop.wait(0.01):
                adapter.port.write(b"\x00\x80Z" * 38)  # 115200 baud is about 115 bytes every 10 ms

        thread = threading.Thread(target=flood, daemon=True)
        thread.start()
        try:
            reader.wait_any(status("lost"))
            before, at = reader.cpu_s(), time.monotonic()
            size = resident(reader)
            until(lambda: time.monotonic() - at > 3)
            share = (reader.cpu_s() - before) / (time.monotonic() - at)
            assert share < 0.2  # of a core: the bound that the sources are held to
            assert resident(reader) - size < 2_000_000
        finally:
            stop.set()
            thread.join()


def resident(reader):
    with open(f"/proc/{reader.process.pid}/statm") as file:
        return int(file.read().split()[1]) * 4096
