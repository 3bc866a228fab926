"""The daemon's side of archiving: when the archiver runs, and the events for the drives it has archived."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from cabcanary.alerts import arrival, words
from cabcanary.model import Event, EventKind
from cabcanary.processes.helper import Helper
from cabcanary.processes.status import Status

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable

    from cabcanary.clock import Clock
    from cabcanary.plan.plan import Plan
    from cabcanary.recorder.told_time import ToldTime

#: How long a drive's last pieces may take to reach the card before it is archived all the same, real seconds.
_WRITTEN_S = 60.0


class Archiving:
    """Runs the archiver as a helper process whenever it is wanted, one at a time."""

    def __init__(self, plan: Plan, clock: Clock, time: ToldTime, tell: Callable[[Event], None]) -> None:
        self._plan, self._clock, self._time, self._tell = plan, clock, time, tell
        self._wanted = asyncio.Event()
        self._arrival_told = False
        self._waiting: asyncio.Task[None] | None = None

    def take_plan(self, plan: Plan) -> None:
        """Other settings are in force."""
        self._plan = plan

    def want(self) -> None:
        """Archive the waiting drives as soon as the archiver is free."""
        self._wanted.set()

    def want_when(self, written: threading.Event) -> None:
        """Archive once a drive lies on the card."""

        async def wait() -> None:
            await asyncio.to_thread(written.wait, _WRITTEN_S)
            self._wanted.set()

        self._waiting = asyncio.get_running_loop().create_task(wait())

    async def run(self, armed: asyncio.Event) -> None:
        """Once the watch is `armed`, recover what an earlier run left behind; then archive each drive as it ends."""
        await armed.wait()
        self._wanted.set()
        while True:
            await self._wanted.wait()
            self._wanted.clear()
            archived = await self.archive()
            await self._tell_arrivals(archived)
            if archived:
                await self._learn()

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

    async def _learn(self) -> None:
        """What is normal in this vehicle, measured anew with the drive that has just been archived."""
        if not any(spec.learn for spec in self._plan.baseline_specs.values()):
            return

        def take(message: dict[str, Any]) -> None:
            what = "learnt" if "learnt" in message else "failed"
            self._tell(Event(self._clock.now_ns(), EventKind.RECORDER, what, str(message.get("text", "")), message))

        settings = {"config": str(self._plan.file)}
        helper = Helper("cabcanary.review.rules.learning", settings, Status("learning", lambda *_: None), take)
        await helper.run_once()

    async def archive(self) -> list[str]:
        """Archive the waiting drives; returns the names of those archived."""
        archived: list[str] = []

        def take(message: dict[str, Any]) -> None:
            what = next((w for w in ("archived", "dated", "removed", "rebuilt") if w in message), "failed")
            if what == "archived":
                archived.append(str(message["archived"]))
            self._tell(Event(self._clock.now_ns(), EventKind.RECORDER, what, str(message.get("text", "")), message))

        settings = {
            "folder": str(self._plan.settings.daemon.folder),
            "speed": self._clock.speed,
            "archive": self._plan.settings.archive.model_dump(),
            "told_time": self._time.fit,
        }
        helper = Helper("cabcanary.recorder.archiver", settings, Status("archiver", lambda *_: None), take)
        code = await helper.run_once()
        if code != 0:
            text = f"the archiver ended with code {code}; the drive stays in the journal for the next start"
            self._tell(Event(self._clock.now_ns(), EventKind.RECORDER, "failed", text))
        return archived
