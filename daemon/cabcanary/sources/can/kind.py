"""A vehicle bus as a kind of source: its settings, items and problems, and how it is opened."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from cabcanary.sources.can.obd_pids import ITEMS
from cabcanary.sources.kind import Fault, SourceSettings, Wanted, said_unit
from cabcanary.validation.base import Name, Strict
from cabcanary.validation.problems import nearest
from cabcanary.validation.quantities import Place, UnitSymbol

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from cabcanary.sources.can.bus import CanBus
    from cabcanary.sources.kind import Opening


class CanSignal(Strict):
    """A number in a broadcast CAN frame, written down by hand.

    `start` is the position of the least significant bit for little-endian signals and of the most significant
    bit for big-endian ones, counted as DBC files count.
    """

    id: int = Field(ge=0, le=0x1FFFFFFF)
    extended: bool = False
    start: int = Field(ge=0, le=511)
    length: int = Field(ge=1, le=64)
    byte_order: Literal["big", "little"]
    signed: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: UnitSymbol = ""
    #: Raw numbers that mean "no value".
    invalid: list[int] = []

    @model_validator(mode="after")
    def _id_fits(self) -> CanSignal:
        if not self.extended and self.id > 0x7FF:
            raise ValueError(f"id {self.id:#x} is longer than 11 bits; add extended = true")
        return self


class CanSource(SourceSettings):
    """A vehicle bus through any python-can interface, in a process of its own; read services only.

    `items` are asked of the engine computer over OBD-II, each with its wanted rate in Hz; `signals` and
    `dbc_signals` are heard as they are broadcast. Without `items` nothing is ever sent.
    """

    kind: Literal["can"]
    interface: str = Field(min_length=1)
    channel: Place
    bitrate: Literal[125_000, 250_000, 500_000, 1_000_000] = 500_000
    extended_ids: bool = False
    items: dict[Name, Annotated[float, Field(gt=0, le=50)]] = {}
    signals: dict[Name, CanSignal] = {}
    dbc: Place | None = None
    #: Our name for it = "MESSAGE.SIGNAL" of the DBC file.
    dbc_signals: dict[Name, str] = {}
    #: Up to six PIDs in one request, where the engine computer takes it (SAE J1979 allows it on CAN).
    pids_per_request: int = Field(default=6, ge=1, le=6)

    @model_validator(mode="after")
    def _something(self) -> CanSource:
        if not (self.items or self.signals or self.dbc_signals):
            raise ValueError("nothing is wanted from this bus; give items, signals or dbc_signals")
        if self.dbc_signals and self.dbc is None:
            raise ValueError("dbc_signals need the DBC file that they stand in: dbc = …")
        names = [*self.items, *self.signals, *self.dbc_signals]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"{', '.join(twice)} is named twice; rename one")
        return self


def can_items(spec: CanSource) -> list[str]:
    """What is asked and what is heard."""
    return [*spec.items, *spec.signals, *spec.dbc_signals]


def could_be_asked() -> list[str]:
    """Every OBD item."""
    return list(ITEMS)


def can_unit(spec: CanSource, wanted: Wanted) -> str:
    """The unit of an OBD item by its standard, of a signal by its description."""
    if wanted.item in spec.items and wanted.item in ITEMS:
        return ITEMS[wanted.item].unit
    signal = spec.signals.get(wanted.item)
    return (signal.unit if signal else "") or said_unit(spec, wanted)


def can_problems(name: str, spec: CanSource) -> Iterator[Fault]:
    """OBD items that there are none of."""
    for item in spec.items:
        if item not in ITEMS:
            yield Fault(("sources", name, "items", item), "is no OBD item", nearest(item, ITEMS))


def dbc_faults(name: str, spec: CanSource, channels: Mapping[str, Wanted]) -> Iterator[Fault]:
    """What is wrong with the DBC file and the signals that are wanted from it."""
    from cabcanary.sources.can.dbc import dbc_problems, dbc_units

    if spec.dbc is None:
        return
    found = dbc_problems(spec.dbc, spec.dbc_signals)
    for key, message, fix in found:
        yield Fault(("sources", name, *(("dbc_signals", key) if key in spec.dbc_signals else ("dbc",))), message, fix)
    says = {} if found else dbc_units(spec.dbc, spec.dbc_signals)
    for channel, wanted in channels.items():
        unit = says.get(wanted.item)
        if unit and unit != (wanted.wire_unit or wanted.unit):
            message = f"the DBC file gives '{wanted.item}' in {unit}"
            yield Fault(("channels", channel, "wire_unit"), message, f'write wire_unit = "{unit}"')


def open_can(spec: CanSource, opening: Opening) -> CanBus:
    """What keeps the bus's process."""
    from cabcanary.sources.can.bus import CanBus

    return CanBus(opening.name, spec, opening.clock, opening.slots, opening.status)
