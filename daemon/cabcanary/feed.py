"""The daemon's local feed: a Unix socket with one JSON object a line.

Out: `hello` once, then events as they happen and frames at the rate that a reader asks for. In:
`{"subscribe": {"frames_hz": 10}}` and `{"do": "acknowledge"}`. Commands are taken from the daemon's own user
and from root, as the kernel names the peer. A reader that is slow is skipped and never waited for.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from cabcanary.model import Event, Frame

#: A reader that has this much unread is skipped: about five seconds of frames at 10 Hz.
_LARGEST_BACKLOG = 256 * 1024
#: More readers than any sensible set-up; the next one is refused.
_MOST_READERS = 32
_LONGEST_COMMAND = 4096
_SLOWEST_HZ, _FASTEST_HZ = 0.01, 100.0


@dataclass(slots=True, eq=False)
class _Reader:
    writer: asyncio.StreamWriter
    may_command: bool
    period_ns: int = 0
    due_ns: int = 0
    skipped: int = 0
    ended: bool = False

    def send(self, line: bytes) -> None:
        transport = self.writer.transport
        if self.ended or transport.is_closing():
            return
        if transport.get_write_buffer_size() > _LARGEST_BACKLOG:
            self.skipped += 1
            return
        self.writer.write(line)

    def end(self) -> None:
        """What was sent is all; it arrives, and then the reader sees the end."""
        if not self.ended and not self.writer.transport.is_closing():
            with contextlib.suppress(OSError):
                self.writer.write_eof()
        self.ended = True


class Feed:
    """Serves the feed. `hello` and `standing` are asked for what a new reader must know; past events say so."""

    def __init__(
        self,
        path: Path,
        hello: Callable[[], dict[str, Any]],
        standing: Callable[[], list[Event]],
        command: Callable[[dict[str, Any]], dict[str, Any]],
    ) -> None:
        self._path, self._hello, self._standing, self._command = path, hello, standing, command
        self._readers: set[_Reader] = set()
        self._ended = False

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
        self._ended = True
        for reader in self._readers:
            reader.end()

    def event(self, event: Event) -> None:
        """Tell every reader of an event."""
        if self._readers:
            line = _line({"event": event.as_json()})
            for reader in self._readers:
                reader.send(line)

    def frame(self, frame: Frame) -> None:
        """Tell the readers that are due of a frame."""
        due = [r for r in self._readers if r.period_ns and frame.time_ns >= r.due_ns]
        if not due:
            return
        values = {
            name: [v.value, v.quality.words, *([v.reason] if v.reason else [])] for name, v in frame.values.items()
        }
        line = _line({"frame": {"t": frame.time_ns, "values": values}})
        for reader in due:
            reader.due_ns = max(reader.due_ns + reader.period_ns, frame.time_ns)
            reader.send(line)

    async def _serve(self, stream: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._ended or len(self._readers) >= _MOST_READERS:
            writer.close()
            return
        reader = _Reader(writer, _may_command(writer))
        reader.send(_line({"hello": self._hello()}))
        for event in self._standing():
            reader.send(_line({"event": event.as_json(), "past": True}))
        self._readers.add(reader)
        try:
            while line := await stream.readline():
                self._take(reader, line)
        except (ValueError, OSError):
            pass  # an overlong line, or a reader that went away
        finally:
            self._readers.discard(reader)
            writer.close()

    def _take(self, reader: _Reader, line: bytes) -> None:
        try:
            message = json.loads(line)
        except (ValueError, RecursionError):
            message = None
        if not isinstance(message, dict):
            reader.send(_line({"error": "not a JSON object"}))
            return
        if isinstance(wanted := message.get("subscribe"), dict):
            rate = wanted.get("frames_hz", 0)
            if (
                isinstance(rate, int | float)
                and not isinstance(rate, bool)
                and (rate == 0 or _SLOWEST_HZ <= rate <= _FASTEST_HZ)
            ):
                reader.period_ns = int(1e9 / rate) if rate else 0
            else:
                reader.send(_line({"error": f"frames_hz must be from 0 to {_FASTEST_HZ:g}"}))
        if "do" in message:
            if reader.may_command:
                reader.send(_line({"reply": self._command(message)}))
            else:
                reader.send(_line({"error": "only the daemon's own user and root may give commands"}))


def _may_command(writer: asyncio.StreamWriter) -> bool:
    peer = writer.get_extra_info("socket")
    credentials = peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, user, _ = struct.unpack("3i", credentials)
    return user in (0, os.getuid())


def _line(message: dict[str, Any]) -> bytes:
    return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
