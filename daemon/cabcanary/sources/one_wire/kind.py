"""1-wire thermometers as a kind of source: their settings, and how they are opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cabcanary.sources.kind import Opening
    from cabcanary.sources.one_wire.one_wire_settings import OneWireSource
    from cabcanary.sources.one_wire.thermometers import Thermometers


def open_one_wire(spec: OneWireSource, opening: Opening) -> Thermometers:
    """What reads the thermometers that a channel wants."""
    from cabcanary.sources.one_wire.thermometers import Thermometers

    return Thermometers(opening.name, spec, opening.items, opening.clock, opening.slots, opening.status)
