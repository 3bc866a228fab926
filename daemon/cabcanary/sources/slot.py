"""Where a source leaves its newest readings: the tick takes what is there and never waits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary.clock import STEP_NS
from cabcanary.model import Quality, Reading

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cabcanary.store.samples import Steps


class Slots:
    """The newest reading of every wire.

    A dictionary store is atomic in CPython, so reader threads write here and the tick reads without a lock.
    """

    def __init__(self) -> None:
        self.newest: dict[tuple[str, str], Reading] = {}
        #: How a converter makes its numbers from whole codes, where the source knows; the journal keeps the codes.
        self.steps: dict[tuple[str, str], Steps] = {}

    def put(self, reading: Reading) -> None:
        """Leave a reading; it replaces the one before."""
        if reading.time_ns % STEP_NS:
            # A time that a source has worked out goes in the clock's own steps.
            reading = reading._replace(time_ns=reading.time_ns - reading.time_ns % STEP_NS)
        if reading.value is not None and not math.isfinite(reading.value):
            reading = reading._replace(value=None, quality=Quality.ABSENT, reason="no finite number")
        self.newest[reading.source, reading.item] = reading

    def lose(self, source: str, items: Iterable[str], time_ns: int, reason: str) -> None:
        """A source is gone: each of its items has no value now, and this is why."""
        for item in items:
            self.put(Reading(source, item, None, time_ns, Quality.ABSENT, reason))
