"""What a saturated 500 kbit/s bus costs the CAN reader beside a bare python-can loop. Nothing here can fail by time."""

import subprocess
import sys
import time

import pytest
from can_process import Traffic, cpu_s, reading, until

from cabcanary_bench.wiring.slcan import SlcanAdapter

pytestmark = pytest.mark.in_time


# 8-byte standard frames with worst-case stuffing are 135 bits (ISO 11898-1, from memory): 500000 / 135.
_FRAMES_PER_S = 3700
_SECONDS = 2.0
_BARE = """
import can, sys
bus = can.Bus(interface="slcan", channel=sys.argv[1], bitrate=500000, sleep_after_open=0.1, listen_only=True)
print("open", flush=True)
n = 0
while True:
    n += bus.recv(1.0) is not None
"""
_NAMES = {f"s{n}": {"id": 0x100 + n, "start": 7, "length": 16, "byte_order": "big", "scale": 0.25} for n in range(8)}


def frame(n):
    return 0x100 + n % 64, False, n.to_bytes(8, "big")


class Saturated(Traffic):
    """The bus, in bursts of a hundredth of a second: a thread cannot be woken 3700 times a second."""

    def __init__(self, adapter):
        super().__init__(adapter, 100, frame)
        self._line = adapter

    def run(self):
        due = time.monotonic()
        while not self._ends.wait(max(0.0, due - time.monotonic())):
            for _ in range(_FRAMES_PER_S // 100):
                self.sent += self._line.send(*frame(self.sent))
            due = max(due + 0.01, time.monotonic() - 0.05)


def share(pid, adapter):
    """Share of one core while the bus is saturated, and how many frames were lost on the way."""
    with Saturated(adapter) as traffic:
        until(lambda: traffic.sent > _FRAMES_PER_S // 4)
        before, at, sent = cpu_s(pid), time.monotonic(), traffic.sent
        until(lambda: time.monotonic() - at >= _SECONDS, seconds=2 * _SECONDS)
        spent, took = cpu_s(pid) - before, time.monotonic() - at
        return spent / took, (traffic.sent - sent) / took


@pytest.fixture
def adapter(tmp_path):
    made = SlcanAdapter(tmp_path / "can")
    yield made
    made.close()


def test_what_a_saturated_bus_costs_beside_a_bare_loop(adapter, tmp_path, capsys):
    rows = {}
    bare = subprocess.Popen([sys.executable, "-c", _BARE, str(adapter.port.link)], stdout=subprocess.PIPE)
    try:
        assert bare.stdout.readline() == b"open\n"
        until(lambda: adapter.open)
        rows["bare python-can loop"] = share(bare.pid, adapter)
    finally:
        bare.kill()
        bare.wait()
        bare.stdout.close()
    lost = {}
    for words, signals in (
        ("reader, 8 signals of 64 ids wanted", _NAMES),
        ("reader, nothing on the bus wanted", _far()),
    ):
        with (
            SlcanAdapterAt(tmp_path / words.replace(" ", "-")) as line,
            reading(line.port.link, signals=signals) as reader,
        ):
            until(lambda line=line: line.open)
            rows[words] = share(reader.process.pid, line)
            lost[words] = line.port.dropped
    base = rows["bare python-can loop"][0]
    with capsys.disabled():
        print()
        for name, (cost, rate) in rows.items():
            print(f"  {name:<38} {100 * cost:5.1f} % of a core at {rate:6.0f} frames/s  ×{cost / base:.2f}")
        print(f"  bytes the reader was too slow for: {lost}")
    assert all(rate > 0 for _, rate in rows.values())


def _far():
    return {"never": {**_NAMES["s0"], "id": 0x7F0}}


class SlcanAdapterAt(SlcanAdapter):
    """An adapter for as long as a block lasts."""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()
