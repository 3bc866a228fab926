"""The bench's live screen at any width: nothing wraps, nothing runs into another, and what is cut shows it."""

from __future__ import annotations

import os
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from drawn import Drawn
from on_a_terminal import OnATerminal, plain

from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.rig import screen as screens
from cabcanary_bench.rig.screen import Screen, shortened, side_by_side

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.waits

S = 1_000_000_000
#: Every figure with the longest that it can be.
VALUES: dict[str, list[Any]] = {
    "boost": [8.0, "within", 0, 1.5],
    "lambda": [None, "out of range"],
    "engine_speed": [6543.2, "good"],
    "vehicle_speed": [None, "implausible"],
    "supply": [14.2, "saturated high"],
    "charge_temperature": [None, "out of range"],
}
LONG = (
    "computer: reading clock_set, recording, board_temperature, late_ticks of this computer (/tmp/a-folder/with/a-name)"
)


class Rig:
    """As much of a rig as the screen looks at."""

    def __init__(self) -> None:
        self.van = SimpleNamespace(scenario=FIRST_DRIVE)
        self.now_s, self.speed_reached, self.started_ns = 0.0, 123.45, 1

    def drive_s(self, clock_ns: int) -> float:
        return clock_ns / S


class Terminal:
    """Standard output of a terminal, and its size."""

    def __init__(self, width: int, height: int) -> None:
        self.size, self.drawn = (width, height), Drawn(width)

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> int:
        self.drawn.write(text.replace("\n", "\r\n"))
        return len(text)

    def flush(self) -> None: ...


def view(monkeypatch: pytest.MonkeyPatch, width: int, height: int = 24) -> tuple[Screen, Rig, Terminal]:
    terminal, rig = Terminal(width, height), Rig()
    monkeypatch.setattr(screens.sys, "stdout", terminal)
    monkeypatch.setattr(screens, "terminal_size", lambda: terminal.size)
    monkeypatch.setattr(screens, "_REDRAW_S", 0.0)
    return Screen(rig, plain=False, quiet=False), rig, terminal  # type: ignore[arg-type]


def drive(screen: Screen, rig: Rig) -> None:
    screen.frame({"values": VALUES})
    for n in range(9):
        rig.now_s = 33.0 * n
        what = (
            {"kind": "source", "what": "computer", "text": LONG}
            if n % 2
            else {"kind": "lamp", "text": "lamp: watching"}
        )
        screen.event({"t": n * 33 * S, **what})
        screen.draw()


@pytest.mark.parametrize("width", [40, 60, 80, 120, 200])
def test_each_drawing_takes_the_place_of_the_one_before(monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    screen, rig, terminal = view(monkeypatch, width)
    drive(screen, rig)
    drawn = terminal.drawn
    assert drawn.wrapped == 0
    assert max(map(len, drawn.lines)) <= width
    assert len(drawn.lines) <= 24
    # One view and no rest of an earlier one.
    assert sum("of 5:00.0" in line for line in drawn.lines) == 1
    assert drawn.lines[0].startswith("4:24.0 of 5:00.0")
    assert sum("lamp: watching" in line for line in drawn.lines) >= 3


@pytest.mark.parametrize("width", [40, 60, 80, 120, 200])
def test_no_figure_runs_into_another_and_each_is_whole(monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    screen, rig, terminal = view(monkeypatch, width)
    drive(screen, rig)
    shown = [cell.strip() for line in terminal.drawn.lines for cell in line.split("  ") if cell.strip()]
    for figure in (
        "boost 5.0 to 11.0 psi",
        "lambda (out of range)",
        "engine speed 6543 rpm",
        "vehicle speed (implausible)",
        "supply ≥14.2 V",
        "charge temperature (out of range)",
    ):
        assert figure in shown


@pytest.mark.parametrize("width", range(20, 130))
def test_a_line_that_is_cut_ends_with_a_whole_word_and_shows_it(width: int) -> None:
    cut = shortened(LONG, width)
    assert len(cut) <= width
    if len(LONG) <= width:
        assert cut == LONG
        return
    assert cut.endswith("…")
    assert LONG.startswith(cut[:-1])
    assert LONG[len(cut) - 1] == " "


def test_a_word_longer_than_the_line_is_cut_with_the_sign() -> None:
    assert shortened("incomprehensibilities", 10) == "incompreh…"
    assert shortened("fits", 4) == "fits"


def test_figures_stand_in_the_same_places_whatever_they_say() -> None:
    for width in (40, 60, 80, 120, 200):
        short = side_by_side(["a", "b", "c", "d", "e", "f"], width)
        long = side_by_side(["charge temperature (out of range)"] * 6, width)
        assert len(short) == len(long)
        assert max(map(len, long)) <= width
        for row in range(len(short)):
            starts = [n for n, c in enumerate(short[row]) if c != " "]
            assert all(long[row][n] == "c" and (n == 0 or long[row][n - 2 : n] == "  ") for n in starts)


def test_a_terminal_that_changes_its_width_is_drawn_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    screen, rig, terminal = view(monkeypatch, 120)
    drive(screen, rig)
    terminal.size, terminal.drawn.width = (60, 24), 60
    drive(screen, rig)
    assert sum("of 5:00.0" in line for line in terminal.drawn.lines) == 1
    assert max(map(len, terminal.drawn.lines)) <= 60


def test_a_low_terminal_shows_the_beginning_and_nothing_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    screen, rig, terminal = view(monkeypatch, 40, height=10)
    drive(screen, rig)
    assert len(terminal.drawn.lines) <= 10
    assert terminal.drawn.lines[0].startswith("4:24.0 of 5:00.0")


@pytest.mark.parametrize("width", [40, 80])
def test_a_whole_bench_drive_on_a_real_terminal_wraps_nothing_but_paths(width: int, tmp_path: Path) -> None:
    folder = tmp_path / "d"
    bench = OnATerminal(
        "bench",
        "over-boost",
        "--folder",
        str(folder),
        width=width,
        height=24,
        env={**os.environ, "HOME": str(tmp_path)},
    )
    try:
        assert bench.ends(240) in (0, 1), bench.shown[-2000:]
    finally:
        bench.close()
    live, _, report = bench.shown.partition("Heard in the cab:")
    drawn = Drawn(width)
    drawn.write(live)
    assert drawn.wrapped == 0
    assert sum(" of 0:57.0" in line for line in drawn.lines) == 1
    lines = [line for line in plain(report).splitlines() if str(folder) not in line]
    assert max(map(len, lines)) <= width
