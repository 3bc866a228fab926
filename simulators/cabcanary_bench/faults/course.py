"""Faults and circumstances as a timeline. It is read at rising times and costs little while nothing happens."""

from __future__ import annotations

import math
from bisect import bisect_right
from typing import TYPE_CHECKING

from cabcanary_bench.faults.effects import HEALTHY, Effects

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.faults.circumstances import Circumstance
    from cabcanary_bench.faults.faults import Fault


class Course:
    """The effects in force at a time. Between two changes nothing is gathered anew."""

    def __init__(self, faults: Sequence[Fault] = (), circumstances: Sequence[Circumstance] = ()) -> None:
        # Circumstances first: a fault may undo what an ordinary stage sets.
        self._all: tuple[Fault | Circumstance, ...] = (*circumstances, *faults)
        # Between two of these times the same faults and circumstances are in force, and the same are fully grown.
        self._changes = sorted({t for one in self._all for t in (one.start_s, one.steady_s, one.end_s)})
        self._from_s, self._until_s = math.inf, -math.inf
        self._active: tuple[Fault | Circumstance, ...] = ()
        self._steady = False
        self._forces: list[float | None] | None = None
        self._effects = HEALTHY

    def at(self, time_s: float) -> Effects:
        """Everything that is in force at a time; to be read only."""
        if not self._from_s <= time_s < self._until_s:
            self._look(time_s)
        if not self._active:
            return HEALTHY
        if self._steady and self._forces is not None:
            return self._effects
        forces = [one.force(time_s) for one in self._active]
        if forces != self._forces:
            self._forces = forces
            self._effects = Effects()
            for one, force in zip(self._active, forces, strict=True):
                if force is not None:
                    for act in one.kind.info.acts:
                        act(self._effects, force)
        return self._effects

    def _look(self, time_s: float) -> None:
        n = bisect_right(self._changes, time_s)
        self._from_s = self._changes[n - 1] if n else -math.inf
        self._until_s = self._changes[n] if n < len(self._changes) else math.inf
        self._active = tuple(one for one in self._all if one.start_s <= time_s < one.end_s)
        self._steady = all(one.steady_s <= time_s for one in self._active)
        self._forces = None


def effects_at(faults: Sequence[Fault], time_s: float, circumstances: Sequence[Circumstance] = ()) -> Effects:
    """Everything that circumstances and faults in force at a time do; to be read only."""
    return Course(faults, circumstances).at(time_s)
