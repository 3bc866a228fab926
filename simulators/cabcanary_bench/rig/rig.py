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

from cabcanary.clock import NS_PER_S, Clock
from cabcanary_bench.faults.kinds import FaultKind
from cabcanary_bench.faults.troubles import CLOCK_JUMP, DISK_FULL, TROUBLES_VARIABLE
from cabcanary_bench.paths import config_folder
from cabcanary_bench.rig.feed_reader import Follower
from cabcanary_bench.rig.lateness import WireProbe
from cabcanary_bench.rig.wired_van import STEP_S, BenchVan
from cabcanary_bench.wiring.gpio import PINS_VARIABLE

if TYPE_CHECKING:
    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.faults.faults import Fault

_HOUR_S = 3600.0
#: Longer than a daemon takes to stop in order; then it is killed.
_STOP_S = 12.0


def daemon_command(config: Path, speed: float, *, troubled: bool = False) -> list[str]:
    """How to start the daemon that is installed beside this Python; `troubled`: on a machine that can be in trouble."""
    beside = Path(sys.executable).with_name("cabcanary")
    program = [str(beside)] if beside.exists() else [sys.executable, "-m", "cabcanary"]
    if troubled:
        program = [sys.executable, "-m", "cabcanary_bench.faults.troubled"]
    return [*program, "run", str(config), "--speed", f"{speed:g}"]


class Rig:
    """Wires, van and daemon. Times of the drive count from `start_van`, in clock seconds.

    `folder` is the daemon's own; wires and the record of the pins are in a temporary one. `config` is the
    bench van's own unless another is given.
    """

    def __init__(self, folder: Path, scenario: Scenario, speed: float, config: Path | None = None) -> None:
        self.clock = Clock(speed)
        self.folder = folder.resolve()
        self.folder.mkdir(parents=True, exist_ok=True)
        self.config = config or config_folder() / "bench-van.toml"
        self.wires = Path(tempfile.mkdtemp(prefix="cabcanary-bench-"))
        self.pins = self.wires / "pins.jsonl"
        self.log = self.folder / "daemon.log"
        self.van = BenchVan(self.wires, scenario)
        self.stepped_ns: list[int] = []
        self.started_ns = 0
        self._worst_step_s = 0.0
        self._probe = WireProbe(self.wires / "tty-probe")
        self._first_step = 0
        self.daemon: subprocess.Popen[bytes] | None = None
        self._host_faults = [f for f in scenario.faults if f.kind.info.family == "host"]
        self._troubles, self._trouble_file = "", self.wires / "troubles"
        self._killed: set[Fault] = set()
        #: Since a fault of the scenario has killed the daemon: when the drive is this far, it is to be started again.
        self.down_until_s: float | None = None
        #: When the daemon was killed, as a fault of the scenario; clock ns.
        self.cut_ns: list[int] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._drive, name="van", daemon=True)

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
                daemon_command(self.config, self.clock.speed, troubled=bool(self._host_faults)),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=environment,
            )
        daemon = self.daemon
        return Follower(self.folder / "feed.sock", frames_hz=50, ended=lambda: daemon.poll() is not None)

    def stop_daemon(self) -> int:
        """Ask the daemon to stop, and wait; returns its exit code."""
        assert self.daemon is not None
        self.daemon.terminate()
        try:
            return self.daemon.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            self.daemon.kill()
            return self.daemon.wait()

    def kill_daemon(self) -> None:
        """Kill the daemon as a power cut would: at once, without a word."""
        assert self.daemon is not None
        self.daemon.kill()
        self.daemon.wait()

    # --- troubles of its machine ------------------------------------------------------------------------

    def _trouble(self, time_s: float) -> None:
        """Do to the daemon's machine what is wrong with it at this time of the drive."""
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
        self._thread.start()

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
        return max(self._worst_step_s, self._probe.worst_s * self.clock.speed)

    @property
    def ended(self) -> bool:
        """The scenario has been driven to its end."""
        return self.started_ns > 0 and not self._thread.is_alive()

    def _drive(self) -> None:
        steps = round(self.van.scenario.length_s / STEP_S)
        for n in range(self._first_step, steps):
            due_ns = self.started_ns + int(n * STEP_S * NS_PER_S)
            wait = self.clock.real_until(due_ns)
            if wait > 0:
                time.sleep(wait)
            if self._stop.is_set():
                return
            now_ns = self.clock.now_ns()
            self._worst_step_s = max(self._worst_step_s, (now_ns - due_ns) / NS_PER_S)
            self.van.step(n * STEP_S)
            if self._host_faults:
                self._trouble(n * STEP_S)
            self.stepped_ns.append(self.clock.now_ns())

    def close(self) -> None:
        """Stop everything and take the wires away. May be called twice."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(5.0)
        if self.daemon is not None and self.daemon.poll() is None:
            self.stop_daemon()
        self.van.close()
        self._probe.close()
        shutil.rmtree(self.wires, ignore_errors=True)
