"""How a fault or a circumstance changes `Effects`: small functions of its strength, 0 to 1."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from cabcanary_bench.faults.effects import Effects

#: Writes into the effects what a strength does.
Act = Callable[[Effects, float], None]


def times(field: str, whole: float) -> Act:
    """Multiply a factor: by 1 at no strength, by `whole` at full strength."""

    def act(effects: Effects, strength: float) -> None:
        setattr(effects, field, getattr(effects, field) * (1 + (whole - 1) * strength))

    return act


def add(field: str, whole: float) -> Act:
    """Add `whole` at full strength, in proportion below."""

    def act(effects: Effects, strength: float) -> None:
        setattr(effects, field, getattr(effects, field) + whole * strength)

    return act


def at_least(field: str, whole: float) -> Act:
    """Raise a number to `whole` at full strength, in proportion below."""

    def act(effects: Effects, strength: float) -> None:
        setattr(effects, field, max(getattr(effects, field), whole * strength))

    return act


def blend(field: str, none: float, whole: float) -> Act:
    """Set a number between `none` and `whole`."""

    def act(effects: Effects, strength: float) -> None:
        setattr(effects, field, none + (whole - none) * strength)

    return act


def switch(field: str, value: Any) -> Act:
    """Set something whatever the strength."""

    def act(effects: Effects, _strength: float) -> None:
        setattr(effects, field, value)

    return act


def host(trouble: str) -> Act:
    """Something that the rig has to do to the daemon's machine."""

    def act(effects: Effects, _strength: float) -> None:
        effects.host = (*effects.host, trouble)

    return act
