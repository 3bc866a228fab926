"""Follows a daemon's feed: its events, and its frames at a wanted rate."""

from __future__ import annotations

import json
import select
import socket
import time
from typing import TYPE_CHECKING, Any

from cabcanary_bench.rig.patience import Patience

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_CHUNK = 1 << 16


class FeedLostError(ConnectionError):
    """The daemon is gone."""


class MachineLateError(FeedLostError):
    """The daemon is not up yet: the machine had no time for it."""


class Follower:
    """One reader of the feed. `ended` says that the daemon is gone, so that nobody waits for it; `pid` is the daemon's,
    which is waited for longer than `wait_s` real seconds where the machine has no time for it.

    Raises:
        FeedLostError: no daemon serves there.
        MachineLateError: the machine had no time for it to come up.
    """

    def __init__(
        self,
        path: Path,
        frames_hz: float,
        wait_s: float = 10.0,
        ended: Callable[[], bool] = lambda: False,
        pid: int | None = None,
    ) -> None:
        self._socket = _connect(path, wait_s, ended, () if pid is None else (pid,))
        self._rest = b""
        self._socket.sendall(json.dumps({"subscribe": {"frames_hz": frames_hz}}).encode() + b"\n")

    def messages(self, wait_s: float) -> list[dict[str, Any]]:
        """The messages received, after waiting at most `wait_s` real seconds for the first.

        Raises:
            FeedLostError: the daemon closed the feed.
        """
        if not select.select([self._socket], [], [], wait_s)[0]:
            return []
        data = self._socket.recv(_CHUNK)
        if not data:
            raise FeedLostError("the daemon closed its feed")
        *lines, self._rest = (self._rest + data).split(b"\n")
        return [json.loads(line) for line in lines if line]

    def command(self, what: dict[str, Any]) -> None:
        """Give the daemon a command, such as {"do": "acknowledge"}."""
        self._socket.sendall(json.dumps(what).encode() + b"\n")

    def close(self) -> None:
        """Stop following."""
        self._socket.close()


def _connect(path: Path, wait_s: float, ended: Callable[[], bool], pids: tuple[int, ...]) -> socket.socket:
    patience = Patience(wait_s)
    while True:
        client = socket.socket(socket.AF_UNIX)
        try:
            client.connect(str(path))
        except OSError as error:
            client.close()
            if ended():
                raise FeedLostError("the daemon ended at once") from error
            if patience.spent(pids):
                if patience.machine_late:
                    raise MachineLateError(f"the daemon was not up after {patience.waited_s:.0f} s") from error
                raise FeedLostError(f"no daemon serves {path}: {error}") from error
            time.sleep(0.02)
        else:
            return client
