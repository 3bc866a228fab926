"""`cabcanary bench`: the simulated van against the installed daemon, over real transports."""

from __future__ import annotations

import json
import math
import signal
import sys
import time
from functools import partial
from typing import TYPE_CHECKING, Any

from cabcanary.recorder.archiver import archive_all
from cabcanary.review.list.drives import list_drives
from cabcanary.spelling import spelt
from cabcanary_bench.drives.expectations import Heard, Raised, is_shown, judge, judge_kept
from cabcanary_bench.drives.expected import Kept, Shown
from cabcanary_bench.rig.feed_reader import FeedLostError, Follower, MachineLateError
from cabcanary_bench.rig.grade import Masks, grade, pin_sounds
from cabcanary_bench.rig.patience import Patience
from cabcanary_bench.rig.rig import Rig
from cabcanary_bench.rig.screen import Screen, report, say
from cabcanary_bench.wiring.gpio import read_changes

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.drives.verdict import Verdict

_PAUSE_S = 0.05
#: The wires that must be heard before the key is turned; the monitor's own computer is none of them.
_WIRES = {"adc", "wideband", "engine"}
#: How long the daemon may take to see all its sources at the start, real seconds of a machine that has time for it.
_READY_S = 15.0
#: How long after the scenario the recording may take to lie in the archive, real seconds of such a machine.
_ARCHIVED_S = 30.0
#: A drive that ends with the key off for longer than this, s, ends by itself: the bench van's `drive.ends_after`.
_ENDS_AFTER_S = 5.0
_KPA_PER_PSI = 6.894757
#: So the daemon's reader of the bus says that an adapter takes no bytes.
_UNREAD = "Write timeout"
#: A daemon that is told to stop writes the end of its drive; what it tells is heard for at most this long, real seconds
#: of such a machine.
_LAST_WORDS_S = 15.0


def run_bench(scenario: Scenario, folder: Path, speed: float, *, plain: bool, as_json: bool) -> int:
    """Drive a scenario; 0 if all that was promised was kept."""
    speed = min(speed, scenario.fastest)
    before = {d["drive"] for d in list_drives(folder)[0]}
    # Asked to end, the bench takes its daemon along.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    rig = Rig(folder, scenario, speed)
    if not as_json:
        _introduce(rig)
    bench = _Bench(rig, Screen(rig, plain=plain, quiet=as_json))
    try:
        verdicts = bench.drive()
    except MachineLateError as error:
        rig.machine.was_late(str(error))
        verdicts = []
    except FeedLostError as error:
        sys.stderr.write(f"{error}; its last words are in {rig.log}\n")
        return 1
    finally:
        rig.close()
    # What a daemon's archiver has not finished when it stops is left to the next start; there is none here.
    archive_all(rig.folder)
    drives = [d for d in list_drives(rig.folder)[0] if d["drive"] not in before]
    late = rig.machine.late
    if late:
        verdicts = []
    elif scenario.expectations:
        verdicts.append(judge_kept(scenario.kept or Kept(), drives, rig.cut_ns))
    if as_json:
        result = {
            "scenario": scenario.name,
            "speed": round(rig.speed_reached, 2),
            "graded": not late,
            "not_graded_because": late,
            "verdicts": [v.as_json() for v in verdicts],
            "drives": drives,
        }
        sys.stdout.write(json.dumps(result, ensure_ascii=False, indent=1) + "\n")
    else:
        report(rig, verdicts, bench.events, drives)
    return 0 if not late and all(v.kept for v in verdicts) and (drives or scenario.expectations) else 1


def _introduce(rig: Rig) -> None:
    scenario = rig.van.scenario
    length_s = scenario.length_s
    most = "" if math.isinf(rig.speed) else f", and at most {spelt(rig.speed)} times as fast as real time"
    say(
        "The bench van drives against the daemon that is installed here: voltages in a folder, a serial line and a CAN "
        "adapter on pseudo-terminals, the buzzer on a simulated pin. No vehicle, no hardware, no network."
    )
    long = f"{length_s / 60:.0f} minutes" if length_s >= 120 else f"{length_s:.0f} seconds"
    say(
        f"{scenario.name}: a drive of {long}. The bench owns the time: it goes as fast as this machine can follow"
        f"{most}."
    )
    say("")
    sys.stdout.flush()


class _Bench:
    def __init__(self, rig: Rig, screen: Screen) -> None:
        self._rig, self._screen = rig, screen
        self._follower: Follower
        self.events: list[dict[str, Any]] = []
        self._masks = Masks()
        self._sources_ok: set[str] = set()
        self._drive = ""
        self._archived: set[str] = set()

    def drive(self) -> list[Verdict]:
        rig = self._rig
        self._follower = rig.start_daemon()
        try:
            if not self._until(lambda: self._sources_ok >= self._awaited(), _READY_S):
                rig.machine.was_late("the daemon did not come to hear its wires before the drive")
            rig.start_van()
            while not rig.ended:
                self._drive_on()
            if self._ends_by_itself():
                self._until(lambda: self._drive in self._archived, _ARCHIVED_S)
            else:
                self._stop_in_order()
        finally:
            rig.heard_until(None)
            self._follower.close()
        pins = read_changes(rig.pins)
        if rig.van.scenario.marks:
            return grade(rig, self.events, pins, self._masks)
        return judge(rig.van.scenario, heard_on(rig, self.events, pins))

    def _awaited(self) -> set[str]:
        """The wires that can be heard as the drive begins."""
        effects, truth = self._rig.van.vehicle.effects, self._rig.van.truth
        silent = effects.can_silent or effects.adapter_unplugged or not truth.key_on
        away = {"engine"} if silent else set()
        away |= {"wideband"} if effects.wideband_unplugged else set()
        return _WIRES - away - ({"adc"} if effects.converter_hung else set())

    def _drive_on(self) -> None:
        """Listen for a moment; where the scenario has killed the daemon, start it again when it is time."""
        try:
            self._take()
        except (FeedLostError, ConnectionError):
            if self._rig.down_until_s is None:
                raise
            self._follower.close()
            self._rig.heard_until(None)
            while self._rig.now_s < self._rig.down_until_s and not self._rig.ended:
                time.sleep(_PAUSE_S)
                self._screen.draw()
            self._follower = self._rig.start_daemon()
        self._screen.draw()

    def _ends_by_itself(self) -> bool:
        """Whether the drive's end is the recorder's affair: the key has been off for long enough."""
        last = self._rig.van.scenario.phases[-1]
        return not last.key_on and last.end_s - last.start_s > _ENDS_AFTER_S

    def _stop_in_order(self) -> None:
        """The scenario leaves off in mid-drive: the daemon is asked to stop, and its last words are heard."""
        daemon = self._rig.daemon
        assert daemon is not None
        daemon.terminate()
        self._rig.heard_until(None)
        patience = Patience(_LAST_WORDS_S)
        while daemon.poll() is None and not patience.spent([daemon.pid]):
            try:
                self._take()
            except (FeedLostError, ConnectionError):
                time.sleep(_PAUSE_S)

    def _until(self, done: Callable[[], bool], longest_s: float) -> bool:
        """Listen until something is so; False where the time for it ran out because the machine was late."""
        daemon, patience = self._rig.daemon, Patience(longest_s)
        while not done():
            if patience.spent([] if daemon is None else [daemon.pid]):
                return not patience.machine_late
            self._take()
        return True

    def _take(self) -> None:
        for message in self._follower.messages(_PAUSE_S):
            if "frame" in message:
                frame = message["frame"]
                masked = frame["values"]["fuel_cut_gas"][0] == 1.0
                self._rig.heard_until(frame["t"])
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
        elif (
            event["kind"] == "source"
            and _UNREAD in event["text"]
            and not self._rig.van.vehicle.effects.adapter_unplugged
        ):
            # An adapter has 0.1 s of real time to take bytes, and the bench's always does if it gets to run.
            self._rig.machine.was_late("the bench's CAN adapter had no processor to take the daemon's bytes in time")
        if event["kind"] == "drive" and event["what"] == "started":
            self._drive = event["drive"]
        if event["kind"] == "recorder" and "archived" in event:
            self._archived.add(event["archived"])


def heard_on(rig: Rig, events: list[dict[str, Any]], pins: list[dict[str, Any]]) -> Heard:
    """What a drive on the wires gave, for the judge: by the feed, and by the buzzer's own record."""
    raised, told, cab = [], [], []
    for event in events:
        at_s, kind = rig.drive_s(event["t"]), event["kind"]
        if kind == "alert" and event.get("raised"):
            blind_warning = event["blind"] and event["priority"] == "warning"
            raised.append(Raised(at_s, str(event["what"]), "cannot_see" if blind_warning else event["priority"]))
        elif kind == "sound" and "alert" in event:
            cab.append((at_s, str(event["alert"])))
        elif kind != "alert":
            told.append((at_s, f"{kind} {event['what']}"))
    return Heard(raised, told, partial(_shows, rig), cab, pin_sounds(rig, pins))


def _shows(rig: Rig, what: Shown, from_s: float, to_s: float) -> float | None:
    """When the sensors first put this out, s of the drive as the clock had it."""
    for row, stepped_ns in zip(rig.van.outputs, rig.stepped_ns, strict=False):
        if row.time_s > to_s:
            return None
        psi = None if row.boost_kpa is None else row.boost_kpa / _KPA_PER_PSI
        if row.time_s >= from_s and is_shown(what, psi, row.lambda_shown):
            return rig.drive_s(stepped_ns)
    return None
