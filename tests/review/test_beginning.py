"""A stored drive begins with a short block: what lies in which block does not show, and nothing is read twice."""

import json

import numpy as np
import pytest

from cabcanary.expressions.signals import Block
from cabcanary.model import Quality
from cabcanary.review.list.row_groups import StoredColumn, StoredColumns
from cabcanary.store.archive import Column, SampleWriter
from cabcanary.store.rows import Rows

GROUPS = (15_000, 15_000, 15_000, 700)


def stored(folder, groups=GROUPS, dark=40):
    """A file of one channel, which is absent at the first ticks, and what it holds."""
    path, count = folder / "drive.parquet", sum(groups)
    values, qualities = np.arange(count) / 100.0, np.zeros(count, dtype=np.uint8)
    values[:dark], qualities[:dark] = np.nan, int(Quality.ABSENT)
    ticks, writer = np.arange(count) * 20_000_000, SampleWriter(path, [Column("map", "kPa")], {"drive": "one"})
    ends = np.cumsum(groups)
    for first, last in zip(ends - groups, ends, strict=True):
        rows = slice(first, last)
        writer.add(
            Rows(ticks[rows], {"map": values[rows]}, {"map": qualities[rows]}, {"map": np.full(last - first, 0.5)})
        )
    writer.close()
    return StoredColumns(path), values, qualities


@pytest.mark.parametrize(
    ("groups", "expected"),
    [
        (GROUPS, [(0, 1500), (1500, 30_000), (30_000, 45_700)]),
        ((1501, 20), [(0, 1500), (1500, 1521)]),
        # What is no longer than a beginning is not divided.
        ((1500, 30), [(0, 1530)]),
        ((3,), [(0, 3)]),
    ],
)
def test_the_first_half_minute_is_a_block_of_its_own(groups, expected, tmp_path):
    columns, values, qualities = stored(tmp_path, groups, dark=2)
    assert columns.blocks == tuple(Block(n, *ends) for n, ends in enumerate(expected))
    column = StoredColumn(columns, "map")
    np.testing.assert_array_equal(column.values, values)
    np.testing.assert_array_equal(column.qualities, qualities)
    np.testing.assert_array_equal(column.uncertainties, np.full(len(values), 0.5))


def test_every_row_group_of_a_column_is_read_once(tmp_path, monkeypatch):
    columns, _, _ = stored(tmp_path)
    column, read, before = StoredColumn(columns, "map"), [], StoredColumns._read

    def counted(self, name, groups):
        read.extend((name, group) for group in groups)
        return before(self, name, groups)

    monkeypatch.setattr(StoredColumns, "_read", counted)
    for block in columns.blocks:
        column.numbers(block)
        column.quality(block)
    # All qualities of the other row groups are good, and the file says so.
    assert sorted(read) == [*(("map", n) for n in range(4)), *(("map_quality", n) for n in (0, 1))]
    # What has been gone through is let go.
    assert not columns._begun


def test_behind_the_beginning_all_is_good(tmp_path):
    columns, _, _ = stored(tmp_path)
    column = StoredColumn(columns, "map")
    assert [column.quality(block) is None for block in columns.blocks] == [False, True, True]


def test_a_file_without_ticks_has_one_block(tmp_path):
    writer = SampleWriter(tmp_path / "none.parquet", [Column("map", "kPa")], {})
    writer.close()
    columns = StoredColumns(tmp_path / "none.parquet")
    assert columns.blocks == (Block(0, 0, 0),)
    assert len(StoredColumn(columns, "map").values) == 0
    assert json.loads(columns.metadata[b"cabcanary"])["units"]["map"] == "kPa"
