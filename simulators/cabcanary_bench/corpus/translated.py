"""What is put into the readings of the bench van, for the wires of another vehicle."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.settings.load import load_settings
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary_bench.fast.fitted import Fitted, Wire
from cabcanary_bench.paths import config_folder

if TYPE_CHECKING:
    from cabcanary.settings.schema import Settings
    from cabcanary_bench.corpus.injected import Change, Injected


@cache
def _bench() -> Settings:
    return load_settings(config_folder() / "bench-van.toml").model


def translated(injected: Injected, fitted: Fitted, supply_shift_v: float = 0.0) -> Injected:
    """The same change on the wires that the vehicle has; what it has no channel for is left out. A supply is changed to
    so much more than the bench's: a vehicle whose alternator rests lower has a lower limit."""
    names = {(c.source, c.item): n for n, c in _bench().channels.items() if isinstance(c, MeasuredChannel)}
    wires = {}
    for key, change in injected.wires.items():
        name = names.get(key, "")
        spec = fitted.settings.channels.get(name)
        if isinstance(spec, MeasuredChannel):
            shift = supply_shift_v if name == "supply" else 0.0
            wires[spec.source, spec.item] = _through(name, change, spec, fitted.settings, shift)
    return replace(injected, wires=wires)


def _through(name: str, change: Change, spec: MeasuredChannel, settings: Settings, shift: float) -> Change:
    """A change of the bench's wire as a change of another one: to the bench's numbers, changed, and back."""
    own = _bench().channels[name]
    assert isinstance(own, MeasuredChannel)
    same = (own.source, own.item, own.curve, own.divider) == (spec.source, spec.item, spec.curve, spec.divider)
    if same and not shift:
        return change
    bench, other = Wire(name, own, _bench()), Wire(name, spec, settings)

    def changed(values: np.ndarray) -> np.ndarray:
        numbers = np.array([bench.of(other.value(v)) for v in values.tolist()])
        return np.array([other.of(bench.value(v) + shift) for v in change(numbers).tolist()])

    return changed
