"""The recorder as the tick sees it: detects drives, keeps the seconds before, hands all to the writer."""

from __future__ import annotations

import os
from collections import deque
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary import __version__
from cabcanary.clock import boot_id
from cabcanary.model import Event, EventKind
from cabcanary.recorder.detect import DriveDetector
from cabcanary.recorder.told_time import ToldTime
from cabcanary.store.journal import FORMAT

if TYPE_CHECKING:
    import threading

    from cabcanary.channels.pipeline import Newest, Pipeline
    from cabcanary.clock import Clock
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.recorder.writer import JournalWriter
    from cabcanary.rules.engine import Engine
    from cabcanary.store.samples import Tick

#: How often, in clock seconds, the state of channels and rules is kept while no drive is under way.
_SNAPSHOT_S = 1.0
#: How often, in clock seconds, a drive notes what the wall clock says.
_CLOCK_NOTE_S = 10.0
#: How many events from before a drive come into its record: the start-up, rules not fitted, channels missing.
_EARLY_EVENTS = 100


#: A time, and the states of channels and rules before the tick of that time.
States = tuple[int, dict[str, Any], dict[str, Any]]


class Step(NamedTuple):
    """What a tick changed: a drive began or ended, an event that is set once an ended drive lies on the card, and
    whether the machine has just learnt the time."""

    event: Event | None = None
    written: threading.Event | None = None
    time_told: bool = False


class Recorder:
    """One per daemon. `step` is called after the warnings of a tick are out, and returns at once."""

    def __init__(self, plan: Plan, pipeline: Pipeline, engine: Engine, writer: JournalWriter, clock: Clock) -> None:
        self._plan, self._pipeline, self._engine = plan, pipeline, engine
        self._writer, self._clock = writer, clock
        self._detector = DriveDetector(plan.settings.drive)
        self._keys = [m.key for m in pipeline.measured]
        self._before: deque[Tick] = deque()
        self._snapshots: deque[States] = deque()
        self._kept_ns = int(plan.settings.drive.kept_before * 1e9)
        self._next_clock_note = 0
        #: The wall clock's time, and its source.
        self.time = ToldTime(plan.satellite_sources, clock.speed)
        self._told_the_time = bool(self.time.look({}, 0).by)
        self._early_events: deque[dict[str, Any]] = deque(maxlen=_EARLY_EVENTS)
        self.drive: str | None = None
        self._started_ns = 0
        self._closed = False
        #: A drive that was under way goes on as a new one.
        self._goes_on = False

    def take_plan(self, plan: Plan, pipeline: Pipeline, engine: Engine, now_ns: int) -> Step:
        """Other settings are in force from the next tick on. A drive under way ends here and goes on as a new one, so
        that each has the settings it was driven with, and can be played again."""
        step = Step() if self.drive is None else self._end(now_ns)
        self._goes_on = step.event is not None
        self._plan, self._pipeline, self._engine = plan, pipeline, engine
        self._detector = DriveDetector(plan.settings.drive, under_way=self._goes_on)
        self._keys = [m.key for m in pipeline.measured]
        self._kept_ns = int(plan.settings.drive.kept_before * 1e9)
        self._before.clear()
        self._snapshots.clear()
        return step

    def states_before(self, now_ns: int) -> States | None:
        """The state that the coming tick starts from, when it is time to keep one; a drive is played again from it."""
        if self.drive is not None or (self._snapshots and now_ns - self._snapshots[-1][0] < _SNAPSHOT_S * 1e9):
            return None
        return now_ns, self._pipeline.state(), self._engine.state()

    def _keep(self, state: States, now_ns: int) -> None:
        self._snapshots.append(state)
        # Always keep one snapshot that is old enough; its ticks are the seconds before the start.
        while len(self._snapshots) > 1 and self._snapshots[1][0] <= now_ns - self._kept_ns:
            self._snapshots.popleft()
        while self._before and self._before[0][0] < self._snapshots[0][0]:
            self._before.popleft()

    def step(self, frame: Frame, newest: Newest, state: States | None) -> Step:
        """Record one tick, `state` being what `states_before` gave for it."""
        if self._closed:
            return Step()
        if state is not None:
            self._keep(state, frame.time_ns)
        tick: Tick = (frame.time_ns, tuple(newest.get(k) for k in self._keys))
        change = self._detector.step(frame)
        if change == "start" or self._goes_on:
            self._goes_on = False
            return self._start(frame, tick, newest)
        told = frame.time_ns >= self._next_clock_note and self._note_clock(frame.time_ns, newest)
        if self.drive is None:
            self._before.append(tick)
            return Step(time_told=told)
        self._writer.tick(tick)
        return self._end(frame.time_ns)._replace(time_told=told) if change == "end" else Step(time_told=told)

    def event(self, event: Event) -> None:
        """Record an event; before a drive the last ones are kept, so that the drive has what led to it."""
        if self.drive is None:
            self._early_events.append(event.as_json())
        else:
            self._writer.event(event.as_json())

    def close(self, now_ns: int) -> Step:
        """The daemon stops: a drive under way is ended in order, and none begins. May be called twice."""
        self._closed = True
        return Step() if self.drive is None else self._end(now_ns)

    def _start(self, frame: Frame, tick: Tick, newest: Newest) -> Step:
        begun, channels_state, rules_state = self._snapshots[0]
        wall = self.time.look(newest, frame.time_ns).wall_ns
        started = datetime.fromtimestamp(wall / 1e9, UTC)
        # A clock without a battery shows the same seconds at every start, so the rest must differ by itself: of 10 000
        # drives in one second two have the same 32 bits once in a hundred archives.
        self.drive = f"{started:%Y%m%dT%H%M%SZ}-{os.urandom(4).hex()}"
        self._started_ns = frame.time_ns
        self._writer.open(self.drive, self._header(begun, channels_state, rules_state, frame.time_ns, wall))
        for earlier in self._before:
            self._writer.tick(earlier)
        self._writer.tick(tick)
        for event in self._early_events:
            self._writer.event(event)
        self._before.clear()
        self._snapshots.clear()
        self._early_events.clear()
        told = self._note_clock(frame.time_ns, newest)
        text = f"drive {self.drive} started"
        return Step(Event(frame.time_ns, EventKind.DRIVE, "started", text, {"drive": self.drive}), time_told=told)

    def _header(
        self, begun: int, channels_state: dict[str, Any], rules_state: dict[str, Any], now_ns: int, wall: int
    ) -> dict[str, Any]:
        settings = self._plan.settings
        return {
            "format": FORMAT,
            "drive": self.drive,
            "vehicle": settings.vehicle.name,
            "stage": settings.vehicle.stage,
            "software": __version__,
            "settings": self._plan.settings_text,
            "rules": self._plan.rule_texts,
            "baselines": self._plan.baselines.model_dump(),
            "channels": [[m.name, *m.key] for m in self._pipeline.measured],
            "begun": begun,
            "channels_state": channels_state,
            "rules_state": rules_state,
            "clock": [now_ns, wall],
            "speed": self._clock.speed,
            "boot": boot_id(),
        }

    def _note_clock(self, now_ns: int, newest: Newest) -> bool:
        """Note what the wall clock says; whether it is now known for the first time."""
        self._next_clock_note = now_ns + int(_CLOCK_NOTE_S * 1e9)
        told = self.time.look(newest, now_ns)
        if self.drive is not None:
            data = {"wall": told.wall_ns, "synchronised": told.by == "system", "by": told.by}
            self._writer.event(Event(now_ns, EventKind.CLOCK, "wall", "", data).as_json())
        first = bool(told.by) and not self._told_the_time
        self._told_the_time = self._told_the_time or first
        return first

    def _end(self, now_ns: int) -> Step:
        minutes = (now_ns - self._started_ns) / 60e9
        text = f"drive {self.drive} ended after {minutes:.1f} minutes"
        event = Event(now_ns, EventKind.DRIVE, "ended", text, {"drive": self.drive})
        self._writer.event(event.as_json())
        done = self._writer.close({"ended": now_ns})
        self.drive = None
        return Step(event, done)
