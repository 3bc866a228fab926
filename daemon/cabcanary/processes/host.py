"""What the daemon asks of the machine that it runs on: to be the only one for its folder, and systemd's ear."""

from __future__ import annotations

import contextlib
import fcntl
import os
import queue
import socket
import threading
import time
from typing import TYPE_CHECKING

from cabcanary.clock import boot_id

if TYPE_CHECKING:
    from pathlib import Path


#: How long a start waits for the card, real seconds.
_CLAIM_S = 1.0


class AlreadyWatchedError(RuntimeError):
    """Another daemon has this folder, and with it the wires."""


def claim(folder: Path) -> int:
    """Take the folder for this daemon, for as long as the returned descriptor stays open.

    Two daemons would take each other's wires. A folder that cannot be written, or a card that does not answer within
    a second, is no reason not to watch, so then nothing is claimed (-1).

    Raises:
        AlreadyWatchedError: another daemon has it.
    """
    found: queue.SimpleQueue[int] = queue.SimpleQueue()
    threading.Thread(target=lambda: found.put(_open_lock(folder)), name="claim", daemon=True).start()
    try:
        descriptor = found.get(timeout=_CLAIM_S)
    except queue.Empty:
        return -1
    if descriptor < 0:
        return -1
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        holder = os.read(descriptor, 20).decode(errors="replace").strip()
        os.close(descriptor)
        words = f"another daemon (process {holder}) watches already, with the folder {folder}; stop it first"
        raise AlreadyWatchedError(words) from None
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
    return descriptor


def _open_lock(folder: Path) -> int:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return os.open(folder / "daemon.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError:
        return -1


def notify(message: str) -> None:
    """Tell systemd, if it asked for it (sd_notify's protocol: a datagram to $NOTIFY_SOCKET)."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notifier:
        notifier.setblocking(False)
        notifier.sendto(message.encode(), address)


#: What the watcher hears: the tick goes on; or it stops because it was asked to.
ALIVE, STOPPING = b"alive", b"stopping"


class Heartbeat:
    """Datagrams to the watcher, if there is one. Nobody is waited for: what cannot be sent at once is not sent."""

    def __init__(self, path: Path) -> None:
        self._path = str(path)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._taken_s = time.monotonic()
        #: Whether anybody has ever taken one.
        self.heard = False

    @property
    def unheard_s(self) -> float:
        """For how long nobody has taken one, real seconds: the watcher is not there, or it hangs and reads none."""
        return time.monotonic() - self._taken_s

    def beat(self, what: bytes = ALIVE) -> bool:
        """Send one; whether somebody took it."""
        try:
            self._socket.sendto(what, self._path)
        except OSError:
            return False
        self._taken_s, self.heard = time.monotonic(), True
        return True

    def close(self) -> None:
        """Say that the daemon stops because it was asked to."""
        self.beat(STOPPING)
        self._socket.close()


class LampMemory:
    """Whether the lamp must stay lit, kept over a crash of the daemon, and not over the computer's own start.

    A computer that starts anew was without power, and power goes with the key or with a fault that is seen anyway.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / "lamp"
        self.last = False

    def read(self) -> bool:
        """Whether the lamp was kept lit since this computer started."""
        try:
            boot = boot_id()
            # A machine that does not say which start this is cannot tell a crash from a new start.
            self.last = bool(boot) and self._path.read_text(encoding="ascii") == boot
        except (OSError, ValueError):
            self.last = False
        return self.last

    def keep(self, lit: bool) -> None:
        """Keep this, in a thread: a card that stalls holds up nobody."""
        self.last = lit
        threading.Thread(target=self._write, args=(lit,), name="lamp", daemon=True).start()

    def _write(self, lit: bool) -> None:
        with contextlib.suppress(OSError):
            self._path.write_text(boot_id() if lit else "", encoding="ascii")
