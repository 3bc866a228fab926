"""What the channels of a corpus drive were, kept in files: changed rules are then graded in minutes, not hours.

A file a drive: Parquet columns of times, values, qualities and uncertainties, with the rest of the drive as JSON in its
metadata. A file that other simulators, other channel code or other sensors made is not used again.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

import cabcanary.channels
from cabcanary.clock import NS_PER_S
from cabcanary.expressions.arrays import Column, Signals
from cabcanary_bench.drives.labels import Label
from cabcanary_bench.paths import config_folder

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from cabcanary_bench.drives.scenario import Scenario

_MARK, _DRIVE = b"cabcanary_bench.mark", b"cabcanary_bench.drive"
_TIME = "time_ns"
#: What changes no column: how drives are made up, kept, graded and shown, and what only drives in real time. How this
#: drive was made up stands in its own mark.
_NOT_IN_IT = frozenset(
    {"corpus.py", "corpus_grade.py", "corpus_kept.py", "corpus_run.py", "generator.py", "itinerary.py"}
    | {"mountain.py", "rehearsal.py", "seen.py", "translated.py", "vehicles.py", "watched.py"}
    | {"rig", "replay", "scenarios", "wiring"}
)


@dataclass(frozen=True, slots=True)
class Driven:
    """One drive of the corpus: its channels for each stretch in which the monitor had power, and the truth about it.

    `zero_ns` is the channels' time at second 0 of the drive, `down` the stretches without power in seconds.
    """

    runs: tuple[Signals, ...]
    zero_ns: int
    hours: float
    labels: tuple[Label, ...]
    down: tuple[tuple[float, float], ...]

    def at_s(self, time_ns: int) -> float:
        """A tick's time as seconds of the drive."""
        return (time_ns - self.zero_ns) / NS_PER_S


def mark_of(scenario: Scenario, seed: int, more: str = "") -> str:
    """All that a drive's columns depend on, as one short text; a kept drive with another mark is driven again."""
    return hashlib.sha256(f"{_code()} {scenario!r} {seed} {more}".encode()).hexdigest()[:24]


@cache
def _code() -> str:
    """The simulators, the channels' code and the van's sensors."""
    bench = Path(__file__).parent.parent
    files = [p for p in sorted(bench.rglob("*.py")) if not {p.name, p.parent.name} & _NOT_IN_IT]
    files += [p for folder in cabcanary.channels.__path__ for p in sorted(Path(folder).rglob("*.py"))]
    total = hashlib.sha256()
    for path in [*files, config_folder() / "bench-van.toml"]:
        total.update(path.name.encode() + b"\0" + path.read_bytes())
    return total.hexdigest()


def load(path: Path, mark: str) -> Driven | None:
    """A drive that was kept, or None where there is none, it is torn, or its mark is another."""
    try:
        metadata = pq.read_schema(path).metadata or {}
        if metadata.get(_MARK) != mark.encode():
            return None
        table = pq.read_table(path, memory_map=True)
    except (OSError, pa.ArrowInvalid):
        return None
    drive = json.loads(metadata[_DRIVE])
    columns = {name: table.column(name).to_numpy() for name in table.column_names}
    names = [name for name in columns if name != _TIME and "." not in name]
    runs = [
        Signals(
            columns[_TIME][first:last],
            {
                n: Column(columns[n][first:last], columns[f"{n}.quality"][first:last], columns[f"{n}.band"][first:last])
                for n in names
            },
        )
        for first, last in pairwise(drive["bounds"])
    ]
    return Driven(
        tuple(runs),
        drive["zero_ns"],
        drive["hours"],
        tuple(Label(**label) for label in drive["labels"]),
        tuple((begin, end) for begin, end in drive["down"]),
    )


def save(path: Path, mark: str, driven: Driven) -> None:
    """Keep a drive with its mark; a reader sees all of it or nothing.

    Raises:
        OSError: the folder cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    arrays: dict[str, NDArray[np.generic]] = {_TIME: np.concatenate([run.times_ns for run in driven.runs])}
    for name in driven.runs[0].columns:
        parts = [run.columns[name] for run in driven.runs]
        arrays[name] = _joined(part.values for part in parts)
        arrays[f"{name}.quality"] = _joined(part.qualities for part in parts)
        arrays[f"{name}.band"] = _joined(part.uncertainties for part in parts)
    drive = {
        "bounds": np.cumsum([0, *(len(run) for run in driven.runs)]).tolist(),
        "zero_ns": driven.zero_ns,
        "hours": driven.hours,
        "labels": [label.as_json() for label in driven.labels],
        "down": driven.down,
    }
    table = pa.table(arrays).replace_schema_metadata({_MARK: mark, _DRIVE: json.dumps(drive)})
    part = path.with_suffix(f".{os.getpid()}.part")
    pq.write_table(table, part, compression="zstd", compression_level=1)
    part.replace(path)


def _joined(parts: Iterable[NDArray[np.generic] | None]) -> NDArray[np.generic]:
    return np.concatenate([part for part in parts if part is not None])
