"""The watcher: `cabcanary watch`, a process of its own that sounds *monitor stopped* when the daemon is gone.

The daemon's tick sends a heartbeat, a datagram to a Unix socket. Two seconds after the last one the watcher sounds on
an output line of its own, until the daemon is back. An ordered stop is announced, and is quiet. It needs neither
systemd nor the daemon's settings to be right: of the file it reads two tables, `daemon` and `watcher`.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import signal
import socket
import tomllib
from typing import TYPE_CHECKING

from cabcanary.alerts.console import Console
from cabcanary.alerts.outputs import watcher_output
from cabcanary.alerts.sounds import MONITOR_STOPPED, START_UP
from cabcanary.alerts.words import MONITOR_STOPPED as STOPPED_WORDS
from cabcanary.clock import Clock
from cabcanary.processes.host import STOPPING, notify
from cabcanary.settings.outputs import Watcher
from cabcanary.settings.schema import Daemon

if TYPE_CHECKING:
    from pathlib import Path
    from typing import TextIO

    from cabcanary.alerts.annunciator import Player

#: Silence for longer than this means that nobody watches.
SILENCE_S = 2.0
#: At power-on the daemon may take so long to come up; one that never does is heard, too.
FIRST_S = 60.0
_CHECK_S = 0.1


class WatcherError(RuntimeError):
    """The watcher cannot work; the message says why and what to do.

    `wrong`: by its settings, so that trying again is no use.
    """

    def __init__(self, words: str, *, wrong: bool = False) -> None:
        super().__init__(words)
        self.wrong = wrong


def read_tables(file: Path) -> tuple[Path, Watcher]:
    """The socket and the output line from a settings file, whatever else is wrong in it.

    Raises:
        WatcherError: not even these can be read.
    """
    if file.exists() and not file.is_file():
        raise WatcherError(f"{file}: this is no file; name the settings file (TOML)", wrong=True)
    try:
        raw = tomllib.loads(file.read_text(encoding="utf-8"))
        daemon, watcher = Daemon.model_validate(raw.get("daemon", {})), Watcher.model_validate(raw.get("watcher", {}))
    except OSError as error:
        raise WatcherError(f"{file}: {error.strerror}", wrong=True) from error
    except (ValueError, RecursionError) as error:
        raise WatcherError(f"{file}: {error}; run: cabcanary check {file}", wrong=True) from error
    return daemon.watch_path, watcher


class Watch:
    """Listens for the heartbeat and decides when it has been silent for too long. Time is passed in, s."""

    def __init__(self, now_s: float) -> None:
        self._due = now_s + FIRST_S
        self._ordered = False
        self.sounding = False

    def heard(self, datagram: bytes, now_s: float) -> None:
        """A datagram from the daemon."""
        self._ordered = datagram == STOPPING
        self._due = now_s + SILENCE_S

    def step(self, now_s: float) -> bool | None:
        """Whether the sound must begin (True) or end (False) now; None: nothing changes."""
        wanted = not self._ordered and now_s >= self._due
        if wanted == self.sounding:
            return None
        self.sounding = wanted
        return wanted


def listen_at(path: Path) -> socket.socket:
    """The socket on which the heartbeat comes.

    Raises:
        WatcherError: it cannot be made, or another watcher has it.
    """
    ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    ear.setblocking(False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            _remove_stale(path)
        ear.bind(str(path))
        # The daemon runs as the same user, or in the same group; nobody else has a say in whether it lives.
        path.chmod(0o660)
    except OSError as error:
        ear.close()
        raise WatcherError(f"{path}: {error.strerror or error}; is daemon.folder right?") from error
    except WatcherError:
        ear.close()
        raise
    return ear


def _remove_stale(path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as probe:
        probe.setblocking(False)
        try:
            probe.connect(str(path))
        except OSError as error:
            if error.errno not in (errno.ECONNREFUSED, errno.ENOENT):
                raise
            path.unlink(missing_ok=True)
            return
    raise WatcherError(f"another watcher listens at {path} already; stop it first")


async def watch(file: Path, stream: TextIO) -> None:
    """Watch the daemon of a settings file until SIGTERM or SIGINT.

    Raises:
        WatcherError: it cannot work.
    """
    path, spec = read_tables(file)
    ear = listen_at(path)
    console = Console(stream)
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    watch = Watch(loop.time())
    output = watcher_output(spec, Clock(), console)
    # The only proof that its own line works.
    output.play(START_UP, "")

    def take() -> None:
        with contextlib.suppress(BlockingIOError):
            while datagram := ear.recv(64):
                watch.heard(datagram, loop.time())

    loop.add_reader(ear, take)
    console.line(f"watching for the daemon's heartbeat at {path}")
    notify("READY=1")
    try:
        while not stop.is_set():
            _act(watch.step(loop.time()), output, console)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), _CHECK_S)
    finally:
        loop.remove_reader(ear)
        output.silence()
        ear.close()
        with contextlib.suppress(OSError):
            os.unlink(path)  # noqa: PTH108
        await asyncio.to_thread(console.close, 1.0)


def _act(change: bool | None, output: Player, console: Console) -> None:
    if change is None:
        return
    if change:
        console.line(STOPPED_WORDS)
        output.play(MONITOR_STOPPED, STOPPED_WORDS)
    else:
        output.silence()
        console.line("the monitor is back")
