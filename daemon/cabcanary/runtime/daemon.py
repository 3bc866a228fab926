"""The daemon: builds the parts, supervises them and the helper processes, and ticks."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import signal
import traceback
from typing import TYPE_CHECKING, Any

from cabcanary import __version__
from cabcanary.alerts import arrival, sounds, words
from cabcanary.alerts.annunciator import Annunciator
from cabcanary.alerts.console import Console
from cabcanary.alerts.lamp import LampKeeper
from cabcanary.alerts.outputs import Outputs, loudness_of
from cabcanary.alerts.start_up import StartUp
from cabcanary.clock import NS_PER_S, Clock
from cabcanary.feed import Feed
from cabcanary.model import LIMITS_NOT_CONFIRMED, Event, EventKind, Priority, Quality
from cabcanary.processes.helper import Helper
from cabcanary.processes.host import Heartbeat, LampMemory, notify
from cabcanary.processes.status import Backoff, Status
from cabcanary.recorder.recorder import Recorder
from cabcanary.recorder.writer import JournalWriter
from cabcanary.runtime.requests import Commands
from cabcanary.runtime.wiring import Wiring
from cabcanary.sources.host.computer import OwnState
from cabcanary.sources.slot import Slots

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Coroutine
    from typing import TextIO

    from cabcanary.channels.pipeline import Newest
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.recorder.recorder import States
    from cabcanary.rules.engine import Change

#: How long the parts may take to stop, real seconds; after that the daemon says so and goes.
_STOP_S = 3.0
#: How long the messenger may take to publish how the drive ended and to say good-bye, real seconds.
_GOOD_BYE_S = 2.5
#: How often the watcher hears the heartbeat, real seconds: ten could be lost before it sounds.
_HEARTBEAT_S = 0.2
#: Different faults of its own that are told of; one that says something new each time must not fill the log.
_MOST_FAULTS = 50


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
        self._build_outputs()
        self._writer = JournalWriter(plan.settings.daemon.folder, self._recorder_told, self._slots.steps)
        self._recorder = Recorder(plan, self._pipeline, self._engine, self._writer, clock)
        self._commands = Commands(self._engine, self._annunciator, clock, plan.settings.buttons, self._tell)
        self._feed = Feed(plan.settings.daemon.feed_path, self._hello, self._standing, self._commands.take)
        self._archive_wanted = asyncio.Event()
        #: Set once the first tick has looked at everything: only then may anything be done in the background.
        self._armed = asyncio.Event()
        self._arrival_told = False
        self._messenger: Helper | None = None
        self._last_drive: threading.Event | None = None
        self._own_faults: set[str] = set()
        self._missed_changes = False
        self.late_ticks = 0
        own = OwnState(lambda: self._writer.able, lambda: self.late_ticks)
        self._wiring = Wiring(plan, clock, self._slots, self._commands.pressed, own)

    def _build_outputs(self) -> None:
        plan = self._plan
        self._outputs = Outputs(
            plan.settings, self._clock, self._console, lambda name: self._status(name, EventKind.HELPER)
        )
        self._annunciator = Annunciator(self._outputs.players, loudness_of(plan.settings))
        needed = dict.fromkeys(channel for rule in plan.rules.rules for channel in rule.channels)
        after = plan.settings.lamp.after if plan.settings.lamp else ()
        self._lamp = LampKeeper(self._outputs.lamp, needed, after)
        self._lamp_memory = LampMemory(plan.settings.daemon.run_folder)
        self._lamp.stay_out = self._lamp_memory.read()
        self._start_up = StartUp(plan, self._clock, self._outputs)
        self._heartbeat = Heartbeat(plan.settings.daemon.watch_path)

    # --- life -----------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Run until SIGTERM or SIGINT."""
        for number in (signal.SIGTERM, signal.SIGINT):
            self._loop.add_signal_handler(number, self._stop.set)
        self._say_start()
        try:
            async with asyncio.TaskGroup() as group:
                for name, spec in self._plan.settings.sources.items():
                    status = self._status(name, EventKind.SOURCE)
                    run = self._wiring.open(name, spec, status)
                    if run is not None:
                        group.create_task(self._keep_running(run, status))
                group.create_task(self._serve_feed())
                helper = self._status("archiver", EventKind.HELPER)
                group.create_task(self._keep_running(self._archive, helper))
                if self._outputs.sound_card is not None:
                    group.create_task(self._keep_running(self._outputs.sound_card.run, self._statuses["sound_card"]))
                if self._plan.settings.mqtt:
                    messenger = self._status("messenger", EventKind.HELPER)
                    self._messenger = self._make_messenger(messenger)
                    group.create_task(self._keep_running(self._messenger.run, messenger))
                group.create_task(self._keep_ticking())
                notify("READY=1")
                await self._stop.wait()
                await self._say_good_bye()
                raise _StopAskedError
        except* _StopAskedError:
            pass
        finally:
            await self._shut_down()

    async def _say_good_bye(self) -> None:
        """Tell the feed's readers, and through the messenger the broker, how it ended. Warnings go on meanwhile."""
        notify("STOPPING=1")
        self._heartbeat.close()
        self._tell(Event(self._clock.now_ns(), EventKind.MONITOR, "stopping", "stops, as it was asked to"))
        self._end_drive()
        self._feed.end()
        if self._messenger is not None:
            await self._messenger.finish(_GOOD_BYE_S)

    def _end_drive(self) -> None:
        event, written = self._recorder.close(self._clock.now_ns())
        if event is not None:
            self._tell(event, record=False)
            self._last_drive = written

    async def _shut_down(self) -> None:
        self._wiring.stop()
        self._end_drive()
        self._outputs.close()
        if self._last_drive is not None:
            await asyncio.to_thread(self._last_drive.wait, _STOP_S)
        if not await asyncio.to_thread(self._writer.stop, _STOP_S):
            self._console.line("the card does not answer; the last seconds of the drive may be lost")
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._run_archiver(), _STOP_S)
        self._console.line(words.STOPPED)
        await asyncio.to_thread(self._console.close, 1.0)

    def _say_start(self) -> None:
        plan = self._plan
        say = self._console.line
        say(f"cabcanary {__version__} watches {plan.settings.vehicle.name}, stage: {plan.settings.vehicle.stage}")
        say("This is a monitor, not protection: it warns, and it cannot stop the engine from being damaged.")
        if self._clock.speed != 1.0:
            say(f"BENCH: the clock runs {self._clock.speed:g} times as fast as real time")
        if plan.baselines_fault:
            say(f"WITHOUT BASELINES: {plan.baselines_fault}")
        for rule in plan.not_fitted:
            say(f"not fitted: rule {rule.id} {rule.words}")
        self._tell(self._annunciator.start_up(self._clock.now_ns()))
        if not plan.settings.limits.confirmed_by:
            self._say_limits()

    def _say_limits(self) -> None:
        """Limits that nobody has confirmed are examples: a caution at every start."""
        text = "Limits are examples. Have a qualified tuner confirm them, then set limits.confirmed_by."
        data = {"priority": Priority.CAUTION.word, "raised": True, "active": False, "blind": False}
        event = Event(self._clock.now_ns(), EventKind.ALERT, LIMITS_NOT_CONFIRMED, text, data)
        self._alerts[event.what] = event
        self._tell(event)
        # After the start-up sound has been heard out.
        self._loop.call_later(self._clock.real_s(sounds.START_UP.seconds + 0.5), self._sound_limits)

    def _sound_limits(self) -> None:
        event = self._annunciator.notice(sounds.CAUTION, LIMITS_NOT_CONFIRMED, self._clock.now_ns())
        if event is not None:
            self._tell(event)

    # --- sources and helpers ----------------------------------------------------------------------------

    async def _keep_running(self, run: Callable[[], Coroutine[Any, Any, None]], status: Status) -> None:
        """Run a part for ever: a fault of its own ends neither the others nor, after a while, itself."""
        backoff = Backoff(first_s=0.5, longest_s=30.0)
        while True:
            try:
                await run()
            except Exception as error:  # noqa: BLE001
                self._own_fault(status.name, error, self._clock.now_ns(), heard=False)
                status.bad(f"stopped by a fault of its own ({type(error).__name__}: {error}); started again")
            await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    def _status(self, name: str, kind: EventKind) -> Status:
        def tell(name: str, ok: bool, text: str) -> None:
            event = Event(self._clock.now_ns(), kind, name, f"{name}: {text}", {"ok": ok})
            # Sources tell from threads of their own, too.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._tell, event)

        status = Status(name, tell)
        self._statuses[name] = status
        return status

    def _make_messenger(self, status: Status) -> Helper:
        mqtt = self._plan.settings.mqtt
        assert mqtt is not None
        settings = {
            "feed": str(self._plan.settings.daemon.feed_path),
            "vehicle": self._plan.settings.vehicle.name,
            **mqtt.model_dump(mode="json"),
            "port": mqtt.port_number,
            "outbox_file": str(self._plan.settings.daemon.folder / "outbox.sqlite"),
        }

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
        await self._armed.wait()
        self._archive_wanted.set()
        while True:
            await self._archive_wanted.wait()
            self._archive_wanted.clear()
            await self._tell_arrivals(await self._run_archiver())

    async def _tell_arrivals(self, archived: list[str]) -> None:
        """The arrival line of each drive that has just been archived; at key-on without one, of the last drive."""
        folder, again = self._plan.settings.daemon.folder, False
        if not archived and not self._arrival_told:
            last = await asyncio.to_thread(arrival.last_drive, folder, self._plan.settings.vehicle.name)
            archived, again = [last] if last is not None else [], True
        for drive in archived:
            found = await asyncio.to_thread(arrival.summary, folder, drive)
            if found is not None:
                text = ("last drive: " if again else "") + words.arrival_line(found)
                data = {**found, "again": again}
                self._tell(Event(self._clock.now_ns(), EventKind.DRIVE, "arrival", text, data))
        self._arrival_told = True

    async def _run_archiver(self) -> list[str]:
        """Archive what there is; returns the drives that were."""
        archived: list[str] = []

        def take(message: dict[str, Any]) -> None:
            what = next((w for w in ("archived", "dated", "removed") if w in message), "failed")
            if what == "archived":
                archived.append(str(message["archived"]))
            self._tell(Event(self._clock.now_ns(), EventKind.RECORDER, what, str(message.get("text", "")), message))

        settings = {
            "folder": str(self._plan.settings.daemon.folder),
            "speed": self._clock.speed,
            "archive": self._plan.settings.archive.model_dump(),
            "told_time": self._recorder.time.fit,
        }
        helper = Helper("cabcanary.recorder.archiver", settings, Status("archiver", lambda *_: None), take)
        code = await helper.run_once()
        if code != 0:
            text = f"the archiver ended with code {code}; the drive stays in the journal for the next start"
            self._tell(Event(self._clock.now_ns(), EventKind.RECORDER, "failed", text))
        return archived

    def _recorder_told(self, text: str, ok: bool) -> None:
        event = Event(self._clock.now_ns(), EventKind.RECORDER, "ok" if ok else "failed", text, {"ok": ok})
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._tell, event)
            if not ok:
                # A full card in mid-drive: old drives may make room for the one under way.
                self._loop.call_soon_threadsafe(self._archive_wanted.set)

    # --- the tick -------------------------------------------------------------------------------------

    async def _keep_ticking(self) -> None:
        period = self._clock.real_s(1.0 / self._plan.settings.daemon.tick_hz)
        due = self._loop.time()
        notified, beat_s = 0.0, 0.0
        while True:
            due += period
            await asyncio.sleep(max(0.0, due - self._loop.time()))
            late = int((self._loop.time() - due) / period)
            if late > 0:
                # Never catch up by a burst of ticks: the newest readings are all that matters.
                self.late_ticks += late
                due += late * period
            self._tick()
            self._armed.set()
            # Watchdogs wait in real seconds, whatever the clock's speed.
            now_s = self._loop.time()
            if now_s - beat_s > _HEARTBEAT_S:
                beat_s = now_s
                self._heartbeat.beat()
            if now_s - notified > 1.0:
                notified = now_s
                notify("WATCHDOG=1")

    def _tick(self) -> int:
        """One tick; returns its time. Whatever goes wrong in it, the next one comes."""
        # The readings first: what a thread leaves while the time is taken belongs to the next tick.
        newest = dict(self._slots.newest)
        now_ns = self._clock.now_ns()
        try:
            state = self._recorder.states_before(now_ns)
            frame = self._pipeline.step(newest, now_ns)
            changes = self._engine.step(frame)
            if self._missed_changes:
                told = self._annunciator.wanting | {c.alert for c in changes}
                changes += [c for c in self._engine.asking(now_ns) if c.alert not in told]
                self._missed_changes = False
            heard = self._annunciator.update(changes, now_ns, broken=bool(self._engine.faults))
        except Exception as error:  # noqa: BLE001 - a fault of our own must be heard, not end the watch
            # What the rules had decided in this tick may be lost: the next one asks them where they stand.
            self._missed_changes = True
            self._own_fault("the monitor itself", error, now_ns, heard=True)
            return now_ns
        # From here on everything has sounded that must; the rest may take its time, and may fail.
        for rule, fault in self._engine.faults.items():
            self._own_fault(f"rule {rule}", fault, now_ns, heard=False)
        try:
            self._after_the_warning(frame, newest, changes, heard, state)
        except Exception as error:  # noqa: BLE001
            self._own_fault("recording or showing", error, now_ns, heard=False)
        return now_ns

    def _own_fault(self, where: str, error: Exception, now_ns: int, *, heard: bool) -> None:
        """A fault in this program: said once for each kind, and when it blinds the monitor, heard until it stops."""
        text = f"fault in {where}: {type(error).__name__}: {error}; please report this with the log"
        if text not in self._own_faults and len(self._own_faults) < _MOST_FAULTS:
            self._own_faults.add(text)
            self._console.line("".join(traceback.format_exception(error)))
            with contextlib.suppress(Exception):
                self._tell(Event(now_ns, EventKind.HELPER, "fault", text, {"ok": False}))
        if heard:
            event = self._annunciator.insist(sounds.CANNOT_SEE, now_ns)
            if event is not None:
                self._tell(event)

    def _after_the_warning(
        self, frame: Frame, newest: Newest, changes: list[Change], heard: list[Event], state: States | None
    ) -> None:
        if not self._annunciator.failure_told:
            self._annunciator.failure_told = True
            self._tell(Event(frame.time_ns, EventKind.HELPER, "output", self._annunciator.failure, {"ok": False}))
        if self._lamp.failure:
            self._tell(Event(frame.time_ns, EventKind.HELPER, "lamp", self._lamp.failure, {"ok": False}))
            self._lamp.failure = ""
        shown = self._lamp.update(frame, changes)
        event, written = self._recorder.step(frame, newest, state)
        alerts = [words.alert_event(c) for c in changes]
        for told in (*alerts, *heard, *shown, *self._start_up.step(frame, self._statuses, self._lamp)):
            self._tell(told)
        if event is not None:
            self._tell(event, record=False)
        if written is not None:
            self._archive_when(written)
        if self._recorder.newly_told_the_time:
            self._recorder.newly_told_the_time = False
            self._archive_wanted.set()
        self._follow_key(frame, drive_ended=written is not None)
        self._feed.frame(frame)
        self._wiring.follow_ignition(frame)

    def _follow_key(self, frame: Frame, *, drive_ended: bool) -> None:
        """Night, and the end of what the lamp must remember: the key, or without one on a wire the drive's end."""
        night = self._plan.settings.sounds.night_when
        if night is not None:
            self._annunciator.loudness.night = _is_on(frame, night) is True
        off = drive_ended if self._plan.ignition is None else _is_on(frame, self._plan.ignition) is False
        if off and self._lamp.stay_out:
            for told in self._lamp.key_off(frame.time_ns):
                self._tell(told)
        if self._lamp.stay_out != self._lamp_memory.last:
            self._lamp_memory.keep(self._lamp.stay_out)

    def _archive_when(self, written: threading.Event) -> None:
        async def wait() -> None:
            await asyncio.to_thread(written.wait, 60.0)
            self._archive_wanted.set()

        self._waiting = self._loop.create_task(wait())

    def _tell(self, event: Event, *, record: bool = True) -> None:
        """Show, publish and, unless it is already there, record an event."""
        if event.kind is EventKind.ALERT and "state" in event.data:
            if event.data["active"] or not event.data["acknowledged"]:
                self._alerts[event.what] = event
            else:
                self._alerts.pop(event.what, None)
        if record:
            self._recorder.event(event)
        self._feed.event(event)
        self._console.line(words.log_line(event, (event.time_ns - self._started_ns) / NS_PER_S))

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

    def _standing(self) -> list[Event]:
        """Every alert that stands, as last told."""
        return list(self._alerts.values())


def _is_on(frame: Frame, channel: str) -> bool | None:
    """A channel of states; None while it is not known."""
    value = frame.values[channel]
    return None if value.value is None or value.quality is not Quality.GOOD else value.value != 0.0


class _StopAskedError(Exception):
    """Ends the task group from inside, in order."""
