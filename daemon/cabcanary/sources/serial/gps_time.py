"""The time from a satellite receiver on a serial port: NMEA 0183 sentences in, UTC out. No I/O here.

Only date and time of RMC sentences are read, and only while the receiver calls them valid. Where the vehicle was is
read by nobody and kept nowhere.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import reduce
from operator import xor

from cabcanary.model import Quality, Reading
from cabcanary.sources.serial.serial_settings import UTC_ITEM

#: NMEA 0183 allows 82 characters (from memory); a longer line is garbage.
_LONGEST = 120
#: Checksum right after an asterisk: the exclusive or of all between `$` and `*`.
_SENTENCE = re.compile(rb"\$([ -)+-~]{5,100})\*([0-9A-Fa-f]{2})\s*$")
_TIME, _STATUS, _DATE = 1, 2, 9
#: No drive is older than this program. A receiver whose ten-bit count of weeks has rolled over shows a date 1024 weeks
#: in the past, and calls it valid.
_EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)


class RmcParser:
    """Takes bytes as they arrive and gives a reading for every RMC sentence; remembers less than one line."""

    def __init__(self, source: str) -> None:
        self._source = source
        self._rest = b""
        self.sentences = 0
        self.malformed = 0

    def reset(self) -> None:
        """The port was opened anew."""
        self._rest = b""

    def complaint(self) -> str:
        """What was malformed, in words, with the likely cause."""
        words = f"{self.malformed} line(s) that are no whole NMEA sentence"
        return words + ("; check baud and wiring" if self.malformed > self.sentences else "")

    def feed(self, data: bytes, time_ns: int) -> list[Reading]:
        """Readings of every RMC sentence that `data` completes; `time_ns` is when it arrived."""
        *lines, rest = (self._rest + data).split(b"\n")
        self._rest = rest[-_LONGEST:]
        readings = []
        for line in lines:
            fields = self._fields(line)
            if fields and fields[0][2:] == "RMC":
                readings.append(self._reading(fields, time_ns))
        return readings

    def _fields(self, line: bytes) -> list[str]:
        if not line.strip():
            return []
        found = _SENTENCE.search(line)
        if found is None or reduce(xor, found[1]) != int(found[2], 16):
            self.malformed += 1
            return []
        self.sentences += 1
        return found[1].decode("ascii").split(",")

    def _reading(self, fields: list[str], time_ns: int) -> Reading:
        try:
            valid, moment = fields[_STATUS] == "A", moment_of(fields[_DATE], fields[_TIME])
        except (IndexError, ValueError):
            valid, moment = False, _EARLIEST
        if not valid:
            return self._nothing(time_ns, Quality.WARMING, "the receiver does not know the time yet")
        if moment < _EARLIEST:
            words = f"the receiver says {moment:%Y-%m-%d}, before this program was made: its week count has rolled over"
            return self._nothing(time_ns, Quality.IMPLAUSIBLE, words)
        return Reading(self._source, UTC_ITEM, moment.timestamp(), time_ns)

    def _nothing(self, time_ns: int, quality: Quality, words: str) -> Reading:
        return Reading(self._source, UTC_ITEM, None, time_ns, quality, words)


def moment_of(date: str, time: str) -> datetime:
    """UTC of an RMC sentence's fields `ddmmyy` and `hhmmss[.ss]`.

    Raises:
        ValueError: they are no date and time.
    """
    day, month, year = (int(date[n : n + 2]) for n in (0, 2, 4))
    hour, minute, seconds = int(time[:2]), int(time[2:4]), float(time[4:])
    if not 0 <= seconds < 61:  # a leap second is 60
        raise ValueError(f"no second of a minute: {seconds}")
    start = datetime(1900 + year if year >= 80 else 2000 + year, month, day, hour, minute, tzinfo=UTC)
    return start + timedelta(seconds=seconds)
