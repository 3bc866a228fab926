"""A drive as the daemon makes it, without a daemon: the live parts in their order, tick by tick."""

from __future__ import annotations

import threading

from small_van import volts_of

from cabcanary.alerts import words
from cabcanary.clock import Clock
from cabcanary.recorder.recorder import Recorder
from cabcanary.recorder.writer import JournalWriter
from cabcanary.runtime.reloading import taken_over

TICK_NS = 20_000_000
START_NS = 1_000_000_000_000


class Live:
    """A drive as the daemon makes it, tick by tick, with what it saw and said."""

    def __init__(self, plan, folder, wires) -> None:
        self.plan, self.wires = plan, wires
        self.pipeline, self.engine = plan.pipeline(), plan.engine()
        self.writer = JournalWriter(folder, lambda *_: None)
        self.recorder = Recorder(plan, self.pipeline, self.engine, self.writer, Clock())
        self.now_ns, self.frames, self.changes, self.done = START_NS, [], [], threading.Event()
        self.time_told = False
        self.states = {}

    def run(self, ticks, *, running):
        for _ in range(ticks):
            self.now_ns += TICK_NS
            self.wires.drive(self.now_ns, running=running)
            self.step()

    def idle(self, ticks):
        """The engine idles before its key is turned: 35 kPa, and a mixture that burns."""
        for _ in range(ticks):
            self.now_ns += TICK_NS
            self.wires.put("adc", "voltage0", volts_of(35.0), self.now_ns)
            self.wires.put("adc", "voltage1", 3500.0, self.now_ns)
            self.wires.put("wideband", "lambda", 1.0, self.now_ns)
            self.step()

    def key_off(self, ticks):
        self.wires.newest.clear()
        for _ in range(ticks):
            self.now_ns += TICK_NS
            self.wires.put("adc", "voltage1", 3100.0, self.now_ns)
            self.step()

    def reload(self, plan):
        """Other settings between two ticks, in the daemon's order."""
        pipeline, engine, ended = taken_over(self.plan, plan, self.pipeline, self.engine, self.now_ns + 1)
        for change in ended:
            self.recorder.event(words.alert_event(change))
        self.changes += ended
        self.done = self.recorder.take_plan(plan, pipeline, engine, self.now_ns + 1).written or self.done
        self.plan, self.pipeline, self.engine = plan, pipeline, engine

    def step(self):
        """One tick with what the wires say now, in the daemon's order."""
        newest = dict(self.wires.newest)
        self.states[self.now_ns] = (self.pipeline.state(), self.engine.state())
        state = self.recorder.states_before(self.now_ns)
        frame = self.pipeline.step(newest, self.now_ns)
        self.changes += self.engine.step(frame)
        step = self.recorder.step(frame, newest, state)
        self.done = step.written or self.done
        self.time_told = self.time_told or step.time_told
        self.frames.append(frame)

    def finish(self):
        written = self.recorder.close(self.now_ns).written
        assert (written or self.done).wait(30)
        assert self.writer.stop(30)
