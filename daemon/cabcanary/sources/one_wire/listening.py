"""`cabcanary listen` on a 1-wire bus: the number and the temperature of every thermometer."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from cabcanary.sources.kernel.listening import tree_lines, tree_way
from cabcanary.sources.listening import small_text
from cabcanary.sources.one_wire.one_wire_settings import OneWireSource

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def _shown(device: Path) -> Iterator[str]:
    yield f"temperature: {small_text(device / 'temperature')} m°C"


THERMOMETERS = tree_way(
    OneWireSource, "one_wire for thermometers", partial(tree_lines, "??-*", "1-wire thermometer", _shown)
)
