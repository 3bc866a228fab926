"""The one way to python-can, and to what it keeps to itself; light, without its reader of MDF recordings.

Where asammdf is installed for exports, python-can would load it, and with it pandas and Polars, into the process that
polls the bus: about a second of processor time and 100 MB. Nothing here reads a recording through python-can.
"""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["can", "filters_below", "reopen", "serial_port", "set_serial_port"]


@contextmanager
def _as_if_not_installed(module: str) -> Iterator[None]:
    """Importing this module fails with an ImportError in the meantime, unless it has been loaded before."""
    if module in sys.modules:
        yield
        return
    sys.modules[module] = None  # type: ignore[assignment]  # how the import system is told that there is none
    try:
        yield
    finally:
        del sys.modules[module]


with _as_if_not_installed("asammdf"):
    import can


def serial_port(bus: can.BusABC) -> Any:
    """The `serial.Serial` under an slcan bus; None where there is none."""
    return getattr(bus, "serialPortOrig", None)


def set_serial_port(bus: can.BusABC, port: Any) -> None:
    """Put something else in the place of an slcan bus's port."""
    bus.serialPortOrig = port  # type: ignore[attr-defined]  # of slcan


def reopen(bus: can.BusABC, *, listen_only: bool) -> None:
    """Close and open an slcan bus's channel, and not its port, listening only or not; there is no other way.

    Raises:
        can.CanError, OSError: the adapter takes no bytes.
    """
    bus.close()  # type: ignore[attr-defined]  # of slcan
    bus._listen_only = listen_only  # type: ignore[attr-defined]  # noqa: SLF001
    bus.open()  # type: ignore[attr-defined]


def filters_below(bus: can.BusABC) -> bool:
    """Whether the hardware or the kernel filters; the base class does it in software, dearer than a look-up."""
    return type(bus)._apply_filters is not can.BusABC._apply_filters  # noqa: SLF001 - the only sign of it
