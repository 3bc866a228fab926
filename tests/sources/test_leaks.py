"""Sources that fail and come back, over and over, leak nothing: no handle, no thread, no task, no memory."""

from __future__ import annotations

import asyncio
import gc
import shutil
import threading
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from cabcanary.clock import Clock
from cabcanary.processes.status import Backoff, Status
from cabcanary.sources.kernel.iio import iio_reader
from cabcanary.sources.kernel.kernel_settings import IioSource
from cabcanary.sources.serial.port import SerialReader
from cabcanary.sources.serial.serial_settings import SerialTextSource
from cabcanary.sources.serial.text_line import LineParser
from cabcanary.sources.slot import Slots
from cabcanary_bench.wiring.serial_pty import SerialPty

pytestmark = pytest.mark.waits


#: For a machine that is busy with other things; one cycle mostly takes some tens of ms.
LONGEST_S = 30.0
#: The second half of the cycles may keep this much more than the first left; what leaks once a cycle keeps more.
GROWTH_BYTES = 40_000
#: As many cycles before counting begins: caches fill, thread pools start.
WARM_CYCLES = 20


@dataclass(frozen=True)
class Count:
    """What the process holds at a moment."""

    handles: int
    threads: int
    tasks: int
    memory: int

    @classmethod
    def now(cls) -> Count:
        gc.collect()
        return cls(
            len(list(Path("/proc/self/fd").iterdir())),
            # The loop's own pool starts threads as it likes, up to its bound.
            sum(not t.name.startswith("asyncio_") for t in threading.enumerate()),
            len(asyncio.all_tasks()),
            tracemalloc.get_traced_memory()[0],
        )


class Two:
    """A serial text on a pty and a voltage of an IIO tree, both of them read."""

    def __init__(self, folder: Path) -> None:
        self.device = folder / "iio:device0"
        self.number = 0
        self.slots, self.status = Slots(), {n: Status(n, lambda *_: None) for n in ("wideband", "adc")}
        self.plug_tree()
        self.pty = SerialPty(folder / "tty")
        clock = Clock()
        text = SerialTextSource(kind="serial_text", port=str(folder / "tty"))
        parser = LineParser("wideband", text)
        backoff = Backoff(0.001, 0.002)
        serial = SerialReader("wideband", text, parser, ["lambda"], clock, self.slots, self.status["wideband"], backoff)
        self.task = asyncio.get_running_loop().create_task(serial.run())
        iio = IioSource(kind="iio", device="converter", folder=folder, rate_hz=1000)
        self.tree = iio_reader("adc", iio, ["voltage0"], clock, self.slots, self.status["adc"], Backoff(0.001, 0.002))
        self.tree.start()

    def plug_tree(self) -> None:
        """Come back under another number each time, as devices do."""
        self.number = (self.number + 1) % 7
        self.device = self.device.with_name(f"iio:device{self.number}")
        self.device.mkdir()
        (self.device / "in_voltage0_raw").write_text("1234\n", encoding="ascii")
        (self.device / "name").write_text("converter\n", encoding="ascii")

    def good(self, source: str, item: str) -> bool:
        reading = self.slots.newest.get((source, item))
        return reading is not None and reading.value is not None

    async def both_good(self) -> None:
        await until(lambda: self.pty.write(b"lambda=0.9\n") and self.good("wideband", "lambda"), "lambda")
        await until(lambda: self.good("adc", "voltage0"), "the voltage")

    async def cycle(self) -> None:
        """Both fail, and come back."""
        self.pty.unplug()
        shutil.rmtree(self.device)
        await until(lambda: not self.good("wideband", "lambda"), "lambda to be gone")
        await until(lambda: not self.good("adc", "voltage0"), "the voltage to be gone")
        self.pty.replug()
        self.plug_tree()
        await self.both_good()

    async def close(self) -> None:
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)
        self.tree.stop()
        await until(lambda: self.tree.join(0), "the reader's threads")
        self.pty.close()


async def until(condition: Callable[[], object], what: str) -> None:
    ends = time.monotonic() + LONGEST_S
    while not condition():
        assert time.monotonic() < ends, f"waited in vain for {what}"
        await asyncio.sleep(0.001)


async def settled(two: Two, wanted: Count | None) -> Count:
    """The count when nothing is in between: a reader thread that was let go may still be ending."""
    await two.both_good()
    now = Count.now()
    ends = time.monotonic() + LONGEST_S
    while (
        wanted is not None
        and (now.handles, now.threads, now.tasks) != (wanted.handles, wanted.threads, wanted.tasks)
        and time.monotonic() < ends
    ):
        await asyncio.sleep(0.05)
        now = Count.now()
    return now


@pytest.mark.parametrize("cycles", [150, pytest.param(10_000, marks=[pytest.mark.long, pytest.mark.timeout(5400)])])
async def test_two_sources_that_fail_and_come_back_leak_nothing(tmp_path: Path, cycles: int) -> None:
    began = time.monotonic()
    tracemalloc.start()
    try:
        two = Two(tmp_path)
        try:
            await two.both_good()
            for _ in range(WARM_CYCLES):
                await two.cycle()
            counts = [await settled(two, None)]
            for _ in range(2):
                for _ in range(cycles // 2):
                    await two.cycle()
                counts.append(await settled(two, counts[0]))
        finally:
            await two.close()
    finally:
        tracemalloc.stop()
    first, half, last = counts
    took = time.monotonic() - began
    print(f"\n  {cycles} cycles, {1000 * took / cycles:.0f} ms each: handles, threads, tasks, bytes")
    for words, count in (("at the start", first), ("half way", half), ("at the end", last)):
        print(f"  {words:<14} {count.handles:>5} {count.threads:>5} {count.tasks:>5} {count.memory:>12}")
    assert two.status["wideband"].losses >= cycles
    assert two.status["adc"].losses >= cycles
    assert (last.handles, last.threads, last.tasks) == (first.handles, first.threads, first.tasks)
    assert last.memory - half.memory < GROWTH_BYTES
