"""One line of text from a serial port -> its fields as readings. No I/O here."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary.model import Quality, Reading

if TYPE_CHECKING:
    from cabcanary.settings.schema import SerialTextSource


class LineParser:
    """Takes bytes as they arrive and gives readings line by line; remembers at most one unfinished line.

    A line that is too long, is not printable ASCII or does not have the shape that the settings name is
    counted as malformed and gives nothing: a value is never guessed.
    """

    def __init__(self, source: str, spec: SerialTextSource) -> None:
        self._source, self._spec = source, spec
        self._rest = b""
        self._overlong = False
        self._synced = False
        self.lines = 0
        self.malformed = 0
        self.last_malformed = b""

    def feed(self, data: bytes, time_ns: int) -> list[Reading]:
        """Readings of every line that `data` completes; `time_ns` is when it arrived."""
        *complete, rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        readings: list[Reading] = []
        for line in complete:
            if self._overlong or not self._synced:
                # The first line after opening may be the tail of one that began before: never believe it.
                self._overlong, self._synced = False, True
                continue
            if line.strip():
                readings += self._line(line, time_ns)
        if len(rest) > self._spec.longest_line:
            self._count_malformed(rest)
            rest, self._overlong = b"", True
        self._rest = rest
        return readings

    def reset(self) -> None:
        """The port was opened anew."""
        self._rest, self._overlong, self._synced = b"", False, False

    def _line(self, line: bytes, time_ns: int) -> list[Reading]:
        self.lines += 1
        if len(line) > self._spec.longest_line or not line.isascii() or not line.decode("ascii").isprintable():
            self._count_malformed(line)
            return []
        text = line.decode("ascii").strip()
        words = text.split(self._spec.separator) if self._spec.separator.strip() else text.split()
        pairs = self._named(words) if not self._spec.fields else self._positioned(words)
        if not pairs:
            self._count_malformed(line)
            return []
        absence = self._absence([w for _, w in pairs])
        readings = [self._reading(name, word, absence, time_ns) for name, word in pairs]
        return [r for r in readings if r is not None]

    def _named(self, words: list[str]) -> list[tuple[str, str]]:
        pairs = []
        for word in words:
            name, sign, value = word.strip().partition(self._spec.assign)
            if not sign or not name.isidentifier():
                return []
            pairs.append((name, value.strip()))
        return pairs

    def _positioned(self, words: list[str]) -> list[tuple[str, str]]:
        if len(words) != len(self._spec.fields):
            return []
        return [(n, w.strip()) for n, w in zip(self._spec.fields, words, strict=True)]

    def _absence(self, words: list[str]) -> tuple[Quality, str] | None:
        for word in words:
            if word in self._spec.error:
                return Quality.ABSENT, f"the sensor reports '{word}'"
        for word in words:
            if word in self._spec.not_ready:
                return Quality.WARMING, f"the sensor reports '{word}'"
        return None

    def _reading(self, name: str, word: str, absence: tuple[Quality, str] | None, time_ns: int) -> Reading | None:
        if absence:
            return Reading(self._source, name, None, time_ns, *absence)
        number = _number(word)
        if number is None:
            return None  # a word such as "ok": there to be looked at, not a value
        return Reading(self._source, name, number, time_ns)

    def _count_malformed(self, line: bytes) -> None:
        self.malformed += 1
        self.last_malformed = line[:40]


def _number(word: str) -> float | None:
    """A plain decimal number; underscores, 'nan', 'inf' and the like are no measurements."""
    if "_" in word or not word or word[-1] not in "0123456789.":
        return None
    try:
        value = float(word)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
