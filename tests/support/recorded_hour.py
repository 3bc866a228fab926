"""Records a drive of 24 channels at 50 Hz as the daemon does, only faster; a program, so that its memory is its own.

`python recorded_hour.py FOLDER MINUTES` prints what recording has cost as JSON. The signals: three 12-bit converters
of eight channels, each channel wandering over 400 to 1,800 of its 4,096 codes, with normal noise of 2 codes rms.
"""

from __future__ import annotations

import json
import math
import os
import random
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

# What the daemon itself imports, so that the memory is the whole daemon's.
import cabcanary.runtime.daemon  # noqa: F401
from cabcanary.clock import Clock
from cabcanary.model import Reading
from cabcanary.plan.plan import load_plan
from cabcanary.recorder.recorder import Recorder
from cabcanary.recorder.writer import JournalWriter
from cabcanary.store.samples import Steps

if TYPE_CHECKING:
    from collections.abc import Iterator

TICK_NS = 20_000_000
NOISE_CODES = 2.0
_START_NS = 1_000_000_000_000
#: Millivolts a code: 12 bits of 5 V, of 3.3 V and of a divider that is no round number.
SCALES = (1.220703125, 0.805664062, 1.017)
KEYS = [(f"adc{c // 8}", f"voltage{c % 8}") for c in range(24)]
STEPS = {key: Steps(SCALES[c // 8], 0.0) for c, key in enumerate(KEYS)}

_HEAD = '[vehicle]\nname = "Hour"\nstage = "bench"\n[drive]\nkept_before = "2 s"\n'
_RUNNING = '[channels.engine_running]\nderive = "engine_running"\nsupply = "c1"\npressure = "c0"\n'


def settings_text() -> str:
    """24 measured channels, and whether the engine runs."""
    text = _HEAD + "".join(f'[sources.adc{n}]\nkind = "iio"\ndevice = "adc{n}"\n' for n in range(3))
    for c, (source, item) in enumerate(KEYS):
        text += f'[channels.c{c}]\nsource = "{source}"\nitem = "{item}"\nwire_unit = "V"\n'
        if c == 1:
            text += 'measures = "supply_voltage"\nunit = "V"\ndivider = 4.0\n'
        else:
            measures = "manifold_pressure" if c == 0 else "pressure"
            text += f'measures = "{measures}"\nunit = "kPa"\n'
            text += f'curve = {{ kind = "linear", points = [[0.1, 5.0], [4.9, {200 + 10 * c}.0]] }}\n'
    return text + _RUNNING


class Signals:
    """The codes of all channels, tick by tick; the same for the same seed."""

    def __init__(self, seed: int = 1) -> None:
        self._chance = random.Random(seed)

    def codes(self, n: int) -> list[int]:
        gauss, t = self._chance.gauss, n * TICK_NS / 1e9
        found = []
        for c in range(24):
            if c == 1:
                signal = 2800.0
            elif c % 3 == 0:
                signal = 1400 + 600 * math.sin(t / 7 + c) + 300 * math.sin(1.3 * t + c)
            else:
                signal = 1300 + 20 * c + 200 * math.sin(t / 60 + c)
            found.append(round(signal + gauss(0.0, NOISE_CODES)))
        return found

    def ticks(self, count: int) -> Iterator[tuple[int, list[int], list[int]]]:
        """Tick time, the scan's time of each converter, and the codes; both clocks tremble as a busy machine's."""
        gauss = self._chance.gauss
        for n in range(count):
            due = _START_NS + n * TICK_NS
            tick_ns = due + int(abs(gauss(150, 100))) * 1000
            scans = [due - (3 + 2 * k) * 1_000_000 + int(abs(gauss(150, 100))) * 1000 for k in range(3)]
            yield tick_ns, scans, self.codes(n)


def written() -> int:
    """Bytes that this process has caused to be sent to the storage layer, as the kernel counts them."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def peak_mb() -> float:
    """The most memory that this process has had resident; its own, not that of whoever started it."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def record(folder: Path, minutes: float) -> dict[str, float]:
    """Record that long a drive."""
    file = folder / "hour.toml"
    file.write_text(settings_text())
    plan = load_plan(file)
    pipeline, engine = plan.pipeline(), plan.engine()
    told: list[str] = []
    writer = JournalWriter(folder, lambda words, _ok: told.append(words), STEPS)
    recorder = Recorder(plan, pipeline, engine, writer, Clock())
    thread = time.pthread_getcpuclockid(writer._thread.ident)
    before, spent_ns, done = written(), 0, None
    for tick_ns, scans, codes in Signals().ticks(int(minutes * 3000)):
        newest = {
            key: Reading(*key, (code + 0.0) * STEPS[key].scale, scans[c // 8])
            for c, (key, code) in enumerate(zip(KEYS, codes, strict=True))
        }
        frame = pipeline.step(newest, tick_ns)
        engine.step(frame)
        state = recorder.states_before(tick_ns)
        begun = time.thread_time_ns()
        recorder.step(frame, newest, state)
        spent_ns += time.thread_time_ns() - begun
        while writer._queue.qsize() > 500:
            time.sleep(0.001)
    done = recorder.close(tick_ns).written
    assert done is not None
    assert done.wait(60)
    thread_s = time.clock_gettime(thread)
    assert writer.stop(10)
    assert not told, told
    (journal,) = (folder / "journal").glob("*.ccj")
    return {
        "bytes": journal.stat().st_size,
        "written": written() - before,
        "cpu_s": spent_ns / 1e9 + thread_s,
        "resident_mb": peak_mb(),
        "heavy": float(any(m in sys.modules for m in ("numpy", "pyarrow"))),
    }


if __name__ == "__main__":
    sys.stdout.write(json.dumps(record(Path(sys.argv[1]), float(sys.argv[2]))) + "\n")
    os._exit(0)
