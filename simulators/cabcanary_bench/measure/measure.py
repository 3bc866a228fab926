"""`cabcanary bench --measure`: one table of what the monitor costs here, in one run."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from cabcanary.review.progress import shown
from cabcanary_bench.measure.daemon import daemon_figures
from cabcanary_bench.measure.figures import machine, table
from cabcanary_bench.measure.ticks import tick_figures

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary_bench.measure.figures import Figure

#: About so many figures come, for the bar.
_EXPECTED = 26


def run_measure(seconds: float, *, as_json: bool) -> int:
    """Measure for so many seconds each and print it; always 0: no figure is a fault."""
    on = machine()
    figures = list(shown(_all(seconds), "measuring", "figures", _EXPECTED))
    if as_json:
        print(json.dumps({"machine": on, "figures": [f._asdict() for f in figures]}, ensure_ascii=False, indent=1))
    else:
        print(table(figures, on))
    return 0


def _all(seconds: float) -> Iterator[Figure]:
    yield from tick_figures(seconds)
    yield from daemon_figures(max(seconds, 1.0) * 3)
