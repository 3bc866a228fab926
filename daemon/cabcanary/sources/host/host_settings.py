"""The settings of this computer as a source, and its items."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from cabcanary.sources.kind import SourceSettings
from cabcanary.validation.quantities import FolderPathOrNone, Seconds

if TYPE_CHECKING:
    pass


#: What there is, and the unit of each on the wire.
ITEMS = {
    "clock_set": "state",
    "recording": "state",
    "board_temperature": "°C",
    "under_voltage": "state",
    "late_ticks": "",
    "write_latency": "ms",
    "card_read_only": "state",
    "free_space": "%",
}


class HostSource(SourceSettings):
    """The computer that this runs on: its clock, its card, its board, its recorder."""

    kind: Literal["host"]
    rate_hz: float = Field(default=1.0, gt=0, le=10)
    #: On a bench: a folder of small text files named like the items, each read instead of the machine.
    folder: FolderPathOrNone = None
    #: A read that takes longer hangs, and its item is absent. Two readings are missed by then; sooner would tell of
    #: every busy moment of a card.
    hung_after: Seconds = 2.0
