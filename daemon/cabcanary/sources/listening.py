"""What `cabcanary listen` needs of each kind of source: how its wire is written, and the lines that it shows."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

#: Values are shown this often, in seconds; a person cannot read faster.
SHOW_S = 0.5
#: The seconds before a line take so many columns, and two spaces follow.
AT_WIDTH = 8


class ListenError(Exception):
    """What was asked for cannot be listened to; the message says why."""


@dataclass(frozen=True, slots=True)
class Wire:
    """Where to listen: `kind` is the name of a `Way`."""

    kind: str
    place: str
    rate: int = 0
    interface: str = ""
    #: Where recordings go, for the free space of this computer.
    data: str = "/var/lib/cabcanary"


@dataclass(frozen=True, slots=True)
class Way:
    """How one kind of wire is named on the command line and shown."""

    name: str
    #: How a person writes it, for messages.
    how: str
    #: What was written, without the prefix -> the wire. Raises ListenError.
    parse: Callable[[str], Wire]
    #: The wire of a source in the settings; also given the daemon's folder.
    of_source: Callable[[Any, Path], Wire]
    #: Lines for a person as readings come, at most for so many seconds. Raises ListenError or OSError.
    lines: Callable[[Wire, float | None], Iterator[str]]
    #: What stands before the first colon; empty for what is named by its path alone.
    prefix: str


class Span:
    """How long is listened. It begins when the wire is open: a CAN adapter on a serial port takes 2 s for that."""

    def __init__(self, seconds: float | None) -> None:
        self._started = time.monotonic()
        self._ends = None if seconds is None else self._started + seconds

    def left(self, longest_s: float) -> float:
        """Seconds to wait for the next reading, `longest_s` at most."""
        return longest_s if self._ends is None else max(0.0, min(longest_s, self._ends - time.monotonic()))

    @property
    def over(self) -> bool:
        """Whether it has ended."""
        return self._ends is not None and time.monotonic() >= self._ends

    def line(self, text: str) -> str:
        """A line with the seconds since the start before it."""
        return f"{time.monotonic() - self._started:{AT_WIDTH}.2f}  {text}"


def rated(text: str) -> tuple[str, int | None]:
    """'/dev/ttyUSB0@9600' -> the place and the rate, None if none is given.

    Raises:
        ListenError: the rate is no number.
    """
    place, _, rate = text.rpartition("@") if "@" in text else (text, "", "")
    if rate and not rate.isdigit():
        raise ListenError(f"'{rate}' is no rate")
    return place, int(rate) if rate else None


def small_text(path: Path) -> str:
    """The text of a small file, or why there is none. A hung converter must not hang this: blocking files are not
    waited for."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return ""
    try:
        return os.read(descriptor, 256).decode(errors="replace").strip()
    except OSError as error:
        return error.strerror or "cannot be read"
    finally:
        os.close(descriptor)
