"""A sweep as a picture: a small SVG file, which every browser shows and no plotting library is needed for."""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.review.backtest.sweep import SweepResult

_WIDTH, _HEIGHT = 720, 400
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 64, 56, 64
_TICKS = 6
#: Dark enough on white, and told apart by those who see no red and green: line, second line, marks.
_ALARMS, _CAUGHT, _MARK = "#0b4f8a", "#b35900", "#555555"


def write_plot(path: Path, found: SweepResult) -> None:
    """Write alarms on good drives against the value; with bad drives, how many of them were caught.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_bytes(ET.tostring(_drawing(found), encoding="utf-8", xml_declaration=True))


def _drawing(found: SweepResult) -> ET.Element:
    sweep, rows = found.sweep, found.rows
    svg = ET.Element(
        "svg",
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {_WIDTH} {_HEIGHT}",
        style="font-family: sans-serif; font-size: 12px; background: white",
    )
    title = f"{sweep.rule}: {sweep.comparison}"
    ET.SubElement(svg, "title").text = title
    _text(svg, _LEFT, 22, title, size=15)
    _text(svg, _LEFT, 40, "Examples, not advice: silence on old drives is no proof that a limit is safe.", colour=_MARK)
    low, high = rows[0].value, rows[-1].value
    most = max(1, *(r.alarms for r in rows))
    floor = _HEIGHT - _BOTTOM

    def x(value: float) -> float:
        return _LEFT + (value - low) / (high - low) * (_WIDTH - _LEFT - _RIGHT)

    def y(share: float) -> float:
        return floor - share * (floor - _TOP)

    for n in range(_TICKS):
        value = low + (high - low) * n / (_TICKS - 1)
        _text(svg, x(value), floor + 18, spelt(value, 4), anchor="middle")
    for count in sorted({round(most * n / 4) for n in range(5)}):
        _text(svg, _LEFT - 8, y(count / most) + 4, str(count), anchor="end", colour=_ALARMS)
        _line(svg, [(_LEFT, y(count / most)), (_WIDTH - _RIGHT, y(count / most))], "#dddddd", 1)
    _line(svg, [(x(r.value), y(r.alarms / most)) for r in rows], _ALARMS, 2)
    for row in rows:
        told = f"{spelt(row.value, 4)} {sweep.unit}: {row.alarms} alarms in {row.drives} of {found.good} drives"
        dot = ET.SubElement(svg, "circle", cx=f"{x(row.value):.1f}", cy=f"{y(row.alarms / most):.1f}", r="4")
        dot.set("fill", _ALARMS)
        ET.SubElement(dot, "title").text = told
    if found.bad:
        _line(svg, [(x(r.value), y(r.caught / found.bad)) for r in rows], _CAUGHT, 2, dash="6 4")
        for caught in {0, found.bad}:
            _text(svg, _WIDTH - _RIGHT + 8, y(caught / found.bad) + 4, str(caught), colour=_CAUGHT)
        _text(svg, _WIDTH - 8, _HEIGHT - 12, f"- - of {found.bad} that should sound, caught", "end", _CAUGHT)
    marks = [(sweep.now, "now", 0)]
    if found.suggested is not None:
        marks.append((found.suggested, "tightest without an alarm", 14))
    for value, words, down in marks:
        _line(svg, [(x(value), _TOP), (x(value), floor)], _MARK, 1, dash="2 3")
        _text(svg, x(value) + 4, _TOP + 10 + down, words, colour=_MARK)
    kind = "added to the limit, " if sweep.added else ""
    _text(svg, (_LEFT + _WIDTH - _RIGHT) / 2, floor + 38, f"{kind}{sweep.unit}", anchor="middle")
    _text(svg, 8, _HEIGHT - 12, f"alarms on {found.good} good drives", colour=_ALARMS)
    return svg


def _text(
    svg: ET.Element,
    x: float,
    y: float,
    words: str,
    anchor: str = "start",
    colour: str = "#222222",
    *,
    size: int = 12,
) -> None:
    text = ET.SubElement(svg, "text", x=f"{x:.1f}", y=f"{y:.1f}", fill=colour)
    text.set("text-anchor", anchor)
    text.set("font-size", str(size))
    text.text = words


def _line(svg: ET.Element, points: list[tuple[float, float]], colour: str, width: int, dash: str = "") -> None:
    line = ET.SubElement(svg, "polyline", fill="none", stroke=colour)
    line.set("points", " ".join(f"{x:.1f},{y:.1f}" for x, y in points))
    line.set("stroke-width", str(width))
    if dash:
        line.set("stroke-dasharray", dash)
