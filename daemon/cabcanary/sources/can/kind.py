"""A vehicle bus as a kind of source: its settings, items and problems, and how it is opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.sources.can.obd_pids import ITEMS, Scaling
from cabcanary.sources.kind import Fault, Wanted, said_unit
from cabcanary.validation.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from cabcanary.sources.can.bus import CanBus
    from cabcanary.sources.can.can_settings import CanSource
    from cabcanary.sources.kind import Opening


def could_be_asked() -> list[str]:
    """Every OBD item."""
    return list(ITEMS)


def can_unit(spec: CanSource, wanted: Wanted) -> str:
    """The unit of an OBD item by its standard, of a signal by its description."""
    if wanted.item in spec.items and wanted.item in ITEMS:
        return ITEMS[wanted.item].unit
    signal = spec.signals.get(wanted.item)
    return (signal.unit if signal else "") or said_unit(spec, wanted)


def can_limits(spec: CanSource, item: str) -> tuple[float, float] | None:
    """The lowest and highest number of an OBD item by its formula, of a signal by its bits."""
    if item in spec.items and item in ITEMS:
        return ITEMS[item].limits(Scaling(255, 255, 255, 2550))  # the most that PID 4F can make of full scale
    signal = spec.signals.get(item)
    if signal is None:
        return None
    half = 2 ** (signal.length - 1)
    low, high = (-half, half - 1) if signal.signed else (0, 2 * half - 1)
    ends = sorted((low * signal.scale + signal.offset, high * signal.scale + signal.offset))
    return ends[0], ends[1]


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
