"""The bench's display while it drives: a few lines updated in place, or plain lines without a terminal."""

from __future__ import annotations

import os
import sys
import time
from typing import TYPE_CHECKING, Any

from cabcanary.live.page import Sentence, columns, fitted, padded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.drives.verdict import Verdict
    from cabcanary_bench.rig.rig import Rig

#: Redrawn this often, real seconds; a plain line this often, clock seconds.
_REDRAW_S, _PLAIN_S = 0.2, 10.0
_BAR = 24
_RECENT = 6
#: Room for a figure, columns: the longest name with the longest quality, and two that part it from the next.
_FIGURE = len("charge temperature (out of range)") + 2
#: A terminal that does not tell its size has this, columns and lines.
_USUAL = (80, 24)
#: Where nobody looks at a terminal, lines are as long as they come.
_ENDLESS = 1 << 16


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
        self._drawn = self._width = 0

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
                print("  ".join(self._head(_USUAL[0])[:1] + self._figures()), flush=True)
        elif now >= self._next_draw:
            self._next_draw = now + _REDRAW_S
            width, height = terminal_size()
            self._redraw(self.lines(width)[: height - 1], width)

    def lines(self, width: int) -> list[str]:
        """The whole view, no line wider than the terminal: one that wraps would spoil the next drawing."""
        return [
            shortened(line, width)
            for line in (
                *self._head(width),
                "",
                *side_by_side(self._figures(), width),
                "",
                f"in the cab: {self._cab}",
                "",
                *self._recent,
            )
        ]

    def _redraw(self, lines: list[str], width: int) -> None:
        up = f"\x1b[{self._drawn}F" if self._drawn else ""
        if width != self._width and self._drawn:
            # Another width has wrapped what was drawn, nobody knows into how many lines.
            up, self._drawn = "\x1b[H\x1b[2J", 0
        self._width = width
        print(up + "".join(f"\x1b[2K{line}\n" for line in lines), end="")
        print("\x1b[2K\n" * (self._drawn - len(lines)), end="", flush=True)
        self._drawn = max(self._drawn, len(lines))

    def _head(self, width: int) -> list[str]:
        rig = self._rig
        scenario = rig.van.scenario
        now = min(max(0.0, rig.now_s), scenario.length_s)
        said = f"bench van, ×{rig.speed_reached:.1f}" if rig.started_ns else "bench van"
        bar = max(0, min(_BAR, width - columns(said) - 2))
        done = int(bar * now / scenario.length_s)
        return [
            f"{_time(now)} of {_time(scenario.length_s)}  {scenario.phase_at(now).name}",
            f"{'━' * done}{'·' * (bar - done)}  {said}",
        ]

    def _figures(self) -> list[str]:
        shown = (
            ("boost", ".1f", "psi"),
            ("lambda", ".3f", ""),
            ("engine_speed", ".0f", "rpm"),
            ("vehicle_speed", ".0f", "km/h"),
            ("supply", ".1f", "V"),
            ("charge_temperature", ".0f", "°C"),
        )
        return [_shown(self._values, *figure) for figure in shown]


def terminal_size() -> tuple[int, int]:
    """Columns and lines of the terminal that is written to."""
    try:
        found = os.get_terminal_size(sys.stdout.fileno())
    except (OSError, ValueError):
        return _USUAL
    return found.columns or _USUAL[0], found.lines or _USUAL[1]


def shortened(line: str, width: int) -> str:
    """A line that fits: what is too long ends behind a whole word where one fits, with a sign that it was cut."""
    if columns(line) <= width:
        return line
    kept = line[: width - 1]
    while columns(kept) > width - 1:
        kept = kept[:-1]
    words = kept.rstrip() if line[len(kept)] == " " else kept.rpartition(" ")[0].rstrip()
    return f"{words or kept}…"


def side_by_side(figures: Sequence[str], width: int) -> list[str]:
    """Figures in as many columns as the width has room for, and at most three; always in the same places."""
    beside = max(1, min(3, (width + 2) // _FIGURE))
    rows = [figures[n : n + beside] for n in range(0, len(figures), beside)]
    return ["".join(padded(figure, _FIGURE) for figure in row).rstrip() for row in rows]


def say(words: str, indent: int = 0) -> None:
    """Print words for a person, wrapped where a terminal shows them.

    With an `indent` the first line begins at column 2, and what follows it at column `indent`.
    """
    width = terminal_size()[0] if sys.stdout.isatty() else _ENDLESS
    for line in fitted(Sentence("", words, indent), width, colour=False):
        print(line)


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
    """Print the end of a bench drive: the alerts heard and when, the verdict, and the recording's path.

    Where the machine could not keep time that comes first, and there is no verdict.
    """
    print()
    late = rig.machine.late
    if late:
        _not_graded(late)
    say("Heard in the cab:")
    for event in events:
        if event["kind"] == "sound" and event["what"] != "silence":
            say(f"{_time(rig.drive_s(event['t']))}  {event['text']}", 10)
    if not late:
        print()
        say("Promised and kept:")
        for verdict in verdicts:
            say(verdict_line(verdict).removeprefix("  "), 7)
    print()
    say("Recorded:")
    for drive in drives:
        print(f"  {drive['path']}")
        say(f"  {drive['length_s']:.0f} s, {drive['ticks']} ticks, {drive['lost_ticks']} lost", 4)
    if not drives:
        say("NOTHING was recorded; see the daemon's log", 4)
    print(f"  the daemon's log: {rig.log}")
    print()
    if rig.took_s:
        say(f"The drive went {rig.speed_reached:.1f} times as fast as real time; the time was the bench's own.")
    say("This was a simulation. cabcanary is a monitor, not protection: it cannot stop an engine from being damaged.")
    say("Limits here are examples; yours come from a qualified tuner.")


def _not_graded(late: Sequence[str]) -> None:
    """The bench's own trouble, which says nothing of the monitor."""
    say("NOT GRADED: this machine could not keep time, so nothing here speaks for or against the monitor.")
    for words in late:
        say(words, 4)
    busy, processors = os.getloadavg()[0], os.cpu_count() or 1
    say(
        f"In the last minute {busy:.1f} programs at a time wanted its {processors} processors. End some and try again.",
        4,
    )
    print()
