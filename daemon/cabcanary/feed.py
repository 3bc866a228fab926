"""The daemon's local feed: a Unix socket with one JSON object a line.

Out: `hello` once, and again when other settings are in force; then events as they happen and frames at the rate that a
reader asks for. In: `{"subscribe": {"frames_hz": 10}}`, `{"ask": "status"}` and `{"do": "acknowledge"}`. Commands are
taken from the daemon's own user and from root, as the kernel names the peer; of the user that serves the pages, if it
is one of its own, acknowledge alone. A reader that is slow is skipped and never waited for.

A value in a frame is `[value, quality]`, with the reason behind it where there is one, and of an interval the standard
uncertainty too. With `"bands": true` beside `frames_hz` each is `[value, quality, reason, standard uncertainty]`.

`{"ask": "status"}` is answered once, `{"status": {...}}`, to anybody: every channel, the alerts that stand, coverage,
parts, drives, what is free on the card, and who reads the feed. `cabcanary status` asks it.

There are 32 places. Some are kept for the daemon's own helpers, for the pages and for the daemon's own user with root;
another user gets six (`processes/places.py`). Who finds none is told `{"error": ...}` in one line, why and what to do,
and the connection ends. So does that of a reader that sends more than 20 lines a second for long.

Events are numbered: `n` beside each, from 1 in each `run` of the daemon (in `hello`). A reader that must miss none asks
`{"subscribe": {"frames_hz": 0.01, "run": "...", "events_after": 17}}`. It is answered `{"events_after": 17}`, or 0 when
that was another run; then come the alerts that stand from before (`standing`), every later event that is still kept, in
order, and only then frames. A gap in the numbers marks events that were not kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality
from cabcanary.processes.places import Allowed, FullError, Peer, Places, peer_of
from cabcanary.processes.rate import RateLimit
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from pathlib import Path

    from cabcanary.model import Event, Frame, Value

#: A reader that has this much unread is skipped: about five seconds of frames at 10 Hz.
_LARGEST_BACKLOG = 256 * 1024
_LONGEST_COMMAND = 4096
#: Lines of one reader that are taken, a second and at once: each costs the loop, and with it the tick, some time.
_LINES_PER_S, _LINES_AT_ONCE = 20.0, 100
_SLOWEST_HZ, _FASTEST_HZ = 0.01, 100.0
#: How many past events every new reader is told, and how many are kept for one that asks: a messenger that is started
#: again is away for seconds. An event is about half a kilobyte.
_RECENT, KEPT = 20, 500
#: Events told to such a reader before others get their turn: less than a millisecond.
_AT_ONCE = 20


@dataclass(slots=True, eq=False)
class _Reader:
    writer: asyncio.StreamWriter
    peer: Peer
    allowed: Allowed
    period_ns: int = 0
    due_ns: int = 0
    skipped: int = 0
    ended: bool = False
    #: Every value with its uncertainty.
    bands: bool = False
    #: The last event that one which is still told of the past has been told; None for one that follows.
    at: int | None = None

    def send(self, line: bytes) -> None:
        transport = self.writer.transport
        if self.ended or transport.is_closing():
            return
        if transport.get_write_buffer_size() > _LARGEST_BACKLOG:
            self.skipped += 1
            return
        self.writer.write(line)

    def as_json(self, places: Places) -> dict[str, Any]:
        """Who it is and what it asked for."""
        hz = 1e9 / self.period_ns if self.period_ns else 0.0
        who = {"pid": self.peer.pid, "user": self.peer.user, "kind": str(places.kind(self.peer))}
        return {**who, "frames_hz": hz, "skipped": self.skipped}

    def end(self) -> None:
        """End the stream: everything sent still arrives, then the reader sees the end."""
        if not self.ended and not self.writer.transport.is_closing():
            with contextlib.suppress(OSError):
                self.writer.write_eof()
        self.ended = True


class Feed:
    """Serves the feed. `hello` and `standing`, the alerts that stand, are asked for what a new reader must know; past
    events say so. `status` is asked for a reader that asks."""

    def __init__(
        self,
        path: Path,
        hello: Callable[[], dict[str, Any]],
        standing: Callable[[], list[Event]],
        command: Callable[[dict[str, Any]], dict[str, Any]],
        places: Places | None = None,
        status: Callable[[], Awaitable[dict[str, Any]]] | None = None,
    ) -> None:
        self._status = status
        self._places = places or Places()
        self._path, self._hello, self._standing, self._command = path, hello, standing, command
        self._readers: set[_Reader] = set()
        self._ended = False
        self._run = os.urandom(8).hex()
        self._n = 0
        self._kept: deque[tuple[int, Event]] = deque(maxlen=KEPT)

    async def run(self) -> None:
        """Serve for ever; ends only by cancellation."""
        self._path.parent.mkdir(parents=True, exist_ok=True)
        self._remove_stale()
        server = await asyncio.start_unix_server(self._serve, path=str(self._path), limit=_LONGEST_COMMAND)
        # Anybody on the machine may look; commands are checked by who the kernel says is asking.
        self._path.chmod(0o666)
        try:
            async with server:
                await server.serve_forever()
        finally:
            for reader in list(self._readers):
                reader.writer.transport.abort()
            with contextlib.suppress(OSError):
                self._path.unlink()

    def _remove_stale(self) -> None:
        """A killed daemon leaves its socket behind; one that answers belongs to a living one."""
        if not self._path.exists():
            return
        probe = socket.socket(socket.AF_UNIX)
        try:
            probe.settimeout(0.2)
            probe.connect(str(self._path))
        except OSError:
            self._path.unlink(missing_ok=True)
        else:
            raise OSError(f"another daemon already serves {self._path}; stop it first")
        finally:
            probe.close()

    def end(self) -> None:
        """Nothing more is told: every reader gets what it was sent, and then the end. May be called twice."""
        if self._ended:
            return
        self._ended = True
        for reader in self._readers:
            if reader.at is not None:
                for n, event in self._after(reader.at):
                    reader.writer.write(_event_line(event, n))
            reader.end()

    def event(self, event: Event) -> None:
        """Tell every reader of an event."""
        self._n += 1
        self._kept.append((self._n, event))
        following = [r for r in self._readers if r.at is None]
        if following:
            line = _line({"event": event.as_json(), "n": self._n})
            for reader in following:
                reader.send(line)

    def greet(self) -> None:
        """Tell every reader anew who watches what: other settings are in force."""
        line = self._greeting()
        for reader in self._readers:
            reader.send(line)

    def _greeting(self) -> bytes:
        return _line({"hello": {**self._hello(), "run": self._run}})

    def recent(self) -> list[Event]:
        """The last few events."""
        return [event for _, event in list(self._kept)[-_RECENT:]]

    def _after(self, n: int) -> list[tuple[int, Event]]:
        """The events after this number that are still kept."""
        later = min(self._n - n, len(self._kept))
        return list(self._kept)[-later:] if later > 0 else []

    def frame(self, frame: Frame) -> None:
        """Tell the readers that are due of a frame."""
        due = [r for r in self._readers if r.period_ns and frame.time_ns >= r.due_ns and r.at is None]
        if not due:
            return
        lines = {bands: _frame_line(frame, bands=bands) for bands in {r.bands for r in due}}
        for reader in due:
            reader.due_ns = max(reader.due_ns + reader.period_ns, frame.time_ns)
            reader.send(lines[reader.bands])

    async def _serve(self, stream: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = peer_of(writer.get_extra_info("socket"))
        leave: Callable[[], None] | None = None
        try:
            if self._ended:
                return
            leave = self._places.enter(peer, time.monotonic_ns())
            await self._follow(stream, _Reader(writer, peer, self._places.allowed(peer)))
        except FullError as error:
            writer.write(_line({"error": str(error)}))
        except (ValueError, OSError):
            pass  # an overlong line, or a reader that went away
        finally:
            if leave is not None:
                leave()
            writer.close()

    async def _follow(self, stream: asyncio.StreamReader, reader: _Reader) -> None:
        """Serve one reader until it goes."""
        reader.send(self._greeting())
        recent = self.recent()
        for event in [e for e in self._standing() if e not in recent] + recent:
            reader.send(_line({"event": event.as_json(), "past": True}))
        self._readers.add(reader)
        lines = RateLimit(_LINES_PER_S, _LINES_AT_ONCE)
        try:
            while line := await stream.readline():
                if not lines.allows(time.monotonic_ns()):
                    reader.send(
                        _line({"error": f"too many lines: at most {spelt(_LINES_PER_S)} a second; connect again"})
                    )
                    return
                if self._take(reader, line):
                    await self._answer(reader)
                if reader.at is not None:
                    await self._tell_past(reader)
                # A line that is there already is read without a wait, and the tick must get its turn.
                await asyncio.sleep(0)
        finally:
            self._readers.discard(reader)

    async def _tell_past(self, reader: _Reader) -> None:
        """Tell a reader what it asked for, a few at a time and no faster than it reads; then it follows."""
        while reader.at is not None:
            for n, event in self._after(reader.at)[:_AT_ONCE]:
                reader.send(_event_line(event, n))
                reader.at = n
            if reader.at >= self._n:
                reader.at = None
            await reader.writer.drain()
            await asyncio.sleep(0)

    async def _answer(self, reader: _Reader) -> None:
        """Tell a reader how things are: worked out between two ticks, and for it alone."""
        told = await self._status() if self._status is not None else self._hello()
        clients = [r.as_json(self._places) for r in self._readers]
        reader.send(_line({"status": {**told, "run": self._run, "clients": clients}}))

    def _begin_after(self, reader: _Reader, wanted: dict[str, Any]) -> None:
        after = wanted["events_after"]
        if not isinstance(after, int) or isinstance(after, bool) or after < 0:
            reader.send(_line({"error": "events_after must be the number of an event, or 0"}))
            return
        reader.at = min(after, self._n) if wanted.get("run") == self._run else 0
        reader.send(_line({"events_after": reader.at}))
        coming = {id(event) for _, event in self._after(reader.at)}
        for event in self._standing():
            if id(event) not in coming:
                reader.send(_line({"event": event.as_json(), "past": True, "standing": True}))

    def _take(self, reader: _Reader, line: bytes) -> bool:
        """Take a reader's line; whether it asks for the status."""
        try:
            message = json.loads(line)
        except (ValueError, RecursionError):
            message = None
        if not isinstance(message, dict):
            reader.send(_line({"error": "not a JSON object"}))
            return False
        self._take_subscription(reader, message)
        if "do" in message:
            self._do(reader, message)
        if "ask" in message and message["ask"] != "status":
            reader.send(_line({"error": "only the status may be asked for"}))
        return message.get("ask") == "status"

    def _do(self, reader: _Reader, message: dict[str, Any]) -> None:
        """A command, if this reader may give it."""
        if reader.allowed is Allowed.ALL:
            reader.send(_line({"reply": self._command(message)}))
        elif reader.allowed is Allowed.ACKNOWLEDGE and message["do"] == "acknowledge":
            # Whoever it says it is: it is the pages.
            reader.send(_line({"reply": self._command({"do": "acknowledge", "by": "page"})}))
        elif reader.allowed is Allowed.ACKNOWLEDGE:
            reader.send(_line({"error": "the pages' user may acknowledge, and give no other command"}))
        else:
            reader.send(_line({"error": "only the daemon's own user and root may give commands"}))

    def _take_subscription(self, reader: _Reader, message: dict[str, Any]) -> None:
        if isinstance(wanted := message.get("subscribe"), dict):
            rate = wanted.get("frames_hz", 0)
            if (
                isinstance(rate, int | float)
                and not isinstance(rate, bool)
                and (rate == 0 or _SLOWEST_HZ <= rate <= _FASTEST_HZ)
            ):
                reader.period_ns = int(1e9 / rate) if rate else 0
                reader.bands = wanted.get("bands") is True
            else:
                reader.send(_line({"error": f"frames_hz must be from 0 to {spelt(_FASTEST_HZ)}"}))
            if "events_after" in wanted:
                self._begin_after(reader, wanted)


def _event_line(event: Event, n: int) -> bytes:
    return _line({"event": event.as_json(), "n": n, "past": True})


def _frame_line(frame: Frame, *, bands: bool) -> bytes:
    told = _told_whole if bands else _told
    return _line({"frame": {"t": frame.time_ns, "values": {name: told(value) for name, value in frame.values.items()}}})


def _told_whole(value: Value) -> list[Any]:
    """A value, its quality, the reason for it, its standard uncertainty."""
    return [value.value, value.quality.words, value.reason, value.uncertainty]


def _told(value: Value) -> list[Any]:
    """A value, its quality and the reason for it; of an interval its standard uncertainty too."""
    if value.quality is Quality.WITHIN:
        return [value.value, value.quality.words, value.reason, value.uncertainty]
    return [value.value, value.quality.words, *([value.reason] if value.reason else [])]


def _line(message: dict[str, Any]) -> bytes:
    return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode(errors="replace") + b"\n"
