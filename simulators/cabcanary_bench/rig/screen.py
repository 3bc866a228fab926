"""The bench's display while it drives: a few lines updated in place, or plain lines without a terminal."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.drives.verdict import Verdict
    from cabcanary_bench.rig.rig import Rig

#: Redrawn this often, real seconds; a plain line this often, clock seconds.
_REDRAW_S, _PLAIN_S = 0.2, 10.0
_BAR = 24
_RECENT = 6


class Screen:
    """Draws the drive. `plain` prints lines only; `quiet` prints nothing."""

    def __init__(self, rig: Rig, *, plain: bool, quiet: bool) -> None:
        self._rig, self._quiet = rig, quiet
        self._plain = plain or not sys.stdout.isatty()
        self._values: dict[str, list[Any]] = {}
        self._cab = "quiet"
        self._recent: list[str] = []
        self._next_draw = 0.0
        self._next_plain = 0.0
        self._drawn = 0

    def frame(self, frame: dict[str, Any]) -> None:
        """Take in the newest values."""
        self._values = frame["values"]

    def event(self, event: dict[str, Any]) -> None:
        """Take in an event; alerts, sounds and drives are shown."""
        if event["kind"] == "sound":
            self._cab = "quiet" if event["what"] == "silence" else event["text"]
        if event["kind"] == "clock" or not event["text"]:
            return
        label = event.get("priority", event["kind"]) if event.get("raised") else event["kind"]
        line = f"{_time(self._rig.drive_s(event['t']))}  {label:<9} {event['text']}"
        self._recent = [*self._recent[1 - _RECENT :], line]
        if self._plain and not self._quiet:
            print(line, flush=True)

    def draw(self) -> None:
        """Redraw, if it is time."""
        if self._quiet:
            return
        now = time.monotonic()
        if self._plain:
            if self._rig.now_s >= self._next_plain:
                self._next_plain = self._rig.now_s + _PLAIN_S
                print("  ".join(self._head()[:1] + self._figures()), flush=True)
        elif now >= self._next_draw:
            self._next_draw = now + _REDRAW_S
            self._redraw([*self._head(), "", *self._figures(), "", f"in the cab: {self._cab}", "", *self._recent])

    def _redraw(self, lines: list[str]) -> None:
        up = f"\x1b[{self._drawn}F" if self._drawn else ""
        print(up + "".join(f"\x1b[2K{line[:118]}\n" for line in lines), end="", flush=True)
        for _ in range(self._drawn - len(lines)):
            print("\x1b[2K")
        self._drawn = max(self._drawn, len(lines))

    def _head(self) -> list[str]:
        rig = self._rig
        scenario = rig.van.scenario
        now = min(max(0.0, rig.now_s), scenario.length_s)
        phase = scenario.phase_at(now).name
        done = int(_BAR * now / scenario.length_s)
        bar = "━" * done + "·" * (_BAR - done)
        return [
            f"{_time(now)} of {_time(scenario.length_s)}  {phase}",
            f"{bar}  bench van, ×{rig.speed_reached:.1f}" if rig.started_ns else f"{bar}  bench van",
        ]

    def _figures(self) -> list[str]:
        def show(name: str, form: str, unit: str) -> str:
            return f"{_shown(self._values, name, form, unit):<24}"

        return [
            show("boost", ".1f", "psi") + show("lambda", ".3f", ""),
            show("engine_speed", ".0f", "rpm") + show("vehicle_speed", ".0f", "km/h"),
            show("supply", ".1f", "V") + show("charge_temperature", ".0f", "°C"),
        ]


def _shown(values: dict[str, list[Any]], name: str, form: str, unit: str) -> str:
    label = name.replace("_", " ")
    value, quality, *rest = values.get(name, [None, "absent"])
    if quality == "within" and value is not None:
        around = 2.0 * rest[1]
        return f"{label} {value - around:{form}} to {value + around:{form}} {unit}".rstrip()
    if value is None or quality not in ("good", "saturated high", "saturated low"):
        return f"{label} ({quality})"
    sign = {"saturated high": "≥", "saturated low": "≤"}.get(quality, "")
    return f"{label} {sign}{value:{form}} {unit}".rstrip()


def _time(seconds: float) -> str:
    if seconds < 0:
        return "before"
    return f"{int(seconds // 60)}:{seconds % 60:04.1f}"


def verdict_line(verdict: Verdict) -> str:
    """A verdict for a person."""
    return f"  {'yes' if verdict.kept else 'NO ':<4} {verdict.name:<22} {verdict.text}"


def report(
    rig: Rig, verdicts: Sequence[Verdict], events: Sequence[dict[str, Any]], drives: list[dict[str, Any]]
) -> None:
    """Print the end of a bench drive: the alerts heard and when, the verdict, and the recording's path."""
    print("\nHeard in the cab:")
    for event in events:
        if event["kind"] == "sound" and event["what"] != "silence":
            print(f"  {_time(rig.drive_s(event['t']))}  {event['text']}")
    print("\nPromised and kept:")
    for verdict in verdicts:
        print(verdict_line(verdict))
    print("\nRecorded:")
    for drive in drives:
        print(f"  {drive['path']}")
        print(f"    {drive['length_s']:.0f} s, {drive['ticks']} ticks, {drive['lost_ticks']} lost")
    if not drives:
        print("  NOTHING was recorded; see the daemon's log")
    print(f"  the daemon's log: {rig.log}")
    print(f"\nThe drive went {rig.speed_reached:.1f} times as fast as real time; the time was the bench's own.")
    print("This was a simulation. cabcanary is a monitor, not protection: it cannot stop an engine from being damaged.")
    print("Limits here are examples; yours come from a qualified tuner.")
