"""A satellite receiver on a serial port: an RMC sentence a second, as NMEA 0183 has it, for a place in the open sea."""

from __future__ import annotations

from functools import reduce
from operator import xor
from typing import TYPE_CHECKING

from cabcanary_bench.wiring.serial_pty import SerialPty

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path


def rmc(utc: datetime, *, valid: bool = True) -> bytes:
    """The sentence of this second; a receiver that has found no satellites yet says `valid` no."""
    status, place = ("A", "0000.000,N,03000.000,W") if valid else ("V", ",,,")
    body = f"GPRMC,{utc:%H%M%S}.{utc.microsecond // 10_000:02d},{status},{place},0.0,0.0,{utc:%d%m%y},,".encode()
    return b"$%s*%02X\r\n" % (body, reduce(xor, body))


class GpsReceiver(SerialPty):
    """A receiver on a port; whoever holds it calls `tell` once a second. Baud rates mean nothing on it."""

    def __init__(self, link: Path) -> None:
        super().__init__(link)
        self.found = True  # satellites

    def tell(self, utc: datetime) -> None:
        """Send what a receiver sends for this moment."""
        self.write(rmc(utc, valid=self.found))
