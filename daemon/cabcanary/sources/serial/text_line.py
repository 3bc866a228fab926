"""One line of text from a serial port -> its fields as readings. No I/O here."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from cabcanary.model import Quality, Reading

if TYPE_CHECKING:
    from cabcanary.sources.serial.serial_settings import SerialTextSource

#: One malformed line may be noise; this share of lines means that the settings do not fit the wire.
_MALFORMED_SHARE = 0.5
_FEW_LINES = 10
_ENDS = {"cr": b"\r", "lf": b"\n", "crlf": b"\r\n"}
#: A plain decimal number; underscores, 'nan', 'inf' and the like are no measurements.
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


class LineParser:
    """Takes bytes as they arrive and gives readings line by line; remembers at most one unfinished line.

    A line that is too long, is not printable ASCII or does not have the shape that the settings name is
    counted as malformed and gives nothing: a value is never guessed.
    """

    def __init__(self, source: str, spec: SerialTextSource) -> None:
        self._source, self._spec = source, spec
        self._pattern = re.compile(spec.pattern, re.ASCII) if spec.pattern else None
        # A sensor that shouts its error is not to be believed for it.
        self._error = {word.casefold() for word in spec.error}
        self._not_ready = {word.casefold() for word in spec.not_ready}
        self._rest = b""
        self._overlong = False
        self._synced = False
        self.lines = 0
        self.malformed = 0
        self.last_malformed = b""

    def feed(self, data: bytes, time_ns: int) -> list[Reading]:
        """Readings of every line that `data` completes; `time_ns` is when it arrived."""
        *complete, rest = self._split(self._rest + data)
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
            rest, self._overlong = rest[-1:], True
        self._rest = rest
        return readings

    def reset(self) -> None:
        """The port was opened anew."""
        self._rest, self._overlong, self._synced = b"", False, False

    def complaint(self) -> str:
        """What was malformed, in words, with the likely cause."""
        words = f"{self.malformed} malformed line(s), the last: {self.last_malformed!r}"
        if self.malformed > _MALFORMED_SHARE * (self.lines + 1) and self.lines > _FEW_LINES:
            words += "; check baud, parity, separator and fields"
        return words

    def _split(self, data: bytes) -> list[bytes]:
        end = _ENDS.get(self._spec.line_end)
        if end is not None:
            return data.split(end)
        return data.replace(b"\r", b"\n").split(b"\n")

    def _line(self, line: bytes, time_ns: int) -> list[Reading]:
        self.lines += 1
        if len(line) > self._spec.longest_line or not line.isascii() or not line.decode("ascii").isprintable():
            self._count_malformed(line)
            return []
        pairs = self._pairs(line.decode("ascii").strip())
        if not pairs:
            self._count_malformed(line)
            return []
        absence = self._absence([w for _, w in pairs])
        readings = [self._reading(name, word, absence, time_ns) for name, word in pairs]
        return [r for r in readings if r is not None]

    def _pairs(self, text: str) -> list[tuple[str, str]]:
        """Names and words of a line; none when it has another shape."""
        if self._pattern is not None:
            match = self._pattern.fullmatch(text)
            return [(n, w.strip()) for n, w in match.groupdict().items() if w is not None] if match else []
        words = text.split(self._spec.separator) if self._spec.separator.strip() else text.split()
        return self._named(words) if not self._spec.fields else self._positioned(words)

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
            if word.casefold() in self._error:
                return Quality.ABSENT, f"the sensor reports '{word}'"
        for word in words:
            if word.casefold() in self._not_ready:
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
    if not _NUMBER.fullmatch(word):
        return None
    value = float(word)
    return value if math.isfinite(value) else None
