"""How late this machine is by itself: a wire of its own, timed from end to end.

A pseudo-terminal's bytes are passed on by a kernel worker, which waits for a processor like everybody else. On
a loaded machine the wideband's line may so arrive late although the van sent it and the daemon looked in time;
at several times the speed of real time that is soon a silence. Nothing but this wire shows it.
"""

from __future__ import annotations

import os
import select
import threading
import time
from typing import TYPE_CHECKING

from cabcanary_bench.wiring.serial_pty import SerialPty

if TYPE_CHECKING:
    from pathlib import Path

_EVERY_S = 0.01
_PATIENCE_S = 5.0


class WireProbe:
    """Sends a byte every 10 ms of real time and waits for it; `worst_s` is the longest that took, real seconds."""

    def __init__(self, link: Path) -> None:
        self.worst_s = 0.0
        self._port = SerialPty(link)
        self._descriptor = os.open(link, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="wire probe", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(_EVERY_S):
            sent = time.monotonic()
            self._port.write(b".")
            if select.select([self._descriptor], [], [], _PATIENCE_S)[0]:
                os.read(self._descriptor, 64)
            self.worst_s = max(self.worst_s, time.monotonic() - sent)

    def close(self) -> None:
        """Stop, and take the wire away. May be called twice."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._thread.join(2 * _PATIENCE_S)
        os.close(self._descriptor)
        self._port.close()
