"""What the daemon asks of the machine that it runs on: to be the only one for its folder, and systemd's ear."""

from __future__ import annotations

import contextlib
import fcntl
import os
import socket
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


class AlreadyWatchedError(RuntimeError):
    """Another daemon has this folder, and with it the wires."""


def claim(folder: Path) -> int:
    """Take the folder for this daemon, for as long as the returned descriptor stays open.

    Two daemons would take each other's wires. A folder that cannot be written is no reason not to watch, so then
    nothing is claimed (-1).

    Raises:
        AlreadyWatchedError: another daemon has it.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(folder / "daemon.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError:
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
