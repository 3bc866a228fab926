"""The daemon's side of a bus: the reader's words become readings, and the loss of each is known."""

import asyncio
import contextlib

import pytest

from cabcanary.clock import Clock
from cabcanary.model import Quality
from cabcanary.processes.status import Status
from cabcanary.sources.can.bus import CanBus
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.slot import Slots
from cabcanary_bench.wiring.obd import ObdResponder
from cabcanary_bench.wiring.slcan import SlcanAdapter

pytestmark = pytest.mark.waits


PIDS = {0x0C: b"\x1a\xf8", 0x0D: b"\x50"}  # SAE J1979: 1726 rpm, 80 km/h
SIGNAL = {"id": 0x407, "start": 1, "length": 10, "byte_order": "big", "scale": 0.1, "offset": -30}


def spec(channel, **more):
    settings = {"kind": "can", "interface": "slcan", "channel": str(channel), "items": {"rpm": 20.0}, **more}
    return CanSource.model_validate(settings)


class Standing:
    def __init__(self):
        self.slots, self.told = Slots(), []
        self.status = Status("engine", lambda name, ok, words: self.told.append((ok, words)))

    def reading(self, item):
        return self.slots.newest.get(("engine", item))


@pytest.fixture
def standing():
    return Standing()


def bus(standing, **more):
    return CanBus("engine", spec("/dev/none", **more), Clock(), standing.slots, standing.status)


def test_a_silent_engine_takes_its_items_along_and_leaves_the_broadcast_signals(standing):
    made = bus(standing, signals={"boost": SIGNAL})
    made._take({"t": 1, "i": "rpm", "v": 1726.0})
    made._take({"t": 2, "i": "boost", "v": 8.0})
    made._take({"status": "silent", "text": "no answer"})
    assert standing.reading("rpm").value is None
    assert standing.reading("rpm").reason == "no answer"
    assert standing.reading("boost").value == 8.0
    assert standing.told == [(False, "no answer")]


def test_a_lost_adapter_takes_everything_along(standing):
    made = bus(standing, signals={"boost": SIGNAL}, dbc="x.dbc", dbc_signals={"oil": "A.B"})
    made._take({"status": "lost", "text": "unplugged"})
    for item in ("rpm", "boost", "oil"):
        assert standing.reading(item).quality is Quality.ABSENT
        assert standing.reading(item).reason == "unplugged"


def test_an_ignition_that_is_off_is_no_fault(standing):
    bus(standing)._take({"status": "off", "text": "the ignition is off"})
    assert standing.told == [(True, "the ignition is off")]


def test_what_the_reader_says_never_stops_the_daemon(standing):
    made = bus(standing)
    for message in ({}, {"t": "x", "i": "rpm", "v": 1}, {"i": 3, "t": 1}, {"counts": {"frames": 7}}, {"counts": 3}):
        made._take(message)
    assert standing.slots.newest == {}
    assert made.counts == {"frames": 7}
    made._take({"t": 5, "i": "rpm", "e": "no answer"})
    assert standing.reading("rpm").reason == "no answer"


async def until(condition, seconds=15.0):
    ends = asyncio.get_running_loop().time() + seconds
    while not condition():
        assert asyncio.get_running_loop().time() < ends, "waited in vain"
        await asyncio.sleep(0.01)


@contextlib.asynccontextmanager
async def running(source):
    task = asyncio.create_task(source.run())
    try:
        yield source
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_values_signals_and_the_ignition_pass_between_daemon_and_vehicle(standing, tmp_path):
    adapter = SlcanAdapter(tmp_path / "can")
    ObdResponder(adapter, PIDS.get)
    try:
        source = CanBus(
            "engine", spec(adapter.port.link, signals={"boost": SIGNAL}), Clock(), standing.slots, standing.status
        )
        source.ignition(True)  # before there is anybody to tell
        async with running(source):
            await until(lambda: standing.reading("rpm") and standing.reading("rpm").value == 1726.0)
            # 380 tenths of a psi less 30, as in ford_cgea1_2_ptcan_2011.dbc of opendbc 0.3.1 (MIT).
            await until(
                lambda: (
                    adapter.send(0x407, False, bytes.fromhex("017C"))
                    and standing.reading("boost")
                    and standing.reading("boost").value == pytest.approx(8.0)
                )
            )
            source.ignition(False)
            await until(lambda: standing.reading("rpm").value is None)
            await until(lambda: standing.reading("rpm").reason == "the ignition is off")
            assert standing.status.ok
            process = source._helper.process
            process.kill()  # the ignition as last known is told to the next reader, too
            await until(lambda: source._helper.process not in (None, process))
            await until(lambda: standing.status.ok and standing.reading("rpm").reason == "the ignition is off")
            source.ignition(True)
            await until(lambda: standing.reading("rpm").value == 1726.0)
    finally:
        adapter.close()
