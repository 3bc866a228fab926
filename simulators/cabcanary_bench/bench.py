"""`cabcanary bench`: the simulated van against the installed daemon, over real transports."""

from __future__ import annotations

import json
import signal
import sys
import time
from typing import TYPE_CHECKING, Any

from cabcanary.review.drives import list_drives

from .follow import FeedLostError, Follower
from .grade import Masks, Verdict, grade
from .rig import Rig
from .scenario import FIRST_DRIVE
from .screen import Screen, report
from .wiring.gpio import read_changes

if TYPE_CHECKING:
    from pathlib import Path

#: The wires that must be heard before the key is turned; the monitor's own computer is none of them.
_WIRES = {"adc", "wideband", "engine"}
#: How long the daemon may take to see all its sources at the start, real seconds.
_READY_S = 15.0
#: How long after the scenario the recording may take to lie in the archive, real seconds.
_ARCHIVED_S = 30.0


def run_bench(folder: Path, speed: float, *, plain: bool, as_json: bool) -> int:
    """Drive the first scenario; 0 if all that was promised was kept."""
    before = {d["drive"] for d in list_drives(folder)[0]}
    # Asked to end, the bench takes its daemon along.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    rig = Rig(folder, FIRST_DRIVE, speed)
    if not as_json:
        _introduce(rig)
    try:
        bench = _Bench(rig, Screen(rig, plain=plain, quiet=as_json))
        verdicts = bench.drive()
    except FeedLostError as error:
        sys.stderr.write(f"{error}; its last words are in {rig.log}\n")
        return 1
    finally:
        rig.close()
    drives = [d for d in list_drives(rig.folder)[0] if d["drive"] not in before]
    if as_json:
        # How late the machine itself was: where it cannot keep up, a delay says nothing of the daemon.
        lag = round(rig.worst_lag_s, 3)
        result = {"speed": speed, "worst_lag_s": lag, "verdicts": [v.as_json() for v in verdicts], "drives": drives}
        sys.stdout.write(json.dumps(result, ensure_ascii=False, indent=1) + "\n")
    else:
        report(rig, verdicts, bench.events, drives)
    return 0 if all(v.kept for v in verdicts) and drives else 1


def _introduce(rig: Rig) -> None:
    minutes = rig.van.scenario.length_s / 60
    real = rig.van.scenario.length_s / rig.clock.speed
    say = sys.stdout.write
    say("The bench van drives against the daemon that is installed here: voltages in a folder, a serial line and\n")
    say("a CAN adapter on pseudo-terminals, the buzzer on a simulated pin. No vehicle, no hardware, no network.\n")
    say(f"The drive of {minutes:.0f} minutes takes {real:.0f} seconds: both clocks run ×{rig.clock.speed:g}.\n\n")
    sys.stdout.flush()


class _Bench:
    def __init__(self, rig: Rig, screen: Screen) -> None:
        self._rig, self._screen = rig, screen
        self.events: list[dict[str, Any]] = []
        self._masks = Masks()
        self._sources_ok: set[str] = set()
        self._archived = False

    def drive(self) -> list[Verdict]:
        follower = self._rig.start_daemon()
        try:
            self._until(follower, lambda: self._sources_ok >= _WIRES, _READY_S)
            self._rig.start_van()
            while not self._rig.ended:
                self._take(follower)
                self._screen.draw()
            self._until(follower, lambda: self._archived, _ARCHIVED_S)
        finally:
            follower.close()
        pins = read_changes(self._rig.pins)
        return grade(self._rig, self.events, pins, self._masks)

    def _until(self, follower: Follower, done: Any, longest_s: float) -> None:
        ends = time.monotonic() + longest_s
        while not done() and time.monotonic() < ends:
            self._take(follower)

    def _take(self, follower: Follower) -> None:
        for message in follower.messages(0.05):
            if "frame" in message:
                frame = message["frame"]
                masked = frame["values"]["fuel_cut_gas"][0] == 1.0
                self._masks.add(self._rig.drive_s(frame["t"]), masked=masked)
                self._screen.frame(frame)
            elif "event" in message:
                self._event(message["event"])
            elif "hello" in message:
                if self._rig.daemon is not None and message["hello"]["pid"] != self._rig.daemon.pid:
                    raise FeedLostError("another daemon serves this folder; stop it, or give --folder")
                sources = message["hello"]["sources"]
                self._sources_ok |= {name for name, s in sources.items() if s["ok"]}

    def _event(self, event: dict[str, Any]) -> None:
        self.events.append(event)
        self._screen.event(event)
        if event["kind"] == "source" and event.get("ok"):
            self._sources_ok.add(event["what"])
        if event["kind"] == "recorder" and "archived" in event and self._rig.started_ns:
            self._archived = True
