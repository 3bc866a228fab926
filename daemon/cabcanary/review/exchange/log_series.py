"""A foreign log as plain series, and what is refused of any of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.model import Quality
from cabcanary.review.list.drives import DriveError
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray

    from cabcanary.review.exchange.log_mapping import Target

_QUALITIES = {q.words: q for q in Quality}


@dataclass(slots=True)
class Series:
    """One channel of a foreign log: its readings where there are any, each at its time (s, rising)."""

    name: str
    unit: str
    time_s: NDArray[np.float64]
    values: NDArray[np.float64]
    #: What the log itself says of each value, because this program wrote it: quality, uncertainty in `unit`.
    qualities: NDArray[np.uint8] | None = None
    uncertainties: NDArray[np.float64] | None = None


@dataclass(slots=True)
class Foreign:
    """A foreign log: its channels, the times at which it has rows, and the columns that nobody asked for."""

    rows_s: NDArray[np.float64]
    series: list[Series]
    left_out: list[str] = field(default_factory=list)
    #: When it began, as the log itself says; how well that is known, in the words of a manifest.
    start: datetime | None = None
    clock: str = "imported"
    #: What nobody has said and was taken to be so, as lines of a mapping.
    guessed: list[str] = field(default_factory=list)
    #: A last line that the end of the file has cut short, and is left out.
    torn: str = ""
    #: Columns that the mapping names and the log does not have.
    absent: list[str] = field(default_factory=list)


def series_of(target: Target, time_s: NDArray[np.float64], values: NDArray[np.float64]) -> Series:
    """The readings of a column: where there are numbers, in the target's unit."""
    there = np.isfinite(values)
    return Series(target.channel, target.unit, time_s[there], values[there] / target.afr_scale)


def refuse_twice(file: Path, names: list[str]) -> None:
    """Two columns that are one channel are an error."""
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise DriveError(f"{file}: two columns are the channel '{twice[0]}'; a mapping can choose one")


def refuse_back(file: Path, rows_s: NDArray[np.float64], lines: Sequence[int]) -> None:
    """Times that are missing or do not rise; `lines` says where each row stands in the file."""
    if not len(rows_s):
        raise DriveError(f"{file} has a heading and no rows")
    if not np.all(np.isfinite(rows_s)):
        raise DriveError(f"{file}: row {lines[int(np.argmin(np.isfinite(rows_s)))]} has no time")
    back = np.flatnonzero(np.diff(rows_s) <= 0)
    if len(back):
        line = lines[int(back[0]) + 1]
        raise DriveError(
            f"{file}: row {line}: time does not go on ({spelt(rows_s[back[0] + 1])} s after {spelt(rows_s[back[0]])} s)"
        )


def qualities_of(file: Path, name: str, words: Iterable[str]) -> NDArray[np.uint8]:
    """Qualities in words as numbers."""
    try:
        return np.array([_QUALITIES[w] for w in words], np.uint8)
    except KeyError as error:
        raise DriveError(f"{file}: column '{name}_quality': {error} is no quality") from None


def told_series(
    target: Target,
    rows_s: NDArray[np.float64],
    values: NDArray[np.float64],
    qualities: NDArray[np.uint8],
    uncertainties: NDArray[np.float64] | None,
    within: NDArray[np.float64] | None = None,
) -> Series:
    """A channel as this program wrote it, row by row; `within` has the middles of intervals, which stand apart."""
    doubts = np.zeros(len(rows_s)) if uncertainties is None else np.nan_to_num(uncertainties)
    if within is not None:
        values = np.where(qualities == Quality.WITHIN, within, values)
    return Series(target.channel, target.unit, rows_s, values, qualities, doubts)


class Beside(NamedTuple):
    """Where, in a log that this program wrote, a channel's quality, uncertainty and middles of intervals stand."""

    quality: str
    uncertainty: str | None
    within: str | None


def beside(names: Sequence[str], channel: str, unit: str) -> Beside | None:
    """What this program's exports have beside a channel; None: this is none of them."""

    def there(name: str) -> str | None:
        return next((n for n in (name, f"{name} [{unit}]") if n in names), None)

    quality = f"{channel}_quality"
    return Beside(quality, there(f"{channel}_uncertainty"), there(f"{channel}_within")) if quality in names else None
