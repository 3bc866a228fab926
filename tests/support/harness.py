"""The installed daemon against real transports, for the end-to-end tests.

Times that tests assert are clock seconds, taken from the daemon's own records and the van's; real time only
bounds how long a condition is waited for.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import signal
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import pytest

from cabcanary.clock import NS_PER_S
from cabcanary.recorder.journal_drive import Drive
from cabcanary_bench.drives.verdict import Verdict
from cabcanary_bench.rig.feed_reader import FeedLostError, Follower
from cabcanary_bench.rig.grade import Masks, grade
from cabcanary_bench.rig.rig import Rig
from cabcanary_bench.wiring.gpio import read_changes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from cabcanary_bench.drives.scenario import Scenario

T = TypeVar("T")
Message = dict[str, Any]

#: Real seconds after which a wait has failed: a loaded machine may need several for one start of Python.
PATIENCE_S = 120.0
_POLL_S = 0.02
#: Clock seconds by which van, wires or ticks may be late before a delay is held against the machine: the wideband
#: is stale after 0.15 s, and sends every 0.02 s.
LATE_S = 0.12


def command(*arguments: str) -> list[str]:
    """The installed command line, as a user has it."""
    beside = Path(sys.executable).with_name("cabcanary")
    return [str(beside) if beside.exists() else "cabcanary", *arguments]


def wait_for(what: str, condition: Callable[[], T | None], within_s: float = PATIENCE_S) -> T:
    """The condition's first true answer; fails when there is none in time."""
    ends = time.monotonic() + within_s
    while True:
        answer = condition()
        if answer:
            return answer
        if time.monotonic() > ends:
            pytest.fail(f"waited {within_s:g} s in vain for {what}")
        time.sleep(_POLL_S)


def children(pid: int) -> dict[int, str]:
    """The living child processes of a process, with their command lines."""
    found = {}
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        with contextlib.suppress(OSError):
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            if parent == pid:
                found[int(entry.name)] = (entry / "cmdline").read_text().replace("\0", " ").strip()
    return found


def processes_of(folder: Path) -> dict[int, str]:
    """Every process that was started for this daemon's folder, orphans too, by its environment."""
    mark = f"CABCANARY_BENCH={folder}".encode()
    found = {}
    for entry in Path("/proc").iterdir():
        with contextlib.suppress(OSError):
            if entry.name.isdigit() and mark in (entry / "environ").read_bytes().split(b"\0"):
                found[int(entry.name)] = (entry / "cmdline").read_text().replace("\0", " ").strip()
    return found


def read_journal(path: Path) -> Drive:
    """What a journal holds at this moment; it may be growing."""
    return Drive(path.read_bytes())


class Listener:
    """Reads a daemon's feed in a thread, so that nothing is skipped while a test looks elsewhere."""

    def __init__(self, follower: Follower) -> None:
        self._follower = follower
        self.events: list[Message] = []
        self.frames: list[Message] = []
        self.others: list[Message] = []
        self.hello: Message = {}
        self.lost = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="listener", daemon=True)
        self._thread.start()

    def command(self, what: Message) -> None:
        """Give the daemon a command."""
        self._follower.command(what)

    def close(self) -> None:
        """Stop listening. May be called twice."""
        self._stop.set()
        self._thread.join(10.0)
        self._follower.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                messages = self._follower.messages(0.05)
            except (FeedLostError, OSError):
                self.lost = True
                return
            for message in messages:
                self._take(message)

    def _take(self, message: Message) -> None:
        if "frame" in message:
            self.frames.append(message["frame"])
        elif "event" in message:
            self.events.append({**message["event"], "past": message.get("past", False)})
        elif "hello" in message:
            self.hello = message["hello"]
        else:
            self.others.append(message)


class Ride:
    """A rig and what its daemon tells: everything that a test does in and around a drive."""

    def __init__(
        self, folder: Path, scenario: Scenario, speed: float, config: Path | None, *, own_time: bool = True
    ) -> None:
        self.rig = Rig(folder, scenario, speed, config, own_time=own_time)
        self.folder = self.rig.folder
        self._listeners: list[Listener] = []

    # --- the daemon -----------------------------------------------------------------------------------

    def start(self, **environment: str) -> Listener:
        """Start the daemon and listen to it."""
        listener = Listener(self.rig.start_daemon(**environment))
        self._listeners.append(listener)
        return listener

    def ready(self) -> None:
        """Wait until all three wires are read."""
        for source in ("adc", "wideband", "engine"):
            self.source(source, ok=True)

    def begin_with(self, sources: Iterable[str], at_s: float) -> None:
        """As `begin`, for a vehicle with other wires."""
        self.rig.skip(at_s)
        self.start()
        for source in sources:
            self.source(source, ok=True)
        self.rig.start_van()

    def begin(self, at_s: float = 0.0) -> None:
        """Have the van where the scenario is at `at_s`, the daemon watching it, and drive on."""
        self.rig.skip(at_s)
        self.start()
        self.ready()
        self.rig.start_van()

    def stop(self) -> int:
        """Ask the daemon to stop; its exit code."""
        code = self.rig.stop_daemon()
        self._listeners[-1].close()
        return code

    def kill(self) -> int:
        """Cut the daemon's power; the clock at that moment."""
        at_ns = self.rig.clock.now_ns()
        self.rig.kill_daemon()
        self._listeners[-1].close()
        return at_ns

    @property
    def pid(self) -> int:
        """The daemon's process."""
        assert self.rig.daemon is not None
        return self.rig.daemon.pid

    def helper(self, module: str) -> int:
        """The process of a helper of the daemon."""
        return self.wait(
            f"the helper {module}",
            lambda: next((pid for pid, words in children(self.pid).items() if module in words), None),
        )

    # --- what it tells -----------------------------------------------------------------------------------

    @property
    def told(self) -> Listener:
        """The feed of the daemon that was started last."""
        return self._listeners[-1]

    @property
    def log(self) -> str:
        """All that the daemon has written to its terminal."""
        return self.rig.log.read_text(encoding="utf-8")

    def logged(self, words: str) -> str:
        """Wait for a line of the log with these words."""

        def line() -> str | None:
            return next((line for line in self.log.splitlines() if words in line), None)

        return self.wait(f"a line with '{words}'", line)

    def event(self, kind: str, what: str, after: int = 0, **wanted: Any) -> Message:
        """Wait for an event of the running daemon; `after` leaves out that many of the first ones."""

        def found() -> Message | None:
            for event in self.told.events[after:]:
                if event["kind"] == kind and event["what"] == what and wanted.items() <= event.items():
                    return event
            return None

        return self.wait(f"the event {kind} {what} {wanted}", found)

    def source(self, name: str, *, ok: bool, after: int = 0) -> Message:
        """Wait until a source is told to work, or not to."""
        return self.event("source", name, after, ok=ok)

    def raised(self, alert: str, after: int = 0) -> Message:
        """Wait for an alert."""
        return self.event("alert", alert, after, raised=True)

    def frame(self, what: str, condition: Callable[[Message], bool]) -> Message:
        """Wait for a new frame whose values fit."""
        seen = len(self.told.frames)

        def found() -> Message | None:
            return next((f for f in self.told.frames[seen:] if condition(f["values"])), None)

        return self.wait(f"a frame with {what}", found)

    def until(self, drive_s: float) -> None:
        """Drive on to this time of the scenario."""
        self.wait(f"second {drive_s:g} of the drive", lambda: self.rig.now_s >= drive_s)

    @property
    def machine_late(self) -> bool:
        """Whether the machine held the van, the wires or the daemon's ticks up, by the records of all three."""
        ticks = [f["t"] for f in list(self.told.frames)]
        gap_ns = max((b - a for a, b in itertools.pairwise(ticks)), default=0)
        return self.rig.worst_lag_s > LATE_S or gap_ns > LATE_S * NS_PER_S

    def not_good(self, frames: list[Message], *channels: str) -> dict[str, set[str]]:
        """The channels that were not good in every frame; none on a machine that stood still for a while."""
        found = {name: {f["values"][name][1] for f in frames} - {"good"} for name in channels}
        if self.machine_late:
            found = {name: words - {"stale", "absent"} for name, words in found.items()}
        return {name: words for name, words in found.items() if words}

    def alerts(self) -> list[str]:
        """The alerts raised so far, in order.

        On a machine that stood still for a while the wires really were silent under boost: then an alert that
        says so is right, and is left out here.
        """
        raised = [e["what"] for e in self.told.events if e["kind"] == "alert" and e.get("raised") and not e["past"]]
        return [a for a in raised if not (a == "cannot_see_lambda" and self.machine_late)]

    def pins(self) -> list[Message]:
        """Every change of the buzzer's pin."""
        return read_changes(self.rig.pins)

    def verdict(self, mark: str) -> Verdict:
        """Whether a promise of the scenario was kept, judged by the bench's own grader."""
        masks = Masks()
        for frame in list(self.told.frames):
            masked = frame["values"]["fuel_cut_gas"][0] == 1.0
            masks.add(self.rig.drive_s(frame["t"]), masked=masked)
        return next(v for v in grade(self.rig, list(self.told.events), self.pins(), masks) if v.name == mark)

    def journal(self) -> Path:
        """The journal of the drive under way."""
        return self.wait("a journal", lambda: next(iter((self.folder / "journal").glob("*.ccj")), None))

    def manifests(self) -> list[Message]:
        """The manifests of the archived drives, oldest first."""
        found = sorted((self.folder / "drives").glob("*/*/*.manifest.json"))
        return [json.loads(path.read_text(encoding="utf-8")) for path in found]

    def wait(self, what: str, condition: Callable[[], T | None]) -> T:
        """The condition's first true answer; a failure shows the daemon's log."""
        ends = time.monotonic() + PATIENCE_S
        while not (answer := condition()):
            if time.monotonic() > ends:
                pytest.fail(f"waited in vain for {what}; the daemon's log:\n{self.log[-3000:]}")
            time.sleep(_POLL_S)
        return answer

    def close(self) -> None:
        """Stop daemon, van and wires; nothing that was started may be left."""
        for listener in self._listeners:
            listener.close()
        self.rig.close()
        try:
            wait_for("the end of every helper", lambda: not processes_of(self.folder))
        finally:
            for pid, words in processes_of(self.folder).items():
                print(f"still there: {pid} {words}")
                os.kill(pid, signal.SIGKILL)


def punctual(attempt: Callable[[], tuple[Ride, Verdict]]) -> tuple[Ride, Verdict]:
    """A verdict on a delay; a second attempt only when the machine held van or daemon up."""
    driven, verdict = attempt()
    if not verdict.kept and verdict.heard_s is not None and driven.machine_late:
        driven, verdict = attempt()
    return driven, verdict
