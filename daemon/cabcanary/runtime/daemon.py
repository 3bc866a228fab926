"""The daemon: builds the parts, supervises them and the helper processes, and ticks."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from functools import partial
from typing import TYPE_CHECKING, Any

from cabcanary.alerts import sounds, words
from cabcanary.alerts.annunciator import Annunciator
from cabcanary.alerts.console import Console
from cabcanary.alerts.lamp import LampKeeper
from cabcanary.alerts.outputs import Outputs, loudness_of
from cabcanary.alerts.own import OwnAlerts
from cabcanary.alerts.start_up import StartUp
from cabcanary.clock import NS_PER_S, Clock
from cabcanary.feed import Feed
from cabcanary.model import (
    OUTPUT_LOST,
    SETTINGS_TAKEN,
    WATCHER_LOST,
    Event,
    EventKind,
    Quality,
)
from cabcanary.processes.host import Heartbeat, LampMemory, notify
from cabcanary.processes.places import Places, pages_user, user_number
from cabcanary.recorder.recorder import Recorder
from cabcanary.recorder.writer import JournalWriter
from cabcanary.runtime.archiving import Archiving
from cabcanary.runtime.channel_memory import ChannelMemory, HotMemory
from cabcanary.runtime.free_space import FreeSpace
from cabcanary.runtime.in_force import InForce, start_lines
from cabcanary.runtime.pace import Pace
from cabcanary.runtime.publishing import make_messenger
from cabcanary.runtime.reloading import Reloading, taken_over
from cabcanary.runtime.requests import Commands
from cabcanary.runtime.standing import Standing
from cabcanary.runtime.supervisor import Supervisor
from cabcanary.runtime.vigil import Vigil, armed
from cabcanary.runtime.wiring import Wiring
from cabcanary.sources.kind import OwnState
from cabcanary.sources.slot import Slots

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Coroutine, Iterator
    from typing import TextIO

    from cabcanary.channels.pipeline import Newest
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.processes.helper import Helper
    from cabcanary.processes.status import Status
    from cabcanary.recorder.recorder import States
    from cabcanary.rules.engine import Change

#: How long the parts may take to stop, real seconds; after that the daemon says so and goes.
_STOP_S = 3.0
#: How long the messenger may take to publish how the drive ended and to say good-bye, real seconds.
_GOOD_BYE_S = 2.5
#: A watcher that takes no heartbeat for so long is gone, real seconds: systemd has a dead one back in half a second.
_UNHEARD_S = 5.0
#: At power-on it may take so long to come up, as the watcher bears of the daemon.
FIRST_S = 60.0
_WATCH = "systemctl restart cabcanary-watch"


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
        self._supervisor = Supervisor(clock, self._tell, self._console.line)
        self._standing = Standing(plan, clock, self._supervisor.statuses)
        self._build_outputs()
        self._writer = JournalWriter(plan.settings.daemon.folder, self._recorder_told, self._slots.steps)
        self._recorder = Recorder(plan, self._pipeline, self._engine, self._writer, clock)
        self._memory = ChannelMemory(plan.settings.daemon.folder)
        self._memory.recall(self._pipeline, self._recorder.time.look({}, self._started_ns))
        self._hot = HotMemory(plan.settings.daemon.run_folder)
        self._hot.recall(self._pipeline, self._started_ns)
        self._own = OwnAlerts()
        buttons = plan.settings.buttons
        self._in_force = InForce(clock, self._annunciator, self._tell, self._loop)
        self._reloading = Reloading(clock, self._tell, self._take_plan)
        self._commands = Commands(self._engine, self._annunciator, clock, buttons, self._tell, self._own, self.reload)
        self._pages = user_number(pages_user(plan.settings.daemon.pages_user))
        self._feed = Feed(
            plan.settings.daemon.feed_path,
            self._standing.hello,
            self._standing.alerts,
            self._commands.take,
            Places(self._pages, self._helpers),
            self._status,
        )
        self._space = FreeSpace(plan.settings.daemon.folder)
        self._archiving = Archiving(plan, clock, self._recorder.time, self._tell)
        #: Set once the first tick has looked at everything: only then may anything be done in the background.
        self._armed = asyncio.Event()
        self._messenger: Helper | None = None
        self._last_drive: threading.Event | None = None
        self._missed_changes = False
        self.late_ticks = 0
        own = OwnState(lambda: self._writer.able, lambda: self.late_ticks, lambda: self._writer.write_latency_s)
        self._wiring = Wiring(plan, clock, self._slots, self._commands.pressed, own)

    def _build_outputs(self) -> None:
        plan = self._plan
        self._outputs = Outputs(
            plan.settings, self._clock, self._console, lambda name: self._supervisor.status(name, EventKind.HELPER)
        )
        self._annunciator = Annunciator(self._outputs.players, loudness_of(plan.settings))
        after = plan.settings.lamp.after if plan.settings.lamp else ()
        self._lamp = LampKeeper(self._outputs.lamp, plan.needed, after, partly=bool(plan.coverage.gaps))
        self._lamp_memory = LampMemory(plan.settings.daemon.run_folder)
        self._lamp.stay_out = self._lamp_memory.read()
        self._start_up = StartUp(plan, self._clock, self._outputs)
        self._heartbeat = Heartbeat(plan.settings.daemon.watch_path)
        self._vigil = Vigil(self._heartbeat, lambda: self._outputs.deaf)

    # --- life -----------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Run until SIGTERM or SIGINT."""
        for number in (signal.SIGTERM, signal.SIGINT):
            self._loop.add_signal_handler(number, self._stop.set)
        self._loop.add_signal_handler(signal.SIGHUP, self.reload)
        self._say_start()
        try:
            async with asyncio.TaskGroup() as group:
                for run, status in self._parts():
                    group.create_task(self._supervisor.keep_running(run, status))
                group.create_task(self._keep_ticking())
                group.create_task(self._say_armed())
                await self._stop.wait()
                await self._say_good_bye()
                raise _StopAskedError
        except* _StopAskedError:
            pass
        finally:
            await self._shut_down()

    def _parts(self) -> Iterator[tuple[Callable[[], Coroutine[Any, Any, None]], Status]]:
        """Whatever runs in the loop beside the tick, with its standing."""
        supervisor, settings = self._supervisor, self._plan.settings
        for name, spec in settings.sources.items():
            status = supervisor.status(name, EventKind.SOURCE)
            run = self._wiring.open(name, spec, status)
            if run is not None:
                yield run, status
        feed = supervisor.status("feed", EventKind.HELPER)
        yield partial(self._serve_feed, feed), feed
        yield partial(self._archiving.run, self._armed), supervisor.status("archiver", EventKind.HELPER)
        if self._outputs.sound_card is not None:
            yield self._outputs.sound_card.run, supervisor.statuses["sound_card"]
        if settings.mqtt:
            status = supervisor.status("messenger", EventKind.HELPER)
            self._messenger = make_messenger(settings, status)
            assert self._messenger is not None
            yield self._messenger.run, status

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
        step = self._recorder.close(self._clock.now_ns())
        self._keep_learnt({}, self._clock.now_ns(), at_once=True)
        if step.event is not None:
            self._tell(step.event, record=False)
            self._last_drive = step.written

    async def _shut_down(self) -> None:
        for what, stop in (
            ("stopping the sources", self._wiring.stop),
            ("ending the drive", self._end_drive),
            ("closing the outputs", self._outputs.close),
        ):
            try:
                stop()
            except Exception as error:  # noqa: BLE001 - whatever fails, the drive must be written and archived
                self._supervisor.fault(what, error)
        if self._last_drive is not None:
            await asyncio.to_thread(self._last_drive.wait, _STOP_S)
        await asyncio.to_thread(self._memory.wait, _STOP_S)
        if not await asyncio.to_thread(self._writer.stop, _STOP_S):
            self._console.line("the card does not answer; the last seconds of the drive may be lost")
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._archiving.archive(), _STOP_S)
        self._console.line(words.STOPPED)
        await asyncio.to_thread(self._console.close, 1.0)

    def _say_start(self) -> None:
        for line in start_lines(self._plan, self._clock.speed):
            self._console.line(line)
        self._in_force.coverage(self._plan)
        self._tell(self._annunciator.start_up(self._clock.now_ns()))
        self._in_force.notices(self._plan)

    def _helpers(self) -> tuple[int, ...]:
        """The process ids of the helpers that follow the feed."""
        process = self._messenger.process if self._messenger is not None else None
        return () if process is None else (process.pid,)

    async def _status(self) -> dict[str, Any]:
        """How things are, for a reader of the feed. What the card has free is waited for by nobody but that reader."""
        space = await self._space.look()
        return {**self._standing.status(), "late_ticks": self.late_ticks, "disk": space}

    async def _serve_feed(self, status: Status) -> None:
        pages = pages_user(self._plan.settings.daemon.pages_user)
        if pages is not None and self._pages is None:
            status.note(f"there is no user '{pages}' here; set daemon.pages_user to the one that serves the pages")
        while True:
            try:
                await self._feed.run()
            except OSError as error:
                status.bad(f"the feed cannot be served: {error}")
                await asyncio.sleep(5.0)

    def _recorder_told(self, text: str, ok: bool) -> None:
        event = Event(self._clock.now_ns(), EventKind.RECORDER, "ok" if ok else "failed", text, {"ok": ok})
        self._supervisor.tell_soon(event)
        if not ok:
            # A full card in mid-drive: old drives may make room for the one under way.
            self._supervisor.call_soon(self._archiving.want)

    # --- other settings in mid-drive ------------------------------------------------------------------

    def reload(self) -> bool:
        """Read the settings file again, and take it if it is good; False where that is under way already."""
        return self._reloading.ask(self._plan)

    def _take_plan(self, plan: Plan) -> None:
        """Put another plan in force, between two ticks: the last one saw by the old, the next one sees by the new."""
        now_ns = max(self._clock.now_ns(), (self._engine.last_ns or 0) + 1)
        pipeline, engine, ended = taken_over(self._plan, plan, self._pipeline, self._engine, now_ns)
        stage = plan.settings.vehicle.stage
        text = f"new settings are in force from here on, stage: {stage}"
        # Told first, so that the drive that ends here has it; and again by the coverage in the one that goes on.
        self._tell(Event(now_ns, EventKind.MONITOR, SETTINGS_TAKEN, text, {"ok": True, "stage": stage}))
        for told in (*map(words.alert_event, ended), *self._annunciator.update(ended, now_ns)):
            self._tell(told)
        self._lamp.forget(ended)
        self._lamp.look_for(plan.needed, partly=bool(plan.coverage.gaps))
        step = self._recorder.take_plan(plan, pipeline, engine, now_ns)
        self._plan, self._pipeline, self._engine = plan, pipeline, engine
        self._annunciator.loudness = loudness_of(plan.settings)
        for part in (self._standing, self._archiving, self._wiring):
            part.take_plan(plan)
        self._commands.take_engine(engine)
        if step.event is not None:
            self._tell(step.event, record=False)
        if step.written is not None:
            self._archiving.want_when(step.written)
        self._in_force.coverage(plan)
        self._in_force.notices(plan)
        self._feed.greet()

    # --- the tick -------------------------------------------------------------------------------------

    async def _keep_ticking(self) -> None:
        period = self._clock.real_s(1.0 / self._plan.settings.daemon.tick_hz)
        settings = self._plan.settings
        pace = Pace(settings, {name: tuple(self._plan.wanted_items(name)) for name in settings.sources})
        due = self._loop.time()
        shift_ns = 0
        while True:
            due += period + self._clock.real_s(shift_ns / NS_PER_S)
            await asyncio.sleep(max(0.0, due - self._loop.time()))
            late = int((self._loop.time() - due) / period)
            if late > 0:
                # Never catch up by a burst of ticks: the newest readings are all that matters.
                self.late_ticks += late
                due += late * period
            shift_ns = pace.shift_ns(self._slots.newest, self._tick())
            self._armed.set()
            # Watchdogs wait in real seconds, whatever the clock's speed.
            self._vigil.tell(self._loop.time())

    async def _say_armed(self) -> None:
        await self._armed.wait()
        # Not sooner: an upgrade is rolled back when it has not come to this.
        notify("READY=1")
        self._tell(armed(self._clock.now_ns()))

    def _tick(self) -> int:
        """One tick; returns its time, ns. No error in it prevents the next one."""
        # The readings first: what a thread leaves while the time is taken belongs to the next tick.
        newest = dict(self._slots.newest)
        now_ns = self._clock.now_ns()
        try:
            state = self._recorder.states_before(now_ns)
            frame = self._pipeline.step(newest, now_ns)
            changes = self._engine.step(frame) + self._own.step(now_ns, self._lost_parts())
            if self._missed_changes:
                told = self._annunciator.wanting | {c.alert for c in changes}
                asking = self._engine.asking(now_ns) + self._own.asking(now_ns)
                changes += [c for c in asking if c.alert not in told]
                self._missed_changes = False
            heard = self._annunciator.update(changes, now_ns, broken=bool(self._engine.faults))
            self._vigil.ran(self._loop.time())
        except Exception as error:  # noqa: BLE001 - a fault of our own must be heard, not end the watch
            # What the rules had decided in this tick may be lost: the next one asks them where they stand.
            self._missed_changes = True
            self._supervisor.fault("the monitor itself", error)
            event = self._annunciator.insist(sounds.CANNOT_SEE, now_ns)
            if event is not None:
                self._tell(event)
            return now_ns
        # From here on everything has sounded that must; the rest may take its time, and may fail.
        for rule, fault in self._engine.faults.items():
            self._supervisor.fault(f"rule {rule}", fault)
        try:
            self._after_the_warning(frame, newest, changes, heard, state)
        except Exception as error:  # noqa: BLE001
            self._supervisor.fault("recording or showing", error)
        return now_ns

    def _lost_parts(self) -> dict[str, dict[str, str]]:
        """What of the monitor itself does not work just now, by the alert that tells of it. Asks no device."""
        lost, beat = {OUTPUT_LOST: self._outputs.lost}, self._heartbeat
        if self._plan.settings.watcher is not None and beat.unheard_s > (_UNHEARD_S if beat.heard else FIRST_S):
            lost[WATCHER_LOST] = {"watcher": f"nobody takes the heartbeat; run: {_WATCH}"}
        return lost

    def _after_the_warning(
        self, frame: Frame, newest: Newest, changes: list[Change], heard: list[Event], state: States | None
    ) -> None:
        shown = self._lamp.update(frame, changes)
        step = self._recorder.step(frame, newest, state)
        alerts = [words.alert_event(c) for c in changes]
        for told in (*alerts, *heard, *shown, *self._start_up.step(frame, self._supervisor.statuses, self._lamp)):
            self._tell(told)
        if step.event is not None:
            self._tell(step.event, record=False)
        if step.written is not None:
            self._archiving.want_when(step.written)
        if step.time_told:
            # Drives of before can be dated now.
            self._archiving.want()
        self._follow_key(frame, drive_ended=step.written is not None)
        self._keep_learnt(newest, frame.time_ns, at_once=step.written is not None)
        self._standing.look(frame)
        self._feed.frame(frame)
        self._wiring.follow_ignition(frame)

    def _keep_learnt(self, newest: Newest, now_ns: int, *, at_once: bool) -> None:
        """What the next start should know of what channels have learnt."""
        if at_once or self._memory.is_due(now_ns):
            self._memory.keep(self._pipeline.remembered(), self._recorder.time.look(newest, now_ns), now_ns)
        self._hot.keep(self._pipeline, now_ns)

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

    def _tell(self, event: Event, *, record: bool = True) -> None:
        """Show, publish and, unless it is already there, record an event."""
        self._standing.take(event)
        if record:
            self._recorder.event(event)
        self._feed.event(event)
        self._console.line(words.log_line(event, (event.time_ns - self._started_ns) / NS_PER_S))


def _is_on(frame: Frame, channel: str) -> bool | None:
    """A channel of states; None while it is not known."""
    value = frame.values[channel]
    return None if value.value is None or value.quality is not Quality.GOOD else value.value != 0.0


class _StopAskedError(Exception):
    """Ends the task group from inside, in order."""
