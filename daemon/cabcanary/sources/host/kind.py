"""This computer as a kind of source: its settings, its items with their units, and how it is opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.sources.host.host_settings import ITEMS, HostSource

if TYPE_CHECKING:
    from cabcanary.sources.host.computer import HostReader
    from cabcanary.sources.kind import Opening, Wanted


def host_items(_spec: HostSource) -> list[str]:
    """What there is."""
    return list(ITEMS)


def host_unit(_spec: HostSource, wanted: Wanted) -> str:
    """The unit of an item that there is."""
    return ITEMS[wanted.item]


def open_host(spec: HostSource, opening: Opening) -> HostReader:
    """What looks at this computer."""
    from cabcanary.sources.host.computer import HostReader, machine_readers

    readers = machine_readers(opening.folder, opening.own, opening.clock)
    return HostReader(opening.name, spec, opening.items, opening.clock, opening.slots, opening.status, readers)
