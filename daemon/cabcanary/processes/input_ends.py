"""In a helper: it ends when its standard input does, whatever it is doing then.

The daemon holds the other end, so the kernel tells of its death however it died. A signal on the parent's death
(`PR_SET_PDEATHSIG`) would not do: it comes with the end of the thread that started the child.
"""

from __future__ import annotations

import os
import threading


def end_with_input(descriptor: int) -> None:
    """From now on, end this process at once when `descriptor` ends; what is read from it is thrown away.

    Only for work that may be cut off at any moment, as the power cuts it off.
    """
    threading.Thread(target=_end_with, args=(descriptor,), name="input", daemon=True).start()


def _end_with(descriptor: int) -> None:
    # Past the buffers of `sys.stdin`: a thread that holds their lock would break the interpreter's own end.
    while os.read(descriptor, 4096):
        pass
    os._exit(1)
