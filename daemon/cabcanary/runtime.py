"""The daemon: builds the parts, supervises them and the helper processes, and ticks."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import signal
import socket
from collections import deque
from typing import TYPE_CHECKING, Any

from cabcanary import __version__
from cabcanary.alerts import sounds
from cabcanary.alerts.annunciator import Annunciator, Player
from cabcanary.alerts.buzzer import BuzzerError, PwmBuzzer
from cabcanary.alerts.console import Console
from cabcanary.alerts.words import alert_event, log_line
from cabcanary.clock import NS_PER_S, Clock
from cabcanary.feed import Feed
from cabcanary.model import Event, EventKind, Priority, Quality
from cabcanary.recorder.recorder import Recorder
from cabcanary.recorder.writer import JournalWriter
from cabcanary.settings.wires import (
    CanSource,
    GpioSource,
    HwmonSource,
    IioSource,
    SerialBinarySource,
    SerialTextSource,
    Source,
)
from cabcanary.sources.binary_frame import FrameParser
from cabcanary.sources.can_bus import CanBus
from cabcanary.sources.gpio import GpioInputs
from cabcanary.sources.helper import Helper
from cabcanary.sources.hwmon import hwmon_reader
from cabcanary.sources.iio import iio_reader
from cabcanary.sources.serial_port import SerialReader
from cabcanary.sources.slot import Slots, Status
from cabcanary.sources.text_line import LineParser

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Coroutine
    from pathlib import Path
    from typing import TextIO

    from cabcanary.model import Frame
    from cabcanary.plan import Plan
    from cabcanary.sources.tree import TreeReader

#: How long the parts may take to stop, real seconds; after that the daemon says so and goes.
_STOP_S = 3.0
#: How many past events a new reader of the feed is told.
_RECENT_EVENTS = 20


class AlreadyWatchedError(RuntimeError):
    """Another daemon has this folder, and with it the wires."""


def claim(folder: Path) -> int:
    """Take the folder for this daemon, for as long as the returned descriptor stays open.

    Two daemons would take each other's wires. A folder that cannot be written is no reason not to watch, so then
    nothing is claimed (-1).

    Raises:
        AlreadyWatchedError: another daemon has it.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(folder / "daemon.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError:
        return -1
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        holder = os.read(descriptor, 20).decode(errors="replace").strip()
        os.close(descriptor)
        words = f"another daemon (process {holder}) watches already, with the folder {folder}; stop it first"
        raise AlreadyWatchedError(words) from None
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
    return descriptor


class Daemon:
    """One vehicle's monitor. `run` returns when it was asked to stop."""

    def __init__(self, plan: Plan, clock: Clock, stream: TextIO) -> None:
        self._plan, self._clock = plan, clock
        self._console = Console(stream)
        self._slots = Slots()
        self._pipeline = plan.pipeline()
        self._engine = plan.engine()
        self._started_ns = clock.now_ns()
        self._stop = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        self._statuses: dict[str, Status] = {}
        self._alerts: dict[str, Event] = {}
        self._recent: deque[Event] = deque(maxlen=_RECENT_EVENTS)
        self._buzzer: PwmBuzzer | None = None
        self._annunciator = Annunciator(self._players())
        self._writer = JournalWriter(plan.settings.daemon.folder, self._recorder_told)
        self._recorder = Recorder(plan, self._pipeline, self._engine, self._writer, clock)
        self._feed = Feed(plan.settings.daemon.feed_path, self._hello, self._past, self._command)
        self._archive_wanted = asyncio.Event()
        self._trees: list[TreeReader] = []
        self._buses: list[CanBus] = []
        self._ignition: bool | None = None
        self.late_ticks = 0

    # --- life -----------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Run until SIGTERM or SIGINT."""
        for number in (signal.SIGTERM, signal.SIGINT):
            self._loop.add_signal_handler(number, self._stop.set)
        self._say_start()
        try:
            async with asyncio.TaskGroup() as group:
                for task in self._start_sources():
                    group.create_task(task)
                group.create_task(self._serve_feed())
                group.create_task(self._archive())
                if self._plan.settings.mqtt:
                    group.create_task(self._messenger().run())
                group.create_task(self._keep_ticking())
                _notify("READY=1")
                await self._stop.wait()
                _notify("STOPPING=1")
                raise _StopAskedError
        except* _StopAskedError:
            pass
        finally:
            await self._shut_down()

    async def _shut_down(self) -> None:
        for reader in self._trees:
            reader.stop()
        event, written = self._recorder.close(self._clock.now_ns())
        if event is not None:
            self._tell(event, record=False)
        if self._buzzer:
            self._buzzer.close()
        if written is not None:
            await asyncio.to_thread(written.wait, _STOP_S)
        if not await asyncio.to_thread(self._writer.stop, _STOP_S):
            self._console.line("the card does not answer; the last seconds of the drive may be lost")
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._run_archiver(), _STOP_S)
        self._console.line("stopped: this vehicle is no longer watched")
        await asyncio.to_thread(self._console.close, 1.0)

    def _say_start(self) -> None:
        plan = self._plan
        say = self._console.line
        say(f"cabcanary {__version__} watches {plan.settings.vehicle.name}, stage: {plan.settings.vehicle.stage}")
        say("This is a monitor, not protection: it warns, and it cannot stop the engine from being damaged.")
        if self._clock.speed != 1.0:
            say(f"BENCH: the clock runs {self._clock.speed:g} times as fast as real time")
        for rule in plan.not_fitted:
            say(f"not fitted: rule {rule.id} needs a channel '{rule.channel}'")
        self._tell(self._annunciator.start_up(self._clock.now_ns()))
        if not plan.settings.limits.confirmed_by:
            self._say_limits()

    def _say_limits(self) -> None:
        """Limits that nobody has confirmed are examples: a caution at every start."""
        words = "Limits are examples. Have a qualified tuner confirm them, then set limits.confirmed_by."
        data = {"priority": Priority.CAUTION.word, "raised": True, "active": False, "blind": False}
        event = Event(self._clock.now_ns(), EventKind.ALERT, "limits_not_confirmed", words, data)
        self._alerts[event.what] = event
        self._tell(event)
        # After the start-up sound has been heard out.
        length = sum(t.seconds for t in sounds.START_UP.tones)
        self._loop.call_later(self._clock.real_s(length + 0.5), self._sound_limits)

    def _sound_limits(self) -> None:
        event = self._annunciator.notice(sounds.CAUTION, "limits_not_confirmed", self._clock.now_ns())
        if event is not None:
            self._tell(event)

    def _players(self) -> list[Player]:
        spec = self._plan.settings.buzzer
        if spec is None:
            self._console.line("no buzzer is set up: alerts are only shown here")
            return []
        try:
            self._buzzer = PwmBuzzer(spec.pin, self._clock)
        except BuzzerError as error:
            self._console.line(f"NO BUZZER: {error}. Nothing will be heard in the cab until this is mended.")
            return []
        return [self._buzzer]

    # --- sources and helpers ----------------------------------------------------------------------------

    def _start_sources(self) -> list[Coroutine[Any, Any, None]]:
        started = [self._start_source(name, spec) for name, spec in self._plan.settings.sources.items()]
        return [task for task in started if task is not None]

    def _start_source(self, name: str, spec: Source) -> Coroutine[Any, Any, None] | None:
        """Start one source; what must run in the loop is returned, the others have threads of their own."""
        items = self._plan.wanted_items(name)
        status = self._status(name, EventKind.SOURCE)
        clock, slots = self._clock, self._slots
        match spec:
            case IioSource():
                self._start_tree(iio_reader(name, spec, items, clock, slots, status))
            case HwmonSource():
                self._start_tree(hwmon_reader(name, spec, items, clock, slots, status))
            case SerialTextSource():
                return SerialReader(name, spec, LineParser(name, spec), items, clock, slots, status).run()
            case SerialBinarySource():
                return SerialReader(name, spec, FrameParser(name, spec), items, clock, slots, status).run()
            case CanSource():
                bus = CanBus(name, spec, clock, slots, status)
                self._buses.append(bus)
                return bus.run()
            case GpioSource():
                return GpioInputs(name, spec, items, clock, slots, status, self._pressed(name)).run()
        return None

    def _start_tree(self, reader: TreeReader) -> None:
        self._trees.append(reader)
        reader.start()

    def _pressed(self, source: str) -> Callable[[str], None]:
        """What a press of a button of this source does."""
        button = self._plan.settings.buttons.acknowledge

        def pressed(item: str) -> None:
            if button is not None and (source, item) == (button.source, button.item):
                self._acknowledge("button")

        return pressed

    def _follow_ignition(self, frame: Frame) -> None:
        """Tell the buses when the ignition goes on or off, so that a sleeping vehicle is asked for nothing."""
        channel = self._plan.ignition
        if channel is None or not self._buses:
            return
        value = frame.values[channel]
        if value.value is None or value.quality is not Quality.GOOD:
            return
        ignition = value.value != 0.0
        if ignition != self._ignition:
            self._ignition = ignition
            for bus in self._buses:
                bus.ignition(ignition)

    def _status(self, name: str, kind: EventKind) -> Status:
        def tell(name: str, ok: bool, words: str) -> None:
            event = Event(self._clock.now_ns(), kind, name, f"{name}: {words}", {"ok": ok})
            # Sources tell from threads of their own, too.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._tell, event)

        status = Status(name, tell)
        self._statuses[name] = status
        return status

    def _messenger(self) -> Helper:
        mqtt = self._plan.settings.mqtt
        assert mqtt is not None
        settings = {
            "feed": str(self._plan.settings.daemon.feed_path),
            "vehicle": self._plan.settings.vehicle.name,
            **mqtt.model_dump(mode="json"),
        }
        status = self._status("messenger", EventKind.HELPER)

        def take(message: dict[str, Any]) -> None:
            (status.good if message.get("ok") else status.bad)(str(message.get("text", "")))

        return Helper("cabcanary.messenger.mqtt", settings, status, take)

    async def _serve_feed(self) -> None:
        status = self._status("feed", EventKind.HELPER)
        while True:
            try:
                await self._feed.run()
            except OSError as error:
                status.bad(f"the feed cannot be served: {error}")
                await asyncio.sleep(5.0)

    async def _archive(self) -> None:
        """Recover what an earlier run left behind, then archive each drive as it ends."""
        self._archive_wanted.set()
        while True:
            await self._archive_wanted.wait()
            self._archive_wanted.clear()
            await self._run_archiver()

    async def _run_archiver(self) -> None:
        def take(message: dict[str, Any]) -> None:
            what = "archived" if "archived" in message else "failed"
            self._tell(Event(self._clock.now_ns(), EventKind.RECORDER, what, str(message.get("text", "")), message))

        settings = {"folder": str(self._plan.settings.daemon.folder)}
        helper = Helper("cabcanary.recorder.archiver", settings, Status("archiver", lambda *_: None), take)
        code = await helper.run_once()
        if code != 0:
            words = f"the archiver ended with code {code}; the drive stays in the journal for the next start"
            self._tell(Event(self._clock.now_ns(), EventKind.RECORDER, "failed", words))

    def _recorder_told(self, words: str, ok: bool) -> None:
        event = Event(self._clock.now_ns(), EventKind.RECORDER, "ok" if ok else "failed", words, {"ok": ok})
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._tell, event)

    # --- the tick -------------------------------------------------------------------------------------

    async def _keep_ticking(self) -> None:
        period = self._clock.real_s(1.0 / self._plan.settings.daemon.tick_hz)
        due = self._loop.time()
        beat_ns = 0
        while True:
            due += period
            wait = due - self._loop.time()
            if wait < -period:
                # Never catch up by a burst of ticks: the newest readings are all that matters.
                self.late_ticks += int(-wait / period)
                due = self._loop.time()
            await asyncio.sleep(max(0.0, wait))
            now_ns = self._clock.now_ns()
            self._tick(now_ns)
            if now_ns - beat_ns > NS_PER_S:
                beat_ns = now_ns
                _notify("WATCHDOG=1")

    def _tick(self, now_ns: int) -> None:
        newest = dict(self._slots.newest)
        # A reading that a thread left after the tick's time was taken belongs to this tick all the same.
        now_ns = max(now_ns, max((r.time_ns for r in newest.values()), default=0))
        self._recorder.before_step(now_ns)
        frame = self._pipeline.step(newest, now_ns)
        changes = self._engine.step(frame)
        heard = self._annunciator.update(changes, now_ns) if changes else []
        # From here on everything has sounded that must; the rest may take its time.
        event, written = self._recorder.step(frame, newest)
        for told in (*map(alert_event, changes), *heard):
            self._remember_alert(told)
            self._tell(told)
        if event is not None:
            self._tell(event, record=False)
        if written is not None:
            self._archive_when(written)
        self._feed.frame(frame)
        self._follow_ignition(frame)

    def _remember_alert(self, event: Event) -> None:
        if event.kind is EventKind.ALERT:
            if event.data["active"]:
                self._alerts[event.what] = event
            else:
                self._alerts.pop(event.what, None)

    def _archive_when(self, written: threading.Event) -> None:
        async def wait() -> None:
            await asyncio.to_thread(written.wait, 60.0)
            self._archive_wanted.set()

        self._waiting = self._loop.create_task(wait())

    def _tell(self, event: Event, *, record: bool = True) -> None:
        """Show, publish and, unless it is already there, record an event."""
        self._recent.append(event)
        if record:
            self._recorder.event(event)
        self._feed.event(event)
        self._console.line(log_line(event, (event.time_ns - self._started_ns) / NS_PER_S))

    # --- the feed's questions ---------------------------------------------------------------------------

    def _hello(self) -> dict[str, Any]:
        vehicle = self._plan.settings.vehicle
        return {
            "software": __version__,
            "vehicle": vehicle.name,
            "stage": vehicle.stage,
            "units": self._plan.channel_units,
            "speed": self._clock.speed,
            "now": self._clock.now_ns(),
            "pid": os.getpid(),
            "sources": {s.name: {"ok": s.ok, "text": s.words} for s in self._statuses.values()},
        }

    def _past(self) -> list[Event]:
        """What a new reader of the feed must know: the last events, and every alert that stands."""
        recent = list(self._recent)
        return [e for e in self._alerts.values() if e not in recent] + recent

    def _command(self, message: dict[str, Any]) -> dict[str, Any]:
        if message.get("do") != "acknowledge":
            return {"error": f"unknown command {message.get('do')!r}; there is: acknowledge"}
        return {"acknowledged": self._acknowledge("feed")}

    def _acknowledge(self, by: str) -> list[str]:
        """A person has taken note: the sound stops, the states stay."""
        now_ns = self._clock.now_ns()
        changes = self._engine.acknowledge(now_ns)
        text = f"{len(changes)} alert(s) acknowledged"
        self._tell(Event(now_ns, EventKind.ACKNOWLEDGE, by, text, {"alerts": [c.alert for c in changes]}))
        for event in (*map(alert_event, changes), *self._annunciator.update(changes, now_ns)):
            self._remember_alert(event)
            self._tell(event)
        self._annunciator.acknowledged()
        return [c.alert for c in changes]


class _StopAskedError(Exception):
    """Ends the task group from inside, in order."""


def _notify(message: str) -> None:
    """Tell systemd, if it asked for it (sd_notify's protocol: a datagram to $NOTIFY_SOCKET)."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notifier:
        notifier.setblocking(False)
        notifier.sendto(message.encode(), address)
