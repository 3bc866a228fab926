"""A drive as the array evaluator sees it: ticks and channels in blocks, so that hours take the memory of minutes."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np

from cabcanary.model import Quality

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Codes = NDArray[np.uint8]

#: Rows that are worked on at a time where nothing else divides a drive: a column of them fits a processor's cache.
ROWS_PER_BLOCK = 16_384


class Block(NamedTuple):
    """Some ticks of a drive: which block it is, its first row, and the row behind its last."""

    number: int
    first: int
    last: int

    @property
    def rows(self) -> slice:
        """Its rows."""
        return slice(self.first, self.last)

    @property
    def length(self) -> int:
        """How many ticks it has."""
        return self.last - self.first


class Channel(Protocol):
    """One channel, a row for each tick; what a block holds may be fetched only when it is asked for."""

    @property
    def values(self) -> Floats:
        """The numbers of all ticks."""

    @property
    def qualities(self) -> Codes:
        """The qualities of all ticks."""

    @property
    def uncertainties(self) -> Floats | None:
        """The uncertainties of all ticks, where any were kept."""

    def numbers(self, block: Block) -> Floats:
        """Values in the channel's unit, NaN where there is none."""

    def quality(self, block: Block) -> Codes | None:
        """Qualities; None where every one is known to be good."""

    def doubts(self, block: Block) -> Floats | None:
        """Standard uncertainties in the channel's unit; None where none were kept."""

    def ends(self, block: Block) -> tuple[float, float] | None:
        """The lowest and the highest value of the block, where they are known without fetching it."""

    def complete(self, block: Block) -> bool:
        """Whether it is known without fetching it that every row has a value."""


@dataclass(slots=True)
class Column:
    """One channel in memory: values in the channel's unit (NaN: none), qualities, uncertainties."""

    values: Floats
    qualities: Codes
    uncertainties: Floats | None = None

    def numbers(self, block: Block) -> Floats:
        """Values of a block."""
        return self.values[block.rows]

    def quality(self, block: Block) -> Codes | None:
        """Qualities of a block."""
        return self.qualities[block.rows]

    def doubts(self, block: Block) -> Floats | None:
        """Uncertainties of a block."""
        return None if self.uncertainties is None else self.uncertainties[block.rows]

    def ends(self, block: Block) -> tuple[float, float] | None:  # noqa: ARG002 - a Channel's shape
        """Nothing is known of what has not been looked at."""
        return None

    def complete(self, block: Block) -> bool:  # noqa: ARG002 - a Channel's shape
        """Nothing is known of what has not been looked at."""
        return False


def blocks_of(count: int, length: int = ROWS_PER_BLOCK) -> tuple[Block, ...]:
    """Blocks of `length` rows; a drive without ticks has one that is empty."""
    starts = range(0, max(count, 1), length)
    return tuple(Block(n, first, min(first + length, count)) for n, first in enumerate(starts))


@dataclass(slots=True)
class Signals:
    """A drive's ticks: their times, and each channel; `blocks` divide its rows without a gap."""

    times_ns: Ints
    columns: Mapping[str, Channel]
    blocks: tuple[Block, ...] = field(default=())

    def __post_init__(self) -> None:
        if not self.blocks:
            self.blocks = blocks_of(len(self.times_ns))

    def __len__(self) -> int:
        return len(self.times_ns)

    def block_at(self, row: int) -> Block:
        """The block that holds a row."""
        low, high = 0, len(self.blocks)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.blocks[middle].first <= row else (low, middle)
        return self.blocks[low]

    def quality_at(self, channel: str, row: int) -> Quality:
        """A channel's quality at one tick."""
        block = self.block_at(row)
        found = self.columns[channel].quality(block)
        return Quality.GOOD if found is None else Quality(int(found[row - block.first]))


@lru_cache(maxsize=64)
def everywhere(count: int) -> Bools:
    """A mask that is true at every one of so many ticks; many hold the same one, so nobody may write to it."""
    mask = np.ones(count, dtype=np.bool_)
    mask.flags.writeable = False
    return mask


@lru_cache(maxsize=64)
def nowhere(count: int) -> Bools:
    """A mask that is true at none of so many ticks."""
    mask = np.zeros(count, dtype=np.bool_)
    mask.flags.writeable = False
    return mask


class Span(NamedTuple):
    """A number at each of some ticks: the ends of its interval in SI, one array for both where none is open; where
    known."""

    low: Floats
    high: Floats
    known: Bools

    @property
    def is_point(self) -> bool:
        """Whether no tick's interval is open."""
        return self.low is self.high


class Truths(NamedTuple):
    """A condition at each of some ticks: where it is true and where it is false; elsewhere it is unknown."""

    true: Bools
    false: Bools
