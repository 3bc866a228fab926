"""The computer's pins: the one way to gpiozero, for the buzzer and for switches."""

from __future__ import annotations

import importlib.util
import os
import tempfile
from typing import Any

#: What reaches the pins under gpiozero, and the environment variable that names something else.
_LIBRARY, _CHOICE = "lgpio", "GPIOZERO_PIN_FACTORY"


def pin_library() -> Any:
    """The module gpiozero, over lgpio unless the environment names another way to the pins.

    Named, so that gpiozero does not try one library after the other with a warning for each. lgpio makes a pipe in the
    current folder as it is loaded, which a service often may not write to; a folder for temporary files is there.

    Raises:
        ImportError: it is not installed.
    """
    os.environ.setdefault("LG_WD", tempfile.gettempdir())
    os.environ.setdefault(_CHOICE, _LIBRARY)
    import gpiozero

    return gpiozero


def pin_trouble(error: Exception) -> str | None:
    """The remedy if the error says that this machine has no usable pins; None if it is another error."""
    if type(error).__name__ not in ("BadPinFactory", "PinUnknownPi", "ImportError", "ModuleNotFoundError"):
        return None
    if os.environ.get(_CHOICE) == _LIBRARY and importlib.util.find_spec(_LIBRARY) is None:
        # Wheels of lgpio end with Python 3.12, and building it takes a compiler.
        return (
            "the library lgpio is missing, so no pin can be used; install Raspberry Pi OS's package python3-lgpio, "
            "and make the virtual environment with --system-site-packages"
        )
    return "this machine has no GPIO pins that can be used; on a Pi, join the group gpio"
