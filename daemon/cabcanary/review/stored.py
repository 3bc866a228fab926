"""A drive's columns in its Parquet file: a row group is fetched when it is asked for, and only what is asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from cabcanary.expressions.signals import Block
from cabcanary.model import Quality

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.expressions.signals import Codes, Floats, Ints

_BY_WORDS = {q.words: int(q) for q in Quality}
_GOOD = Quality.GOOD.words
#: Windows reach back into the block before; what lies further back is seldom asked for again.
_BLOCKS_KEPT = 2


class StoredColumns:
    """All columns of one file. Row groups are the blocks; of an empty drive there is one, and it is empty.

    Raises:
        OSError, pa.ArrowException: it cannot be read, or is no Parquet file.
    """

    def __init__(self, path: Path) -> None:
        self._file = pq.ParquetFile(path, memory_map=False, pre_buffer=False)
        self._about = self._file.metadata
        self.names: dict[str, int] = {name: n for n, name in enumerate(self._file.schema_arrow.names)}
        self.metadata: dict[bytes, bytes] = self._file.schema_arrow.metadata or {}
        self._groups: list[int] = []
        self.blocks: tuple[Block, ...] = self._blocks()
        self._kept: dict[tuple[str, int], Any] = {}
        self._asked: dict[int, set[str]] = {}

    def _blocks(self) -> tuple[Block, ...]:
        found: list[Block] = []
        first = 0
        for group in range(self._about.num_row_groups):
            rows = self._about.row_group(group).num_rows
            if rows:
                found.append(Block(len(found), first, first + rows))
                self._groups.append(group)
                first += rows
        return tuple(found) or (Block(0, 0, 0),)

    def times(self) -> Ints:
        """The ticks' times in ns; of a file of another program, from its seconds."""
        name = "tick_ns" if "tick_ns" in self.names else "time_s"
        found = self._file.read(columns=[name], use_threads=False)[name].to_numpy()
        times: Ints = found.astype(np.int64, copy=False) if name == "tick_ns" else np.rint(found * 1e9).astype(np.int64)
        return times

    def fetch(self, name: str, block: Block) -> Any:
        """A column's array in a block, together with the columns that were asked for in the block before."""
        key = (name, block.number)
        if key not in self._kept:
            if not self._groups:
                self._kept[key] = pa.array([], type=self._file.schema_arrow.field(name).type)
            else:
                self._fetch({name} | self._expected(block.number), block.number)
        self._asked.setdefault(block.number, set()).add(name)
        return self._kept[key]

    def _expected(self, number: int) -> set[str]:
        return set() if number in self._asked else self._asked.get(number - 1, set())

    def _fetch(self, names: set[str], number: int) -> None:
        for key in [k for k in self._kept if k[1] <= number - _BLOCKS_KEPT]:
            del self._kept[key]
        wanted = [n for n in names if (n, number) not in self._kept]
        table = self._file.read_row_group(self._groups[number], columns=wanted, use_threads=False)
        for name in wanted:
            self._kept[name, number] = table.column(name).combine_chunks()

    def statistics(self, name: str, block: Block) -> Any:
        """What the file says of a column in a block, or None."""
        if not self._groups:
            return None
        return self._about.row_group(self._groups[block.number]).column(self.names[name]).statistics


class StoredColumn:
    """One channel of a stored drive."""

    def __init__(self, columns: StoredColumns, name: str) -> None:
        self._columns, self._name = columns, name
        self._quality = f"{name}_quality" if f"{name}_quality" in columns.names else ""
        self._doubts = f"{name}_uncertainty" if f"{name}_uncertainty" in columns.names else ""
        self._said: dict[int, tuple[tuple[float, float] | None, bool]] = {}
        self._qualities: dict[int, Codes | None] = {}

    def numbers(self, block: Block) -> Floats:
        """Values of a block; NaN where there is none."""
        return _floats(self._columns.fetch(self._name, block))

    def quality(self, block: Block) -> Codes | None:
        """Qualities of a block; None where every one is good."""
        if block.number not in self._qualities:
            for number in [n for n in self._qualities if n <= block.number - _BLOCKS_KEPT]:
                del self._qualities[number]
            self._qualities[block.number] = self._read_quality(block)
        return self._qualities[block.number]

    def _read_quality(self, block: Block) -> Codes | None:
        if not self._quality:
            missing = np.isnan(self.numbers(block))
            return np.where(missing, Quality.ABSENT, Quality.GOOD).astype(np.uint8) if missing.any() else None
        said = self._columns.statistics(self._quality, block)
        if said is not None and said.has_min_max and said.min == said.max == _GOOD and said.null_count == 0:
            return None
        found = _codes(self._columns.fetch(self._quality, block))
        return found if found.any() else None

    def doubts(self, block: Block) -> Floats | None:
        """Uncertainties of a block."""
        return np.nan_to_num(_floats(self._columns.fetch(self._doubts, block))) if self._doubts else None

    def ends(self, block: Block) -> tuple[float, float] | None:
        """The lowest and the highest value, as the file says."""
        return self._say(block)[0]

    def complete(self, block: Block) -> bool:
        """Whether the file says that no value is missing."""
        return self._say(block)[1]

    def _say(self, block: Block) -> tuple[tuple[float, float] | None, bool]:
        if block.number not in self._said:
            said = self._columns.statistics(self._name, block)
            if said is None or not said.has_min_max:
                self._said[block.number] = (None, False)
            else:
                self._said[block.number] = (
                    (float(said.min), float(said.max)),
                    bool(said.has_null_count and said.null_count == 0),
                )
        return self._said[block.number]

    @property
    def values(self) -> Floats:
        """The numbers of all ticks."""
        return np.concatenate([self.numbers(b) for b in self._columns.blocks])

    @property
    def qualities(self) -> Codes:
        """The qualities of all ticks."""
        found = [(b, self.quality(b)) for b in self._columns.blocks]
        return np.concatenate([np.zeros(b.last - b.first, dtype=np.uint8) if q is None else q for b, q in found])

    @property
    def uncertainties(self) -> Floats | None:
        """The uncertainties of all ticks, where any were kept."""
        if not self._doubts:
            return None
        return np.concatenate([found for b in self._columns.blocks if (found := self.doubts(b)) is not None])


class Missing:
    """A channel that the drive has no column of."""

    def __init__(self, count: int) -> None:
        self._count = count

    def numbers(self, block: Block) -> Floats:
        """None at any tick."""
        return np.full(block.last - block.first, np.nan)

    def quality(self, block: Block) -> Codes | None:
        """Absent at every tick."""
        return np.full(block.last - block.first, Quality.ABSENT, dtype=np.uint8)

    def doubts(self, block: Block) -> Floats | None:  # noqa: ARG002 - a Channel's shape
        """None were kept."""
        return None

    def ends(self, block: Block) -> tuple[float, float] | None:  # noqa: ARG002 - a Channel's shape
        """It has no values."""
        return None

    def complete(self, block: Block) -> bool:  # noqa: ARG002 - a Channel's shape
        """It has no values."""
        return False

    @property
    def values(self) -> Floats:
        """None at any tick."""
        return np.full(self._count, np.nan)

    @property
    def qualities(self) -> Codes:
        """Absent at every tick."""
        return np.full(self._count, Quality.ABSENT, dtype=np.uint8)

    @property
    def uncertainties(self) -> Floats | None:
        """None were kept."""
        return None


def _floats(array: Any) -> Floats:
    """NaN for what is missing."""
    found: Floats = array.to_numpy(zero_copy_only=False)
    return found if found.dtype == np.float64 else found.astype(np.float64)


def _codes(words: Any) -> Codes:
    """Qualities from their words; a word of a newer version counts as absent."""
    words = words if pa.types.is_dictionary(words.type) else words.dictionary_encode()
    codes = np.array([_BY_WORDS.get(w, int(Quality.ABSENT)) for w in words.dictionary.to_pylist()], dtype=np.uint8)
    if words.null_count:
        return np.array([_BY_WORDS.get(w, int(Quality.ABSENT)) for w in words.to_pylist()], dtype=np.uint8)
    found: Codes = codes[words.indices.to_numpy()]
    return found
