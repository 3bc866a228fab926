"""Pictures of our own screens as SVG: `python -m cabcanary_bench.shown.pictures FOLDER` writes them anew.

They come from the first drive without wires, so each run gives the same text. Nothing is drawn by hand.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

from cabcanary.alerts.annunciator import Annunciator
from cabcanary.alerts.words import alert_event
from cabcanary.cli.check import check_lines
from cabcanary.clock import NS_PER_S
from cabcanary.live.page import PLAIN, RED, YELLOW, Sentence, columns, fitted, page
from cabcanary.live.report import report
from cabcanary.model import Event, EventKind
from cabcanary.plan.plan import load_plan
from cabcanary.runtime.standing import Standing
from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.paths import config_folder
from cabcanary_bench.rig.screen import Screen
from cabcanary_bench.shown.report_picture import report_picture

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.clock import Clock
    from cabcanary.model import Frame, Value
    from cabcanary_bench.rig.rig import Rig

#: A moment of the first drive in which the mixture is lean under boost, s.
_AT_S = 170.5
#: By then the lean pull is over, s.
_PULLED_S = 182.0
_WIDTH = 92
#: A picture's letters: advance and line height in pixels, for a monospaced face of 14.
_ADVANCE, _HEIGHT, _MARGIN = 8.43, 19, 14
_FACE = "ui-monospace, 'DejaVu Sans Mono', Menlo, Consolas, monospace"
_PAPER, _INK = "#16181d", "#d7dae0"
_HUES = {RED: "#ff6b68", YELLOW: "#e5c07b", "\x1b[1m": "#ffffff"}
#: Spaces that no viewer draws together.
_SPACE = "\N{NO-BREAK SPACE}"
_ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


@dataclass
class Moment:
    """The first drive as far as it has come: what a screen and a status are made of."""

    standing: Standing
    frame: Frame
    events: list[dict[str, Any]] = field(default_factory=list)
    started_ns: int = 0
    #: Every frame so far.
    frames: list[Frame] = field(default_factory=list)


class _Clock:
    """A clock that stands where it is put."""

    speed, time_ns = 1.0, 0

    def now_ns(self) -> int:
        return self.time_ns


def moment(at_s: float = _AT_S, until_s: float = 0.0) -> Moment:
    """Drive the first drive without wires up to a moment, s; its frames go on to `until_s`, and nothing else does."""
    plan = load_plan(config_folder() / "bench-van.toml")
    pipeline, engine, cab, clock = plan.pipeline(), plan.engine(), Annunciator(()), _Clock()
    recording = drive(FIRST_DRIVE, 1)
    found: Moment | None = None
    for newest, now_ns in recording.ticks():
        if recording.drive_s(now_ns) > max(at_s, until_s):
            break
        past = recording.drive_s(now_ns) > at_s
        clock.time_ns = clock.time_ns if past else now_ns
        frame = pipeline.step(newest, now_ns)
        if found is None:
            found = Moment(Standing(plan, cast("Clock", clock), {}), frame, [], now_ns)
        found.frames.append(frame)
        if past:
            continue
        found.frame = frame
        found.standing.look(found.frame)
        changes = engine.step(found.frame)
        told = [*map(alert_event, changes), *cab.update(changes, now_ns)]
        for event in told:
            found.standing.take(event)
        found.events += [event.as_json() for event in told]
    assert found is not None, "the first drive has ticks"
    name = {"drive": "20261128T182550Z-e196e199"}
    found.standing.take(Event(found.started_ns, EventKind.DRIVE, "started", "drive started", name))
    return found


def bench_screen(now: Moment) -> list[str]:
    """The live screen of `cabcanary bench`."""
    time_s = (now.frame.time_ns - now.started_ns) / NS_PER_S
    rig = SimpleNamespace(
        van=SimpleNamespace(scenario=FIRST_DRIVE),
        now_s=time_s,
        speed_reached=12.0,
        started_ns=now.started_ns,
        drive_s=lambda time_ns: (time_ns - now.started_ns) / NS_PER_S,
    )
    screen = Screen(cast("Rig", rig), plain=False, quiet=True)
    screen.frame({"values": {name: _told(value) for name, value in now.frame.values.items()}})
    for event in now.events:
        screen.event(event)
    return screen.lines(_WIDTH)


def _told(value: Value) -> list[Any]:
    """As the feed has a value."""
    return [value.value, value.quality.words, value.reason, value.uncertainty]


def status_page(now: Moment) -> list[str]:
    """What `cabcanary status` says at that moment."""
    card = {"free": 21_000_000_000, "size": 31_000_000_000, "problem": ""}
    answer = {**now.standing.status(), "late_ticks": 0, "disk": card, "clients": []}
    return page(report(answer), _WIDTH, colour=True)


def check_page() -> list[str]:
    """What `cabcanary check` says of the vehicle with the fewest sensors, as far as one screen goes."""
    file = config_folder() / "market-hatchback.toml"
    plan = load_plan(file, to_watch=True)
    lines = check_lines(plan, plan.coverage, Path("market-hatchback.toml"))
    shown = [line for line in lines if not line.startswith(("not fitted", "rule "))]
    return [part for line in shown for part in _wrapped(line)]


def _wrapped(line: str) -> Iterator[str]:
    moved_in = len(line) - len(line.lstrip())
    for n, part in enumerate(fitted(Sentence("", line.strip(), 0), _WIDTH - moved_in - 2, colour=False)):
        yield " " * (moved_in + (2 if n else 0)) + part


def svg(title: str, lines: list[str]) -> str:
    """A terminal with these lines, which may be coloured from their beginning to their end."""
    width = round(2 * _MARGIN + _WIDTH * _ADVANCE)
    height = 2 * _MARGIN + _HEIGHT * (len(lines) + 1)
    rows = "\n".join(_row(n, line) for n, line in enumerate([f"$ {title}", *lines]))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}">\n'
        f"<title>{escape(title)}</title>\n"
        f'<rect width="100%" height="100%" rx="8" fill="{_PAPER}"/>\n'
        f'<g font-family="{_FACE}" font-size="14" fill="{_INK}">\n'
        f"{rows}\n</g>\n</svg>\n"
    )


def _row(number: int, line: str) -> str:
    hue = next((f' fill="{hue}"' for code, hue in _HUES.items() if line.startswith(code)), "")
    words = _ESCAPE.sub("", line.removesuffix(PLAIN))
    y = _MARGIN + _HEIGHT * number + 14
    # Its length is set, so that columns stand one below the other in whatever face there is.
    length = f' textLength="{columns(words) * _ADVANCE:.1f}"' if words else ""
    return f'<text x="{_MARGIN}" y="{y}"{length}{hue}>{escape(words).replace(" ", _SPACE)}</text>'


def pictures() -> dict[str, str]:
    """The pictures by their files' names."""
    now = moment(until_s=_PULLED_S)
    van = load_plan(config_folder() / "bench-van.toml")
    return {
        "bench.svg": svg("cabcanary bench", bench_screen(now)),
        "status.svg": svg("cabcanary status my-van.toml", status_page(now)),
        "check.svg": svg("cabcanary check market-hatchback.toml", check_page()),
        "report.svg": report_picture(van, now.frames),
    }


def main() -> int:
    """Write them into a folder."""
    if len(sys.argv) != 2:
        sys.stderr.write("which folder? python -m cabcanary_bench.shown.pictures guides/pictures\n")
        return 2
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in pictures().items():
        (folder / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
