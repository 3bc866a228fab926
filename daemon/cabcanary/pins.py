"""The computer's pins: the one way to gpiozero, for the buzzer and for switches."""

from __future__ import annotations

import os
import tempfile
from typing import Any


def pin_library() -> Any:
    """The module gpiozero.

    lgpio under it makes a pipe in the current folder as it is loaded, which a service often may not write to; a
    folder for temporary files is always there.

    Raises:
        ImportError: it is not installed.
    """
    os.environ.setdefault("LG_WD", tempfile.gettempdir())
    import gpiozero

    return gpiozero
