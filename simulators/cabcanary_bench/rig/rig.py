"""The bench rig: the van on its wires, and the installed daemon as a process of its own against them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.bench_clock import BenchClock
from cabcanary.clock import BENCH_CLOCK, NS_PER_S, Clock
from cabcanary_bench.faults.kinds import FaultKind
from cabcanary_bench.faults.troubles import CLOCK_JUMP, DISK_FULL, TROUBLES_VARIABLE
from cabcanary_bench.paths import config_folder
from cabcanary_bench.rig.conductor import Conductor
from cabcanary_bench.rig.feed_reader import Follower
from cabcanary_bench.rig.lateness import WireProbe
from cabcanary_bench.rig.patience import Machine, Patience
from cabcanary_bench.rig.wired_van import STEP_S, BenchVan
from cabcanary_bench.wiring.gpio import PINS_VARIABLE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.faults.faults import Fault
    from cabcanary_bench.wiring.serial_pty import SerialPty

_HOUR_S = 3600.0
#: Longer than a daemon takes to stop in order, on a machine that has time for it; then it is killed.
_STOP_S = 12.0
#: A daemon that is started again in mid-drive is up within this on a machine that has time for it, real seconds.
_RESTART_S = 5.0
_IDLE_S, _IDLE_NS = 0.01, 10_000_000
#: How far a drive may be ahead of who follows its feed: the daemon skips a reader that is slow.
_AHEAD_NS = 2 * NS_PER_S


def daemon_command(config: Path, speed: float, *, troubled: bool = False) -> list[str]:
    """How to start the daemon that is installed beside this Python; `troubled`: on a machine that can be in trouble."""
    beside = Path(sys.executable).with_name("cabcanary")
    program = [str(beside)] if beside.exists() else [sys.executable, "-m", "cabcanary"]
    if troubled:
        program = [sys.executable, "-m", "cabcanary_bench.faults.troubled"]
    return [*program, "run", str(config), "--speed", f"{speed:g}"]


class KernelTime:
    """The kernel's time, `speed` times as fast: for what measures how soon something happens on this machine."""

    def __init__(self, folder: Path, speed: float) -> None:
        self.clock = Clock(speed)
        self.environment: dict[str, str] = {}
        self.awaited = 0
        self.daemon_stops = False
        self.begun_s = 0.0
        self.heard_ns: int | None = None
        self.machine = Machine()
        self._worst_step_s = 0.0
        self._probe = WireProbe(folder / "tty-probe")

    @property
    def worst_lag_s(self) -> float:
        """How late the machine ever made a step or a byte on a wire, clock seconds."""
        return max(self._worst_step_s, self._probe.worst_s * self.clock.speed)

    def idle(self, until: threading.Event) -> None:
        """Nothing is driven."""
        until.wait(_IDLE_S)

    def come_to(self, due_ns: int) -> None:
        """Wait for a time."""
        wait = self.clock.real_until(due_ns)
        if wait > 0:
            time.sleep(wait)
        self._worst_step_s = max(self._worst_step_s, (self.clock.now_ns() - due_ns) / NS_PER_S)

    def close(self) -> None:
        """Take the wire that measures lateness away. May be called twice."""
        self._probe.close()


class BenchTime:
    """The bench's own time: as fast as this machine can do all of its work, and at most `speed` times real time.

    While nothing is driven, and while a daemon comes up or stops, it goes as real time does: what a daemon then waits
    for (a process, a card) takes real time.
    """

    worst_lag_s = 0.0

    def __init__(self, folder: Path, wires: Sequence[SerialPty], speed: float) -> None:
        path = folder / "clock"
        self._conductor = Conductor(path, wires)
        self._conductor.no_further = self._no_further
        self.machine = self._conductor.machine
        self.clock: Clock = BenchClock(path)
        self.environment = {BENCH_CLOCK: str(path)}
        self.begun_s = 0.0
        self._speed = speed
        #: The process that must have joined the clock before time goes fast; 0: none.
        self.awaited = 0
        self.daemon_stops = False
        self.heard_ns: int | None = None

    def _no_further(self) -> int | None:
        return None if self.heard_ns is None else self.heard_ns + _AHEAD_NS

    def idle(self, _until: threading.Event) -> None:
        """Let real time pass."""
        self._conductor.until(self._conductor.now_ns + _IDLE_NS, 1.0)

    def come_to(self, due_ns: int) -> None:
        """Let the time come to this one."""
        there = not self.awaited or self._conductor.waits_for(self.awaited)
        self._conductor.until(due_ns, self._speed if there and not self.daemon_stops else 1.0)

    def close(self) -> None:
        """Leave the time where it is. May be called twice."""
        self._conductor.close()


class Rig:
    """Wires, van and daemon. Times of the drive count from `start_van`, in clock seconds.

    `folder` is the daemon's own; wires and the record of the pins are in a temporary one. `config` is the
    bench van's own unless another is given.
    """

    def __init__(
        self, folder: Path, scenario: Scenario, speed: float, config: Path | None = None, *, own_time: bool = True
    ) -> None:
        self.folder = folder.resolve()
        self.folder.mkdir(parents=True, exist_ok=True)
        self.config = config or config_folder() / "bench-van.toml"
        self.wires = Path(tempfile.mkdtemp(prefix="cabcanary-bench-"))
        self.pins = self.wires / "pins.jsonl"
        self.log = self.folder / "daemon.log"
        self.van = BenchVan(self.wires, scenario)
        self.speed = speed
        self._time: BenchTime | KernelTime
        if own_time:
            self._time = BenchTime(self.wires, [self.van.wideband, self.van.can.port], speed)
        else:
            self._time = KernelTime(self.wires, speed)
        self.clock = self._time.clock
        self.stepped_ns: list[int] = []
        self.started_ns = 0
        self._first_step = 0
        self.daemon: subprocess.Popen[bytes] | None = None
        self._host_faults = [f for f in scenario.faults if f.kind.info.family == "host"]
        self._troubles, self._trouble_file = "", self.wires / "troubles"
        self._killed: set[Fault] = set()
        #: Since a fault of the scenario has killed the daemon: when the drive is this far, it is to be started again.
        self.down_until_s: float | None = None
        #: When the daemon was killed, as a fault of the scenario; clock ns.
        self.cut_ns: list[int] = []
        #: How long the drive took, real seconds.
        self.took_s = 0.0
        self._stop = threading.Event()
        self._started = threading.Event()
        self._parked = threading.Event()
        self._driven = threading.Event()
        self._thread = threading.Thread(target=self._drive, name="van", daemon=True)
        self._thread.start()

    # --- the daemon -----------------------------------------------------------------------------------

    def environment(self) -> dict[str, str]:
        """The environment in which the bench van's settings point at these wires."""
        return {
            **os.environ,
            "CABCANARY_BENCH": str(self.folder),
            "CABCANARY_BENCH_IIO": str(self.wires / "iio"),
            "CABCANARY_BENCH_WIDEBAND": str(self.wires / "tty-wideband"),
            "CABCANARY_BENCH_CAN": str(self.wires / "tty-can"),
            "CABCANARY_BENCH_HOST": str(self.wires / "host"),
            "GPIOZERO_PIN_FACTORY": "cabcanary-bench",
            PINS_VARIABLE: str(self.pins),
            **self._time.environment,
            TROUBLES_VARIABLE: str(self._trouble_file),
            "PYTHONUNBUFFERED": "1",
        }

    def start_daemon(self, **changed: str) -> Follower:
        """Start the daemon, with `changed` in its environment, and follow its feed."""
        if not self.started_ns and not self._first_step:
            # The key is on before the daemon is up: its sensors have their supply.
            self.skip(STEP_S)
        environment = {**self.environment(), **changed}
        self.down_until_s = None
        with self.log.open("ab") as log:
            self.daemon = subprocess.Popen(
                daemon_command(self.config, self._time.clock.speed, troubled=bool(self._host_faults)),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=environment,
            )
        daemon = self.daemon
        self._time.awaited = daemon.pid
        path, began = self.folder / "feed.sock", time.monotonic()
        follower = Follower(path, frames_hz=50, ended=lambda: daemon.poll() is not None, pid=daemon.pid)
        took_s = time.monotonic() - began
        if self.started_ns and took_s > _RESTART_S:
            # The drive went on meanwhile, as real time does.
            self.machine.was_late(f"the daemon took {took_s:.0f} s to come up again")
        return follower

    @property
    def machine(self) -> Machine:
        """Whether this machine kept up."""
        return self._time.machine

    def stop_daemon(self) -> int:
        """Ask the daemon to stop, and wait; returns its exit code."""
        assert self.daemon is not None
        self._time.daemon_stops = True
        self.daemon.terminate()
        patience = Patience(_STOP_S)
        try:
            while self.daemon.poll() is None and not patience.spent([self.daemon.pid]):
                time.sleep(_IDLE_S)
            if self.daemon.poll() is None:
                self.daemon.kill()
            return self.daemon.wait()
        finally:
            self._time.daemon_stops = False

    def kill_daemon(self) -> None:
        """Kill the daemon as a power cut would: at once, without a word."""
        assert self.daemon is not None
        self.daemon.kill()
        self.daemon.wait()

    # --- troubles of its machine ------------------------------------------------------------------------

    def _trouble(self, time_s: float) -> None:
        """Apply the faults of the daemon's machine that are due at this time of the drive, s."""
        lines = []
        for fault in self._host_faults:
            if not fault.start_s <= time_s < fault.end_s:
                continue
            if fault.kind is FaultKind.PROCESS_KILLED:
                self._kill_once(fault)
            elif fault.kind is FaultKind.DISK_FULL:
                lines.append(DISK_FULL)
            else:
                lines.append(f"{CLOCK_JUMP} {fault.severity * _HOUR_S:g}")
        text = "".join(f"{line}\n" for line in lines)
        if text != self._troubles:
            self._troubles = text
            new = self._trouble_file.with_suffix(".new")
            new.write_text(text, encoding="ascii")
            new.replace(self._trouble_file)

    def _kill_once(self, fault: Fault) -> None:
        if fault not in self._killed and self.daemon is not None:
            self._killed.add(fault)
            self.down_until_s = fault.end_s
            self.cut_ns.append(self.clock.now_ns())
            self.daemon.kill()
            self._time.awaited = 0

    # --- the van ----------------------------------------------------------------------------------------

    def skip(self, to_s: float) -> None:
        """Drive this far at once, with nobody listening; `start_van` goes on from there."""
        assert not self.started_ns
        while self._at_s < to_s:
            self.van.step(self._at_s)
            self._first_step += 1
        self.van.outputs.clear()

    @property
    def _at_s(self) -> float:
        return self._first_step * STEP_S

    def start_van(self) -> None:
        """Turn the key, or go on from where `skip` got to: the scenario is driven."""
        self.started_ns = self.clock.now_ns() - int(self._at_s * NS_PER_S)
        self._time.begun_s = time.monotonic()
        self._started.set()

    def drive_s(self, clock_ns: int) -> float:
        """A time of the clock as seconds of the drive; negative before the key is turned."""
        return (clock_ns - (self.started_ns or self.clock.now_ns())) / NS_PER_S

    @property
    def now_s(self) -> float:
        """How far the drive is, s."""
        return self.drive_s(self.clock.now_ns())

    @property
    def worst_lag_s(self) -> float:
        """How late the machine ever made the van's steps or a byte on a wire, clock seconds."""
        return self._time.worst_lag_s

    @property
    def speed_reached(self) -> float:
        """How many times as fast as real time the drive went, or goes."""
        real_s = self.took_s or time.monotonic() - self._time.begun_s
        return self.now_s / real_s if not self.took_s else (self.van.scenario.length_s - self._at_s) / real_s

    def heard_until(self, clock_ns: int | None) -> None:
        """A follower of the feed is this far: where the bench owns the time it waits for him. None: for nobody."""
        self._time.heard_ns = clock_ns

    def park(self) -> None:
        """Stop driving: the van's wires keep their last state, and time goes on."""
        self._parked.set()
        self._driven.wait()

    @property
    def ended(self) -> bool:
        """The scenario has been driven to its end."""
        return self._driven.is_set()

    def _drive(self) -> None:
        while not self._started.is_set() and not self._stop.is_set():
            self._time.idle(self._started)
        steps = round(self.van.scenario.length_s / STEP_S)
        for n in range(self._first_step, steps):
            self._time.come_to(self.started_ns + int(n * STEP_S * NS_PER_S))
            if self._stop.is_set():
                return
            if self._parked.is_set():
                break
            self.van.step(n * STEP_S)
            if self._host_faults:
                self._trouble(n * STEP_S)
            self.stepped_ns.append(self.clock.now_ns())
        self.took_s = time.monotonic() - self._time.begun_s
        self._driven.set()
        while not self._stop.is_set():
            self._time.idle(self._stop)

    def close(self) -> None:
        """Stop everything and take the wires away. May be called twice."""
        if self.daemon is not None and self.daemon.poll() is None:
            self.stop_daemon()
        self._stop.set()
        self._time.close()
        self._thread.join(5.0)
        self.van.close()
        shutil.rmtree(self.wires, ignore_errors=True)
