"""The figures of a measurement, and how they are printed."""

from __future__ import annotations

import os
import platform
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence


class Figure(NamedTuple):
    """One figure. `times` is how often `beside` fits into it, measured in the same run; None: nothing is beside it."""

    part: str
    what: str
    value: float
    unit: str
    beside: str = ""
    times: float | None = None

    def line(self) -> str:
        """For a person."""
        beside = "" if self.times is None else f"   ×{self.times:.1f} {self.beside}"
        return f"  {self.what:<46}{spelt(_rounded(self.value)):>9} {self.unit}{beside}"


def _rounded(value: float) -> float:
    """Three digits are more than two runs agree in."""
    return float(f"{value:.3g}")


def machine() -> dict[str, Any]:
    """What it was measured on; no name of the machine or of its owner."""
    busy, _, _ = os.getloadavg()
    return {
        "processor": platform.machine(),
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "busy_before": round(busy, 2),
    }


def table(figures: Sequence[Figure], on: dict[str, Any]) -> str:
    """All of it as text."""
    where = f"{on['cores']} cores ({on['processor']}), Python {on['python']}"
    busy = f"{on['busy_before']} programs were busy before it began, and each makes every figure worse"
    lines = [f"Measured on {where}. {busy}."]
    part = ""
    for figure in figures:
        if figure.part != part:
            part = figure.part
            lines += ["", f"{part}:"]
        lines.append(figure.line())
    return "\n".join(lines)
