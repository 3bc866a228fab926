"""`cabcanary replay --wires`: a recorded drive over simulated wires into the daemon that is installed here."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomli_w

from cabcanary.clock import NS_PER_S, Clock
from cabcanary.model import Quality
from cabcanary.review.replay.recording import Step, recorded_steps
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.host.host_settings import HostSource
from cabcanary.sources.kernel.kernel_settings import IioSource
from cabcanary.sources.serial.serial_settings import GpsTimeSource, SerialTextSource
from cabcanary.store.baselines import write_baselines
from cabcanary_bench.replay.recorded_wires import Bus, Computer, Lines, NotOnWiresError, Track, Voltages, Wire
from cabcanary_bench.replay.replay_compare import Played, compare, report_lines
from cabcanary_bench.rig.feed_reader import FeedLostError, Follower
from cabcanary_bench.rig.lateness import WireProbe
from cabcanary_bench.rig.rig import daemon_command
from cabcanary_bench.wiring.gpio import PINS_VARIABLE

if TYPE_CHECKING:
    from cabcanary.model import Reading
    from cabcanary.plan.plan import Plan
    from cabcanary.review.replay.recording import Playable

__all__ = ["NotOnWiresError", "replay_over_wires"]

#: How long the daemon may take to read every wire, and to stop, real s.
_READY_S, _STOP_S = 20.0, 12.0
#: Between the daemon's first readings and the play, clock s: every PID has been asked for by then, and no sensor is
#: held for stuck yet.
_BEFORE_S, _BEFORE_STEP_S = 1.5, 0.1
_AFTER_S = 0.3
_PROGRESS_S = 0.5


class _Player:
    """Puts the recorded readings on their wires, each at its time."""

    def __init__(self, drive: Playable, plan: Plan, folder: Path, clock: Clock, to_s: float | None) -> None:
        self._plan, self.clock = plan, clock
        self.start_ns = 0
        self.first_ns, self.last_ns, self.instants = _instants(drive, to_s, _leads(plan))
        self.wires = self._make(drive, folder)
        self._buses = [w for w in self.wires.values() if isinstance(w, Bus)]
        self.worst_late_s = 0.0
        self._stop = threading.Event()

    def _make(self, drive: Playable, folder: Path) -> dict[str, Wire]:
        by_item: dict[str, dict[str, list[Reading]]] = defaultdict(lambda: defaultdict(list))
        for _, readings in self.instants:
            for r in readings:
                by_item[r.source][r.item].append(r)
        wires: dict[str, Wire] = {}
        for name, spec in self._plan.settings.sources.items():
            items = by_item.get(name, {})
            first = {item: found[0] for item, found in items.items()}
            match spec:
                case IioSource():
                    wires[name] = Voltages(folder / f"iio-{name}", spec, first, _scales(drive, name))
                case SerialTextSource():
                    wires[name] = Lines(folder / f"tty-{name}", name, spec)
                case HostSource():
                    wires[name] = Computer(folder / f"host-{name}", first)
                case GpsTimeSource():
                    pass  # it dates drives, and no channel comes from it
                case CanSource() if not (spec.signals or spec.dbc_signals):
                    tracks = {item: Track(found) for item, found in items.items()}
                    wires[name] = Bus(folder / f"tty-{name}", spec, tracks, self.recorded_now, self.clock.now_ns)
                case _:
                    what = "signals of a bus" if isinstance(spec, CanSource) else f"kind {spec.kind}"
                    words = f"source {name} ({what}) has no simulated wire; play this drive without --wires"
                    raise NotOnWiresError(words)
        return wires

    def recorded_now(self) -> float:
        """The time of the recording that is played now, ns; its beginning before the play begins."""
        return self.first_ns + (max(0, self.clock.now_ns() - self.start_ns) if self.start_ns else 0)

    def choose_start(self) -> dict[int, float]:
        """Choose when to begin; returns by how much each PID's polls will miss the recorded ones, ns."""
        earliest = self.clock.now_ns() + int(0.1 * NS_PER_S * self.clock.speed)
        for bus in self._buses[:1]:
            self.start_ns, misses = bus.best_start(self.first_ns, earliest)
            return misses
        self.start_ns = earliest
        return {}

    def before(self) -> None:
        """Keep the wires alive until the play begins."""
        for wire in self.wires.values():
            wire.before()

    def play(self) -> None:
        """Play all; for a thread of its own."""
        for time_ns, readings in self.instants:
            due_ns = self.start_ns + time_ns - self.first_ns
            while (wait := self.clock.real_until(due_ns)) > 0:
                if self._stop.wait(wait):
                    return
            by_source: dict[str, list[Reading]] = defaultdict(list)
            for r in readings:
                by_source[r.source].append(r)
            for source, found in by_source.items():
                self.wires[source].show(found)
            for bus in self._buses:
                bus.look()
            late_s = (self.clock.now_ns() - due_ns) / NS_PER_S
            self.worst_late_s = max(self.worst_late_s, late_s)

    @property
    def settled_ns(self) -> int:
        """When every wire that ever speaks had spoken, ns of the recording."""
        spoken: dict[tuple[str, str], int] = {}
        for time_ns, readings in self.instants:
            for r in readings:
                if r.quality is not Quality.ABSENT:
                    spoken.setdefault((r.source, r.item), time_ns)
        return max(spoken.values(), default=self.first_ns)

    @property
    def end_ns(self) -> int:
        """When the last of it has been played, clock ns."""
        return self.start_ns + self.last_ns - self.first_ns

    def close(self) -> None:
        """Take all wires away."""
        self._stop.set()
        for wire in self.wires.values():
            wire.close()


def _leads(plan: Plan) -> dict[str, int]:
    """How early each source must have a reading, ns, so that it is polled at its time on average.

    A source that is polled in turns reads it half a turn later.
    """
    return {
        name: round(NS_PER_S / spec.rate_hz / 2)
        for name, spec in plan.settings.sources.items()
        if isinstance(spec, IioSource | HostSource)
    }


def _instants(
    drive: Playable, to_s: float | None, leads: dict[str, int]
) -> tuple[int, int, list[tuple[int, list[Reading]]]]:
    """The first and the last tick, ns, and every reading once, by the instant at which it is to be put on its wire."""
    found: dict[int, list[Reading]] = defaultdict(list)
    last: dict[tuple[str, str], Reading] = {}
    first_ns = last_ns = -1
    for time_ns, readings in drive.kept.walk():
        first_ns = time_ns if first_ns < 0 else first_ns
        if to_s is not None and time_ns - first_ns > to_s * NS_PER_S:
            break
        last_ns = time_ns
        for reading in readings:
            if reading is None:
                continue
            key = (reading.source, reading.item)
            if last.get(key) is not reading and last.get(key) != reading:
                last[key] = reading
                found[max(first_ns, reading.time_ns - leads.get(reading.source, 0))].append(reading)
    if first_ns < 0:
        raise NotOnWiresError("this drive has no ticks")
    return first_ns, last_ns, sorted(found.items())


def _scales(drive: Playable, source: str) -> dict[str, float]:
    """What one count of each of a converter's channels is, mV, where the drive says so."""
    raw = drive.kept.header.get("raw", {})
    return {
        item: float(raw[name]["scale"])
        for name, its_source, item in drive.kept.header["channels"]
        if its_source == source and "scale" in raw.get(name, {}) and not float(raw[name].get("offset", 0.0))
    }


def replay_over_wires(drive: Playable, plan: Plan, speed: float, to_s: float | None, *, as_json: bool) -> int:
    """Play a drive and compare the daemon's alerts with the live ones; 0 if all came within two ticks.

    Raises:
        NotOnWiresError: the drive cannot be played over wires.
    """
    if not drive.raw:
        raise NotOnWiresError(f"{drive.name} has no raw readings to put on wires; play it without --wires")
    home = Path(tempfile.mkdtemp(prefix="cabcanary-replay-"))
    # Asked to end, the play takes its daemon along.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    try:
        run = _Run(drive, plan, Clock(speed), home, to_s, quiet=as_json)
        try:
            came = run.run()
        finally:
            run.close()
        player = run.player
        played = Played(player.first_ns, player.settled_ns, player.last_ns, speed, run.late_s, run.misses_ns)
        answer = compare(drive, plan, played, came)
    except FeedLostError as error:
        sys.stderr.write(f"{error}; its last words:\n{_tail(home / 'daemon.log')}\n")
        return 1
    finally:
        shutil.rmtree(home, ignore_errors=True)
    say = sys.stdout.write
    say(json.dumps(answer, ensure_ascii=False, indent=1) + "\n" if as_json else "\n".join(report_lines(answer)) + "\n")
    return 0 if answer["same"] else 1


def _tail(log: Path) -> str:
    return "\n".join(log.read_text(encoding="utf-8").splitlines()[-8:]) if log.exists() else ""


class _Run:
    """The daemon on the wires, from its start to the end of the play."""

    def __init__(
        self, drive: Playable, plan: Plan, clock: Clock, home: Path, to_s: float | None, *, quiet: bool
    ) -> None:
        self._drive, self._home, self._quiet = drive, home, quiet
        self.player = _Player(drive, plan, home, clock, to_s)
        self._config = _write_settings(plan, self.player.wires, home)
        self._daemon: subprocess.Popen[bytes] | None = None
        self._probe = WireProbe(home / "tty-probe")
        self._ok: set[str] = set()
        self._events: list[dict[str, Any]] = []
        self.misses_ns: dict[int, float] = {}

    def run(self) -> list[Step]:
        """Play; returns the changes of alerts, by the time of the recording."""
        player, clock = self.player, self.player.clock
        player.before()
        follower = self._start(clock.speed)
        try:
            self._until_ready(follower)
            until_ns = clock.now_ns() + int(_BEFORE_S * NS_PER_S)
            while clock.now_ns() < until_ns:
                self._before(follower)
            self.misses_ns = player.choose_start()
            thread = threading.Thread(target=player.play, name="play", daemon=True)
            while player.start_ns - clock.now_ns() > _BEFORE_STEP_S * NS_PER_S:
                self._before(follower)
            thread.start()
            self._follow(follower)
            thread.join(_STOP_S)
        finally:
            follower.close()
        shift = player.start_ns - player.first_ns
        steps = [s._replace(time_ns=s.time_ns - shift) for s in recorded_steps(self._events)]
        return [s for s in steps if player.first_ns <= s.time_ns <= player.last_ns]

    def _start(self, speed: float) -> Follower:
        environment = {
            **os.environ,
            "GPIOZERO_PIN_FACTORY": "cabcanary-bench",
            PINS_VARIABLE: str(self._home / "pins.jsonl"),
            "PYTHONUNBUFFERED": "1",
        }
        with (self._home / "daemon.log").open("wb") as log:
            daemon = subprocess.Popen(
                daemon_command(self._config, speed),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=environment,
            )
        self._daemon = daemon
        return Follower(self._home / "state" / "feed.sock", frames_hz=0, ended=lambda: daemon.poll() is not None)

    def _until_ready(self, follower: Follower) -> None:
        ends = time.monotonic() + _READY_S
        while self._ok < set(self.player.wires) and time.monotonic() < ends:
            self._before(follower)

    def _before(self, follower: Follower) -> None:
        self.player.before()
        self._take(follower, self.player.clock.real_s(_BEFORE_STEP_S) / 2)

    def _follow(self, follower: Follower) -> None:
        player, clock = self.player, self.player.clock
        actions = iter(self._drive.actions())
        action = next(actions, None)
        shown = time.monotonic()
        while clock.now_ns() < player.end_ns + int(_AFTER_S * NS_PER_S):
            self._take(follower, 0.01)
            while action is not None and player.recorded_now() >= action.time_ns:
                seconds = action.for_ns / NS_PER_S
                follower.command(
                    {"do": action.what, "alert": action.alert, "seconds": seconds, "one_shot": action.one_shot}
                )
                action = next(actions, None)
            if not self._quiet and sys.stderr.isatty() and time.monotonic() - shown > _PROGRESS_S:
                shown = time.monotonic()
                self._progress()

    def _progress(self) -> None:
        at = (self.player.recorded_now() - self.player.first_ns) / NS_PER_S
        whole = (self.player.last_ns - self.player.first_ns) / NS_PER_S
        sys.stderr.write(f"\r{min(at, whole):.0f} of {whole:.0f} s played ")
        sys.stderr.flush()

    def _take(self, follower: Follower, wait_s: float) -> None:
        for message in follower.messages(wait_s):
            if "hello" in message:
                self._ok |= {name for name, s in message["hello"]["sources"].items() if s["ok"]}
            elif "event" in message:
                event = message["event"]
                self._events.append(event)
                if event["kind"] == "source" and event.get("ok"):
                    self._ok.add(event["what"])

    def close(self) -> None:
        """Stop the daemon, and take the wires away."""
        if self._daemon is not None and self._daemon.poll() is None:
            self._daemon.terminate()
            try:
                self._daemon.wait(_STOP_S)
            except subprocess.TimeoutExpired:
                self._daemon.kill()
                self._daemon.wait()
        self.player.close()
        self._probe.close()

    @property
    def late_s(self) -> float:
        """How late the machine ever made a reading or a byte on a wire, clock s."""
        return max(self.player.worst_late_s, self._probe.worst_s * self.player.clock.speed)


def _write_settings(plan: Plan, wires: dict[str, Wire], home: Path) -> Path:
    """The drive's settings and rules, with its sources on these wires and its state in this folder."""
    settings = tomllib.loads(plan.settings_text)
    for name in list(settings["sources"]):
        if name in wires:
            settings["sources"][name].update(wires[name].place)
        else:
            del settings["sources"][name]
    daemon = settings.setdefault("daemon", {})
    daemon["folder"] = str(home / "state")
    for key in ("feed", "watch"):
        daemon.pop(key, None)
    # Nothing leaves this machine, and nothing is heard but the simulated pins.
    for table in ("mqtt", "sound_card", "terminal"):
        settings.pop(table, None)
    rules = home / "rules"
    rules.mkdir()
    for name, text in plan.rule_texts.items():
        (rules / name).write_text(text, encoding="utf-8")
    settings["rules"] = [f"rules/{name}" for name in plan.rule_texts]
    config = home / "settings.toml"
    config.write_text(tomli_w.dumps(settings), encoding="utf-8")
    (home / "state").mkdir()
    write_baselines(home / "state", plan.baselines)
    return config
