"""Times of a log as people write them: seconds, hours and minutes, ISO 8601; and the date in them, if there is one."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

NUMBER, CLOCK, ISO = "number", "hh:mm:ss", "iso"
TIME_FORMATS = (NUMBER, CLOCK, ISO)
_CLOCK = re.compile(r"^(?:(\d+):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)$")
_ISO = re.compile(r"^\d{4}-\d\d-\d\d[T ]\d\d:")
_ZONE = re.compile(r"^([+-])(\d\d):(\d\d)$")
_DAY_S = 86_400.0
#: Seconds since 1970 of the years 2001 to 2100: what else a log counts from is smaller or larger.
_EPOCH_FROM_S, _EPOCH_TO_S = 978_307_200.0, 4_102_444_800.0
_FIRST = datetime(1970, 1, 1, tzinfo=UTC)


def format_of(cell: str) -> str:
    """How a cell writes its time."""
    text = cell.strip()
    return ISO if _ISO.match(text) else CLOCK if _CLOCK.match(text) else NUMBER


def zone_of(text: str) -> timezone:
    """`+01:00` as a zone.

    Raises:
        ValueError: it is none.
    """
    found = _ZONE.match(text)
    if not found:
        raise ValueError(f"'{text}' is no zone; write it as in +01:00")
    minutes = int(found[2]) * 60 + int(found[3])
    return timezone(timedelta(minutes=-minutes if found[1] == "-" else minutes))


def has_zone(cell: str) -> bool:
    """Whether a time in ISO 8601 says where it is."""
    return datetime.fromisoformat(cell.strip().replace(",", ".")).tzinfo is not None


def reader_of(form: str, zone: timezone) -> Callable[[str], float]:
    """A function that turns cells of that form into seconds; ISO 8601 counts from 1970. It raises ValueError."""

    def clock(text: str) -> float:
        found = _CLOCK.match(text)
        if found is None:
            raise ValueError(f"'{text}' is no time such as 10:15:30.5")
        hours, minutes, seconds = found.groups()
        return int(hours or 0) * 3600 + int(minutes) * 60 + float(seconds.replace(",", "."))

    def iso(text: str) -> float:
        moment = datetime.fromisoformat(text.replace(",", "."))
        return ((moment if moment.tzinfo else moment.replace(tzinfo=zone)) - _FIRST) / timedelta(seconds=1)

    return clock if form == CLOCK else iso


def over_midnight(seconds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Times of the day that go on after midnight."""
    return seconds + _DAY_S * np.concatenate([[0.0], np.cumsum(np.diff(seconds) < -_DAY_S / 2)])


def date_in(seconds: float) -> datetime | None:
    """The moment, if this counts from 1970 as a log of our days would."""
    return datetime.fromtimestamp(seconds, UTC) if _EPOCH_FROM_S <= seconds < _EPOCH_TO_S else None
