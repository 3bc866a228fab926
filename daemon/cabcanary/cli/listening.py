"""`cabcanary listen`: raw readings as they come, for the day the wires are new. Nothing is written to any wire."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

from cabcanary.sources.kinds import KINDS, kind_of, way_of
from cabcanary.sources.listening import AT_WIDTH, ListenError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.settings.schema import Settings
    from cabcanary.sources.listening import Way, Wire


def _ways() -> dict[str, Way]:
    """Every way of listening by its name."""
    return {way.name: way for way in map(way_of, KINDS)}


def parse_wire(text: str) -> Wire:
    """What a person wrote -> where to listen.

    Raises:
        ListenError: it names no wire; the message says what to write.
    """
    by_prefix = {way.prefix: way for way in _ways().values()}
    prefix, _, rest = text.partition(":")
    try:
        return by_prefix[prefix].parse(rest) if prefix in by_prefix and prefix else by_prefix[""].parse(text)
    except ListenError as error:
        how = ", ".join(by_prefix[prefix].how for prefix in sorted(by_prefix))
        message = f"{error}; write {how}, or the name of a source together with --config FILE"
        raise ListenError(message) from error


def wire_of_source(settings: Settings, name: str) -> Wire:
    """The wire of a source in the settings.

    Raises:
        ListenError: there is no such source.
    """
    if name not in settings.sources:
        raise ListenError(f"there is no source '{name}'; there are: {', '.join(settings.sources)}")
    source = settings.sources[name]
    return way_of(kind_of(source)).of_source(source, settings.daemon.folder)


def listen(wire: Wire, seconds: float | None) -> Iterator[str]:
    """Lines for a person, as the readings come; ends `seconds` after the wire was opened, or when it is lost.

    Raises:
        ListenError: the wire cannot be opened, or was lost.
    """
    try:
        yield from _ways()[wire.kind].lines(wire, seconds)
    except OSError as error:
        words = os.strerror(error.errno) if error.errno else str(error)
        raise ListenError(f"{wire.place}: {words}; is it plugged in, and may you open it?") from error


def as_json(line: str) -> str:
    """A line for a program: its text, and the seconds since the start before it (null where it has none)."""
    at, gap, text = line[:AT_WIDTH], line[AT_WIDTH : AT_WIDTH + 2], line[AT_WIDTH + 2 :]
    try:
        told = {"at_s": float(at), "text": text} if gap == "  " else {"at_s": None, "text": line}
    except ValueError:
        told = {"at_s": None, "text": line}
    return json.dumps(told, ensure_ascii=False)
