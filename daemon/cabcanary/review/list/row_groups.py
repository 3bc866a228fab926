"""A drive's columns in its Parquet file: row groups and columns are read only when needed."""

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
#: Windows reach back into the block before; older blocks are seldom needed again.
_BLOCKS_KEPT = 2
#: Row groups are taken together up to so many rows: ten minutes at 50 Hz. With fewer, more time goes into getting
#: about than into arithmetic; with more, a block's statistics decide less, and its columns outgrow a processor's cache.
ROWS_PER_BLOCK = 30_000
#: A drive begins with a block of its own, half a minute at 50 Hz: until every channel has spoken, rules that cannot see
#: ask for much that nobody asks for afterwards, and would ask for it throughout a long block.
BEGINNING = 1_500


class StoredColumns:
    """All columns of one file. Row groups are the blocks, but for the first, which is divided in two; of an empty drive
    there is one, and it is empty.

    Raises:
        OSError, pa.ArrowException: it cannot be read, or is no Parquet file.
    """

    def __init__(self, path: Path) -> None:
        self._file = pq.ParquetFile(path, memory_map=False, pre_buffer=False)
        self._about = self._file.metadata
        self._row_groups = [self._about.row_group(n) for n in range(self._about.num_row_groups)]
        # It is made anew each time it is asked for.
        schema = self._file.schema_arrow
        self.names: dict[str, int] = {name: n for n, name in enumerate(schema.names)}
        self.metadata: dict[bytes, bytes] = schema.metadata or {}
        self._groups: list[list[int]] = []
        #: The first row group of columns, for as long as a block of it is still to come.
        self._begun: dict[str, list[Any]] = {}
        self.blocks: tuple[Block, ...] = self._blocks()

    def _blocks(self) -> tuple[Block, ...]:
        found: list[Block] = []
        first = last = 0
        groups: list[int] = []
        for group, told in enumerate(self._row_groups):
            rows = told.num_rows
            if groups and last + rows - first > ROWS_PER_BLOCK:
                found.append(Block(len(found), first, last))
                self._groups.append(groups)
                first, groups = last, []
            if rows:
                groups.append(group)
                last += rows
        if groups:
            found.append(Block(len(found), first, last))
            self._groups.append(groups)
        if not found:
            return (Block(0, 0, 0),)
        if self._row_groups[self._groups[0][0]].num_rows <= BEGINNING:
            return tuple(found)
        self._groups.insert(0, self._groups[0][:1])
        rest = [Block(b.number + 1, b.first, b.last) for b in found]
        return Block(0, 0, BEGINNING), rest[0]._replace(first=BEGINNING), *rest[1:]

    def times(self) -> Ints:
        """The ticks' times in ns; of a file of another program, from its seconds."""
        name = "tick_ns" if "tick_ns" in self.names else "time_s"
        found = self._file.read(columns=[name], use_threads=False)[name].to_numpy()
        times: Ints = found.astype(np.int64, copy=False) if name == "tick_ns" else np.rint(found * 1e9).astype(np.int64)
        return times

    def fetch(self, name: str, block: Block) -> list[Any]:
        """A column's arrays in a block, one for each row group."""
        if not self._groups:
            return []
        first, *others = groups = self._groups[block.number]
        if first != self._groups[0][0]:
            self._begun.clear()
            return self._read(name, groups)
        begun = self._begun.get(name)
        if begun is None:
            begun = self._begun[name] = self._read(name, [first])
        cut = [array.slice(block.first, block.length) for array in begun]
        return cut + self._read(name, others) if others else cut

    def _read(self, name: str, groups: list[int]) -> list[Any]:
        # Several columns in one go would take as long as one after the other.
        return list(self._file.read_row_groups(groups, columns=[name], use_threads=False).column(0).chunks)

    def statistics(self, name: str, block: Block) -> list[Any]:
        """What the file says of a column in each row group of a block; nothing where it says nothing of one."""
        if not self._groups:
            return []
        place, found = self.names[name], []
        for group in self._groups[block.number]:
            said = self._row_groups[group].column(place).statistics
            if said is None or not said.has_min_max or not said.has_null_count:
                return []
            found.append(said)
        return found


class StoredColumn:
    """One channel of a stored drive."""

    def __init__(self, columns: StoredColumns, name: str) -> None:
        self._columns, self._name = columns, name
        self._quality = f"{name}_quality" if f"{name}_quality" in columns.names else ""
        self._doubts = f"{name}_uncertainty" if f"{name}_uncertainty" in columns.names else ""
        self._said: dict[int, tuple[tuple[float, float] | None, bool]] = {}
        self._numbers: dict[int, Floats] = {}
        self._uncertain: dict[int, Floats] = {}
        self._qualities: dict[int, Codes | None] = {}

    def numbers(self, block: Block) -> Floats:
        """Values of a block; NaN where there is none."""
        if block.number not in self._numbers:
            _drop(self._numbers, block.number)
            self._numbers[block.number] = _floats(self._columns.fetch(self._name, block))
        return self._numbers[block.number]

    def quality(self, block: Block) -> Codes | None:
        """Qualities of a block; None where every one is good."""
        if block.number not in self._qualities:
            _drop(self._qualities, block.number)
            self._qualities[block.number] = self._read_quality(block)
        return self._qualities[block.number]

    def _read_quality(self, block: Block) -> Codes | None:
        if not self._quality:
            missing = np.isnan(self.numbers(block))
            return np.where(missing, Quality.ABSENT, Quality.GOOD).astype(np.uint8) if missing.any() else None
        said = self._columns.statistics(self._quality, block)
        if said and all(s.min == s.max == _GOOD and s.null_count == 0 for s in said):
            return None
        found = _codes(self._columns.fetch(self._quality, block))
        return found if found.any() else None

    def doubts(self, block: Block) -> Floats | None:
        """Uncertainties of a block."""
        if not self._doubts:
            return None
        if block.number not in self._uncertain:
            _drop(self._uncertain, block.number)
            self._uncertain[block.number] = np.nan_to_num(_floats(self._columns.fetch(self._doubts, block)))
        return self._uncertain[block.number]

    def ends(self, block: Block) -> tuple[float, float] | None:
        """The lowest and the highest value, as the file says."""
        return self._say(block)[0]

    def complete(self, block: Block) -> bool:
        """Whether the file says that no value is missing."""
        return self._say(block)[1]

    def _say(self, block: Block) -> tuple[tuple[float, float] | None, bool]:
        if block.number not in self._said:
            said = self._columns.statistics(self._name, block)
            ends = (min(float(s.min) for s in said), max(float(s.max) for s in said)) if said else None
            self._said[block.number] = (ends, bool(said) and not any(s.null_count for s in said))
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


def _drop(kept: dict[int, Any], number: int) -> None:
    """Let go of blocks that lie further back than anybody looks."""
    for old in [n for n in kept if n <= number - _BLOCKS_KEPT]:
        del kept[old]


def _floats(arrays: list[Any]) -> Floats:
    """The columns as one array of float64; NaN where a value is missing."""
    found = [array.to_numpy(zero_copy_only=False).astype(np.float64, copy=False) for array in arrays]
    return found[0] if len(found) == 1 else np.concatenate([*found, _NO_NUMBERS])


def _codes(arrays: list[Any]) -> Codes:
    """Qualities from their words; a word of a newer version counts as absent, and so does none."""
    found = [_code(words if pa.types.is_dictionary(words.type) else words.dictionary_encode()) for words in arrays]
    return np.concatenate([*found, _NO_CODES])


def _code(words: Any) -> Codes:
    codes = np.array([_BY_WORDS.get(w, int(Quality.ABSENT)) for w in words.dictionary.to_pylist()], dtype=np.uint8)
    if words.null_count:
        return np.array([_BY_WORDS.get(w, int(Quality.ABSENT)) for w in words.to_pylist()], dtype=np.uint8)
    found: Codes = codes.take(words.indices.to_numpy())
    return found


_NO_NUMBERS, _NO_CODES = np.array([], dtype=np.float64), np.array([], dtype=np.uint8)
