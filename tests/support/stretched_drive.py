"""An hour of driving made of some minutes of it, as the archive has it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.parquet as pq

from cabcanary.model import Quality
from cabcanary.store.archive import METADATA_KEY, Column, SampleWriter
from cabcanary.store.rows import ROWS_PER_GROUP, Rows

if TYPE_CHECKING:
    from pathlib import Path

#: The first four minutes come once, the last one not at all.
BODY_BEGINS, LEFT_OUT = 12_000, 3_000


def stretched(samples: Path, target: Path, ticks: int, begins: int = BODY_BEGINS, left_out: int = LEFT_OUT) -> Path:
    """A drive of so many ticks: it begins as the one does, and then its middle comes over and over.

    Its first `begins` ticks come once, its last `left_out` not at all. All goes through the archive's own writer.
    """
    table = pq.read_table(samples)
    about = json.loads(table.schema.metadata[METADATA_KEY])
    raw, units = about.pop("raw"), about.pop("units")
    names = [n for n in units if f"{n}_uncertainty" in units]
    columns = [Column(n, units[n], raw.get(n)) for n in names]
    body = table.num_rows - left_out - begins
    rows = np.arange(ticks)
    rows = np.where(rows < begins, rows, begins + (rows - begins) % body)
    turns = np.maximum(0, np.arange(ticks) - begins) // body
    times = table["tick_ns"].to_numpy()
    shift = turns * int(times[begins + body] - times[begins])
    codes = {q.words: int(q) for q in Quality}
    writer = SampleWriter(target, columns, about)
    for first in range(0, ticks, ROWS_PER_GROUP):
        taken, late = table.take(rows[first : first + ROWS_PER_GROUP]), shift[first : first + ROWS_PER_GROUP]
        writer.add(
            Rows(
                taken["tick_ns"].to_numpy() + late,
                {n: taken[n].to_numpy() for n in names},
                {n: np.array([codes[w] for w in taken[f"{n}_quality"].to_pylist()], np.uint8) for n in names},
                {n: taken[f"{n}_uncertainty"].to_numpy() for n in names},
                {c.name: _raw(taken[f"{c.name}_raw"], c) for c in columns if c.raw is not None},
                {t: _masked(taken[t], _in_unit(late, t)) for t in {r["time"] for r in raw.values()}},
                {t: _masked(taken[t], 0) for t in {r["later"] for r in raw.values() if "later" in r}},
            )
        )
    writer.close()
    return target


def _in_unit(late_ns, name):
    """Times stand in whole microseconds where that is exact."""
    return late_ns // 1000 if name.endswith("_us") else late_ns


def _raw(column, channel):
    return _masked(column, 0) if channel.codes else column.to_numpy()


def _masked(column, shift):
    numbers = column.fill_null(0).to_numpy() + shift
    return np.ma.masked_array(numbers, mask=column.is_null().to_numpy(), dtype=np.int64)
