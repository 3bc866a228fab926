"""Readings of one channel's wire for some seconds: from the wires themselves, by the daemon's own sources, or, where a
daemon runs and has them, from its feed. Nothing is sent."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from cabcanary import units
from cabcanary.calibration.points import Readings, readings_of
from cabcanary.model import Quality, Value
from cabcanary.processes.status import Status
from cabcanary.sources.kind import Opening, OwnState
from cabcanary.sources.kinds import kind_of
from cabcanary.sources.slot import Slots

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.calibration.points_file import Subject
    from cabcanary.clock import Clock
    from cabcanary.plan.plan import Plan
    from cabcanary.sources.running import Running

#: A wire is looked at this often, s; no converter here is faster.
_LOOK_S = 0.005
#: A device that is just being opened has so long to say something, s: a CAN adapter on a serial port takes 2 s.
_FIRST_S = 6.0
#: Frames a second that are asked of a daemon: each then has a reading of its own.
_FRAMES_HZ = 10
_ANSWERS_WITHIN_S = 3.0
#: A stream that is being opened may hang; it is a daemon's thread, and dies with the process.
_LONGEST_END_S = 2.0
_UNIT_FEED = Path("/run/cabcanary/feed.sock")


class NoReadingsError(Exception):
    """The wire says nothing; the message says why and what to do."""


class Ear(Protocol):
    """Where readings come from."""

    #: In words, for a person.
    place: str

    def hear(self, seconds: float) -> Readings:
        """Readings of the next seconds. Raises NoReadingsError."""

    def value_of(self, channel: str) -> Value | None:
        """What another channel shows now; None where it cannot be seen."""

    def close(self) -> None:
        """Let go of wires and connections."""


def open_ear(plan: Plan, subject: Subject, clock: Clock) -> Ear:
    """The daemon's feed where one runs with these settings, else the wires.

    Raises:
        NoReadingsError: neither can be had without sending anything.
    """
    try:
        return FeedEar(plan, subject)
    except OSError:
        return WireEar(plan, subject, clock)


class WireEar:
    """The sources themselves. Streams run in a loop of their own, in a thread."""

    def __init__(self, plan: Plan, subject: Subject, clock: Clock) -> None:
        self._subject, self._clock, self._slots = subject, clock, Slots()
        self._pipeline = plan.pipeline()
        self._words: dict[str, str] = {}
        self._running: list[Running] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread
        self._newest: dict[str, Value] = {}
        needed = {subject.sensor.name, *subject.measured.needs}
        sources = {m.spec.source for m in self._pipeline.measured if m.name in needed}
        self.place = ", ".join(f"sources.{name}" for name in sorted(sources))
        asks = [name for name in sources if getattr(plan.settings.sources[name], "items", None)]
        if asks:
            raise NoReadingsError(
                f"sources.{asks[0]} answers only when it is asked, and this sends nothing: start the daemon "
                "(cabcanary run), and the readings come from its feed"
            )
        for name in sources:
            self._open(plan, name)

    def _open(self, plan: Plan, name: str) -> None:
        spec = plan.settings.sources[name]

        def tell(source: str, ok: bool, words: str) -> None:
            self._words[source] = "" if ok else words

        own = OwnState(lambda: True, lambda: 0, lambda: 0.0)
        opening = Opening(
            name, plan.wanted_items(name), self._clock, self._slots, Status(name, tell), lambda _item: None,
            plan.settings.daemon.folder, own,
        )  # fmt: skip
        running = kind_of(spec).open(spec, opening)
        self._running.append(running)
        begun = running.begin()
        if begun is not None:
            asyncio.run_coroutine_threadsafe(begun(), self._in_thread())

    def _in_thread(self) -> asyncio.AbstractEventLoop:
        if self._loop is None:
            self._loop = asyncio.new_event_loop()
            self._thread = threading.Thread(target=self._loop.run_forever, name="calibrate-loop", daemon=True)
            self._thread.start()
        return self._loop

    def hear(self, seconds: float) -> Readings:
        """Each reading of the wire once, from now on."""
        measured, sensor = self._subject.measured, self._subject.sensor
        begun, last = self._clock.now_ns(), 0
        ends = begun + int(_FIRST_S * 1e9)
        why = ""
        times: list[float] = []
        wires: list[float] = []
        stop = threading.Event()
        while self._clock.now_ns() < ends:
            reading = self._slots.newest.get(measured.key)
            if reading is not None and reading.time_ns > max(last, begun):
                last = reading.time_ns
                values = self._step()
                around, missing = measured.surroundings(values) if self._has(values) else (None, "not there yet")
                why = reading.reason or missing
                if reading.value is not None and around is not None:
                    if not wires:
                        ends = last + int(seconds * 1e9)
                    times.append(last / 1e9)
                    wires.append(sensor.chain.curve_reading(reading.value, around))
            self._clock.wait(stop, _LOOK_S)
        if not wires:
            told = "; ".join(words for words in self._words.values() if words) or why
            raise NoReadingsError(f"no reading of {sensor.name} from {self.place}" + (f": {told}" if told else ""))
        return readings_of(times, wires)

    def _has(self, values: dict[str, Value]) -> bool:
        return all(name in values for name in self._subject.measured.needs)

    def _step(self) -> dict[str, Value]:
        self._newest = self._pipeline.step(dict(self._slots.newest), self._clock.now_ns()).values
        return self._newest

    def value_of(self, channel: str) -> Value | None:
        """Only of a channel whose source is listened to anyway."""
        value = self._step().get(channel)
        return value if value is not None and value.quality is Quality.GOOD else None

    def close(self) -> None:
        """Stop the sources; what hangs dies with the process."""
        for running in self._running:
            running.stop()
        if self._loop is None:
            return
        with contextlib.suppress(TimeoutError):
            asyncio.run_coroutine_threadsafe(_cancel_all(), self._loop).result(_LONGEST_END_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_LONGEST_END_S)
        if not self._thread.is_alive():
            self._loop.close()


async def _cancel_all() -> None:
    tasks = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


class FeedEar:
    """The feed of a running daemon. Its frames have values: the curve that made them leads back to the wire.

    Raises:
        OSError: no daemon runs with these settings.
    """

    def __init__(self, plan: Plan, subject: Subject) -> None:
        self._subject = subject
        path = plan.settings.daemon.feed_path
        if not path.exists() and plan.settings.daemon.feed is None and _UNIT_FEED.exists():
            path = _UNIT_FEED
        self.place = "the running daemon"
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(_ANSWERS_WITHIN_S)
        self._values: dict[str, list[Any]] = {}
        try:
            self._socket.connect(str(path))
            self._lines = self._socket.makefile("rb")
            hello = json.loads(self._lines.readline() or b"{}").get("hello", {})
            if subject.sensor.name not in hello.get("units", {}) or hello["vehicle"] != plan.settings.vehicle.name:
                raise ConnectionError  # another vehicle's
            self._socket.sendall(json.dumps({"subscribe": {"frames_hz": _FRAMES_HZ}}).encode() + b"\n")
        except (OSError, ValueError) as error:
            self._socket.close()
            raise OSError(str(error)) from error

    def hear(self, seconds: float) -> Readings:
        """A value of each frame; the same one in a row is one reading, seen twice."""
        sensor = self._subject.sensor
        times: list[float] = []
        values: list[float] = []
        why = "nothing new came"
        begun = time.monotonic()

        def take(t_s: float, told: list[Any]) -> None:
            nonlocal why
            value, quality = told[0], told[1]
            if value is None or quality not in _USABLE:
                why = ": ".join(str(w) for w in told[1:3])
            elif not values or value != values[-1]:
                times.append(t_s)
                values.append(value)

        self._follow(begun, seconds, take)
        if not values:
            raise NoReadingsError(f"{sensor.name} cannot be seen by the running daemon ({why})")
        return readings_of(times, [sensor.wire_at(v) for v in values])

    def _follow(self, begun: float, seconds: float, take: Callable[[float, list[Any]], None]) -> None:
        # What lay unread since the last point is not of now.
        stale_until = begun + 0.2
        while time.monotonic() - begun < seconds + 0.2:
            try:
                line = self._lines.readline()
            except TimeoutError:
                return
            if not line:
                raise NoReadingsError("the daemon has ended; start it again, or calibrate without it")
            frame = json.loads(line).get("frame")
            if frame is None:
                continue
            self._values = frame["values"]
            if time.monotonic() > stale_until and self._subject.sensor.name in self._values:
                take(frame["t"] / 1e9, self._values[self._subject.sensor.name])

    def value_of(self, channel: str) -> Value | None:
        """As the newest frame has it."""
        told = self._values.get(channel)
        if told is None or told[0] is None or told[1] != Quality.GOOD.words:
            return None
        return Value(float(told[0]), Quality.GOOD, 0)

    def close(self) -> None:
        """Hang up."""
        with contextlib.suppress(OSError):
            self._lines.close()
            self._socket.close()


_USABLE = (Quality.GOOD.words, Quality.SATURATED_HIGH.words, Quality.SATURATED_LOW.words)


def reference_from(ear: Ear, channel: str, symbol: str, channel_units: dict[str, str]) -> float:
    """Another channel's value as a reference, in this unit.

    Raises:
        NoReadingsError: it cannot be seen, or measures something else.
    """
    value = ear.value_of(channel)
    if value is None or value.value is None:
        raise NoReadingsError(f"{channel} cannot be seen now; type a number")
    try:
        return units.convert(value.value, channel_units[channel], symbol)
    except units.UnitError as error:
        raise NoReadingsError(str(error)) from error
