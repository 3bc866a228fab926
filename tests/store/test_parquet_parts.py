"""Parquet files put one behind the other by copying bytes: read by programs that share no code with this one."""

import contextlib
import io

import duckdb
import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from cabcanary.store.archive import Column, SampleWriter
from cabcanary.store.parquet_parts import join
from cabcanary.store.rows import Rows

SCHEMA = pa.schema(
    [
        pa.field("n", pa.int64(), metadata={"unit": "ns"}),
        pa.field("value", pa.float64()),
        pa.field("word", pa.dictionary(pa.int8(), pa.string())),
    ]
)


def table(first, count):
    words = pa.DictionaryArray.from_arrays(pa.array(np.arange(count) % 3, type=pa.int8()), pa.array(["a", "b", "c"]))
    values = pa.array([None if n % 7 == 0 else n / 3 for n in range(first, first + count)])
    return pa.table([pa.array(range(first, first + count)), values, words], schema=SCHEMA)


@pytest.fixture
def parts(tmp_path):
    found = []
    for number, (first, count) in enumerate([(0, 1000), (1000, 1), (1001, 5000), (6001, 20)]):
        path = tmp_path / f"{number}.part"
        pq.write_table(
            table(first, count),
            path,
            compression="zstd",
            use_dictionary=["word"] if number % 2 else True,
            write_page_index=number == 2,
            row_group_size=2000,
        )
        found.append(path)
    return found


def test_joined_parts_are_one_file_to_everybody(parts, tmp_path):
    whole = tmp_path / "whole.parquet"
    with whole.open("wb") as file:
        assert join(parts, file, SCHEMA.with_metadata({b"told": b"once"})) == 6021
    wanted = pa.concat_tables([pq.read_table(p) for p in parts])
    assert pq.read_table(whole).replace_schema_metadata(None).equals(wanted.replace_schema_metadata(None))
    assert pq.read_schema(whole).metadata[b"told"] == b"once"
    assert pq.read_schema(whole).field("n").metadata[b"unit"] == b"ns"
    assert pl.read_parquet(whole)["value"].to_list() == wanted["value"].to_pylist()
    assert duckdb.sql(f"select sum(n), count(value), min(word) from '{whole}'").fetchall() == [
        (6020 * 6021 // 2, sum(n % 7 != 0 for n in range(6021)), "a")
    ]
    # One row group of the third part alone, by its place in the file.
    with pq.ParquetFile(whole) as file:
        assert file.num_row_groups == 1 + 1 + 3 + 1
        assert file.read_row_group(3)["n"].to_pylist() == list(range(3001, 5001))
        assert file.metadata.row_group(4).column(0).statistics.max == 6000


@pytest.mark.parametrize("kept", [0, 3, 11, 40, -1, -9, -200])
def test_a_part_that_is_cut_off_makes_no_file(parts, kept):
    parts[1].write_bytes(parts[1].read_bytes()[:kept])
    with pytest.raises((ValueError, OSError)):
        join(parts, io.BytesIO(), SCHEMA)


def test_a_part_that_the_card_has_changed_anywhere_makes_no_file(tmp_path):
    part, n = tmp_path / "a.part", np.arange(300)
    writer = SampleWriter(part, [Column("v", "V")], {"of": "a test"})
    writer.add(Rows(n * 20_000_000, {"v": n / 3}, {"v": (n % 3).astype(np.uint8)}, {"v": n * 0.5}))
    writer.close()
    schema, whole = pq.read_schema(part), part.read_bytes()
    joined = io.BytesIO()
    assert join([part], joined, schema) == 300
    assert pq.read_table(joined).equals(pq.read_table(part))
    footer = len(whole) - 8 - int.from_bytes(whole[-8:-4], "little")
    assert footer > 1000
    for at in range(footer):
        part.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :])
        # The magic is written anew.
        with pytest.raises(ValueError, match="not what was written") if at >= 4 else contextlib.nullcontext():
            join([part], io.BytesIO(), schema)
