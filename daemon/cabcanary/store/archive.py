"""The archive: one Parquet file of samples for each drive. Never imported by the daemon's own process."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from cabcanary.model import Quality
from cabcanary.store.manifest import sync_folder

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

METADATA_KEY = b"cabcanary"


@dataclass(slots=True)
class Column:
    """One channel of a drive: engineering values (NaN: none), qualities, and the raw readings, if measured."""

    name: str
    unit: str
    values: NDArray[np.float64]
    qualities: NDArray[np.uint8]
    raw: NDArray[np.float64] | None
    wire: str = ""


def write_samples(path: Path, times_ns: NDArray[np.int64], columns: list[Column], about: dict[str, Any]) -> None:
    """Write a drive's samples; the file is there whole or not at all.

    `time_s` counts from the first sample. Each channel gives `<name>` in its unit, `<name>_quality` in words
    and, if measured, `<name>_raw` in the unit of the wire. Units stand in each field's metadata and, with
    `about`, as JSON under the key "cabcanary" of the file's metadata, where every Parquet reader finds them.
    """
    time_s = (times_ns - (times_ns[0] if len(times_ns) else 0)) / 1e9
    fields = [pa.field("time_s", pa.float64(), metadata={"unit": "s"})]
    arrays: list[Any] = [pa.array(time_s)]
    words = pa.array([q.words for q in Quality])
    units: dict[str, str] = {"time_s": "s"}
    for column in columns:
        fields.append(pa.field(column.name, pa.float64(), metadata={"unit": column.unit}))
        arrays.append(pa.array(column.values, from_pandas=True))
        quality = pa.DictionaryArray.from_arrays(pa.array(column.qualities.astype(np.int8)), words)
        fields.append(pa.field(f"{column.name}_quality", quality.type))
        arrays.append(quality)
        units[column.name] = column.unit
        if column.raw is not None:
            fields.append(pa.field(f"{column.name}_raw", pa.float64(), metadata={"unit": column.wire}))
            arrays.append(pa.array(column.raw, from_pandas=True))
            units[f"{column.name}_raw"] = column.wire
    metadata = {METADATA_KEY: json.dumps({**about, "units": units}, ensure_ascii=False).encode()}
    table = pa.table(arrays, schema=pa.schema(fields, metadata=metadata))
    temporary = path.with_name(path.name + ".new")
    with temporary.open("wb") as file:
        pq.write_table(table, file, compression="zstd")
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
    sync_folder(path.parent)
