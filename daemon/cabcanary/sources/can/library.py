"""The one way to python-can, light: without its reader of MDF recordings.

Where asammdf is installed for exports, python-can would load it, and with it pandas and Polars, into the process that
polls the bus: about a second of processor time and 100 MB. Nothing here reads a recording through python-can.
"""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["can"]


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
