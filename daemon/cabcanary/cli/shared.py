"""Shared by all commands: default paths of settings and recordings, the safety text, parsing of arguments."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from typing import TextIO

#: As the units and the guide in systemd/ have it.
DEFAULT_CONFIG = Path("/etc/cabcanary/vehicle.toml")
DEFAULT_FOLDER = Path("/var/lib/cabcanary")

#: Said wherever limits, wiring or driving are concerned.
SAFETY = (
    "This is a monitor, not protection: it warns, and it cannot stop an engine from being damaged. "
    "Limits come from a qualified tuner; those that come with it are examples. Set it up only when parked."
)


def in_colour(stream: TextIO) -> bool:
    """Whether this may be written to in colour: a terminal that has some, and a user who has not said NO_COLOR."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM", "dumb") != "dumb"


class Parser(argparse.ArgumentParser):
    """A parser that, where `intermixed` is set, takes options between words too, as people write them."""

    intermixed = False

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> tuple[Any, list[str]]:
        """As every parser does it; the library's own way with options between words calls this again."""
        if not self.intermixed:
            return super().parse_known_args(args, namespace)
        self.intermixed = False
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self.intermixed = True
