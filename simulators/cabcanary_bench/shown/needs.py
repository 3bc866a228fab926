"""Which level of equipment watches for what, as a table for README.md: `python -m cabcanary_bench.shown.needs`.

It is what `cabcanary check` says of the vehicles that are shipped, each with its compressor.
"""

from __future__ import annotations

import sys

from cabcanary.plan.coverage import Watched
from cabcanary.plan.plan import plan_in_stage
from cabcanary_bench.paths import config_folder

#: The levels of equipment, by what is fitted, and the vehicle that has just that.
LEVELS = {
    "wideband, pressure": "market-hatchback.toml",
    "… and supply": "harbour-pickup.toml",
    "… and engine speed": "hill-estate.toml",
    "… and the bus": "bench-van.toml",
}
_STAGE = "compressor, low boost"
_NOT = "-"
_LACKS = "it lacks "


def table() -> str:
    """The table in Markdown."""
    covered = [plan_in_stage(config_folder() / file, _STAGE, None).coverage.parts for file in LEVELS.values()]
    rows = [f"| warned of | {' | '.join(LEVELS)} | or a sensor for |", f"| --- |{' --- |' * (len(LEVELS) + 1)}"]
    for parts in zip(*covered, strict=True):
        words = [_NOT if part.watched is Watched.NO else str(part.watched) for part in parts]
        # What no level has is watched for with a sensor more.
        more = [why.removeprefix(_LACKS) for why in parts[-1].why if why.startswith(_LACKS)]
        rows.append(f"| {parts[0].subject} | {' | '.join(words)} | {' or '.join(more).replace('_', ' ')} |")
    return "\n".join(rows) + "\n"


def main() -> int:
    """Print it."""
    sys.stdout.write(table())
    return 0


if __name__ == "__main__":
    sys.exit(main())
