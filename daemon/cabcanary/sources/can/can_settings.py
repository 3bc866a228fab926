"""The settings of a CAN bus: what is asked of it, and what is taken from what it carries."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from cabcanary.sources.kind import SourceSettings
from cabcanary.validation.base import Name, Strict
from cabcanary.validation.quantities import Place, UnitSymbol

if TYPE_CHECKING:
    pass


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
