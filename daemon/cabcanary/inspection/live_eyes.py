"""Watches the channels of the running daemon, at its feed."""

from __future__ import annotations

import json
import select
import socket
import sys
import time
from typing import TYPE_CHECKING, Any

from cabcanary.inspection.roles import Moment, Told

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.inspection.steps import Phase

#: Faster than any lag that is looked for; a drive of twenty minutes stays small.
_HZ = 25
#: A daemon that is alive tells a frame long before, s.
_SILENT_S = 3.0
_CHUNK = 1 << 16


class FeedError(Exception):
    """There is no daemon to watch with; the text says why and how to start it."""


class LiveEyes:
    """Of all channels it keeps those named."""

    def __init__(self, config: Path, feed: Path, names: tuple[str, ...]) -> None:
        self._config, self._feed, self._names = config, feed, names

    def ready(self) -> None:
        """Whether a daemon is there.

        Raises:
            FeedError: none runs.
        """
        self._connected().close()

    def watch(self, phase: Phase, seconds: float, until_enter: bool) -> list[Moment]:  # noqa: ARG002
        """Moments of the next seconds.

        Raises:
            FeedError: no daemon runs, or it says nothing.
        """
        with self._connected() as client:
            client.sendall(json.dumps({"subscribe": {"frames_hz": _HZ}}).encode() + b"\n")
            return self._followed(client, seconds, until_enter=until_enter)

    def _connected(self) -> socket.socket:
        client = socket.socket(socket.AF_UNIX)
        client.settimeout(_SILENT_S)
        try:
            client.connect(str(self._feed))
        except OSError as error:
            client.close()
            raise FeedError(
                f"no daemon runs with {self._config} ({self._feed}: {error.strerror or error}); "
                f"start it in another terminal: cabcanary run {self._config}"
            ) from None
        return client

    def _followed(self, client: socket.socket, seconds: float, *, until_enter: bool) -> list[Moment]:
        found: list[Moment] = []
        rest, ends = b"", time.monotonic() + seconds
        try:
            while time.monotonic() < ends and not (until_enter and _entered()):
                data = client.recv(_CHUNK)
                if not data:
                    raise FeedError(f"the daemon has ended; start it again: cabcanary run {self._config}")
                *lines, rest = (rest + data).split(b"\n")
                found += [m for m in map(self._moment, lines) if m is not None]
        except TimeoutError:
            raise FeedError(f"the daemon at {self._feed} tells nothing: it hangs; start it again") from None
        except OSError as error:
            raise FeedError(f"the daemon at {self._feed} has gone: {error.strerror or error}") from None
        return found

    def _moment(self, line: bytes) -> Moment | None:
        try:
            frame: Any = json.loads(line).get("frame")
        except (ValueError, AttributeError, RecursionError):
            return None
        if not isinstance(frame, dict):
            return None
        values = {n: frame["values"][n] for n in self._names if n in frame["values"]}
        told = {n: Told(v[0], v[1], v[2] if len(v) > 2 and v[2] else "") for n, v in values.items()}
        return Moment(frame["t"] / 1e9, told)


def _entered() -> bool:
    """Whether a line was typed."""
    if not sys.stdin.isatty() or not select.select([sys.stdin], [], [], 0)[0]:
        return False
    sys.stdin.readline()
    return True
