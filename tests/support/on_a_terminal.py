"""A command on a real terminal (a pty) of a width of the test's choosing."""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import select
import struct
import subprocess
import termios
import time

from harness import PATIENCE_S, command

_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class OnATerminal:
    """The installed command line with a terminal of its own."""

    def __init__(self, *arguments: str, width: int, height: int = 60, env: dict[str, str]) -> None:
        self._master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("4H", height, width, 0, 0))
        env = {k: v for k, v in env.items() if k not in ("COLUMNS", "LINES")} | {"TERM": "xterm-256color"}
        self.process = subprocess.Popen(command(*arguments), preexec_fn=lambda: os.login_tty(slave), env=env)
        os.close(slave)
        self.shown = ""

    def until(self, words: str, after: int = 0) -> None:
        """Read until these words have been shown, in what came after so many characters."""
        ends = time.monotonic() + PATIENCE_S
        while words not in plain(self.shown[after:]):
            assert time.monotonic() < ends, f"'{words}' never came: {self.shown[-2000:]}"
            self._read(0.1)

    def ends(self, within_s: float = PATIENCE_S) -> int:
        """Its exit code."""
        ends = time.monotonic() + within_s
        while self.process.poll() is None:
            assert time.monotonic() < ends, f"it did not end: {self.shown[-2000:]}"
            self._read(0.05)
        while self._read(0.05):
            pass
        return self.process.returncode

    def press(self, keys: bytes) -> None:
        os.write(self._master, keys)

    def _read(self, wait_s: float) -> bool:
        if not select.select([self._master], [], [], wait_s)[0]:
            return False
        with contextlib.suppress(OSError):  # Linux: nobody has the other end any more
            data = os.read(self._master, 65536)
            self.shown += data.decode(errors="replace")
            return bool(data)
        return False

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._master)


def plain(shown: str) -> str:
    """What a person reads of it: no colours, no moves of the cursor."""
    return _ESCAPES.sub("", shown)
