"""How soon a rule's blindness must be told: what was last known of the state that makes it urgent.

Each alternative of `blind_urgent_when` is remembered for itself. A pressure that is lost says nothing new of boost, and
an open throttle is urgent all the same; once it is shut, it is not any more. What has never been known is urgent only
where no other alternative says the opposite: a monitor that is started in mid-boost must not take its ignorance for an
idle.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.expressions import tree
from cabcanary.expressions.scalar import Known, Program, Reader, Truth, compile_condition

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: For so long after the first tick nothing need be known, ns: ports take two seconds to speak, and the air's pressure
#: is learnt from a standing manifold within three (`channels/air.py`).
GRACE_NS = 4_000_000_000


def alternatives(node: tree.Condition) -> tuple[tree.Condition, ...]:
    """The parts of which each is remembered for itself."""
    return node.parts if isinstance(node, tree.Or) else (node,)


class Kept(NamedTuple):
    """What a saved state says: of each alternative what was last known, its program's state, and the first tick."""

    last: list[Truth]
    programs: list[list[Any]]
    since_ns: int | None


def kept(shared: Mapping[str, Any], key: str, memories: Sequence[int]) -> Kept | None:
    """An urgency's part of an engine's saved state; `memories` is how many each alternative's program has."""
    found = shared.get(f"urgent|{key}")
    if found is not None:
        last, programs, since_ns = found
        return Kept(list(last), list(programs), since_ns) if len(last) == len(memories) else None
    older = shared.get(key)
    if older is None or len(older[1]) != sum(memories):
        return None
    # An older version remembered the whole.
    rest, programs = list(older[1]), []
    for count in memories:
        programs.append(rest[:count])
        rest = rest[count:]
    return Kept([bool(older[0])] * len(memories), programs, None)


class Urgency:
    """One such condition, live; evaluated once a tick for all rules that ask it."""

    def __init__(self, node: tree.Condition, reader: Reader) -> None:
        self.node = node
        self._programs: list[Program[Truth]] = [compile_condition(part, reader) for part in alternatives(node)]
        self._last: list[Truth] = [None] * len(self._programs)
        self._since_ns: int | None = None
        #: Whether it is urgent at this tick.
        self.urgent = False

    def step(self, known: Known, now_ns: int) -> None:
        """One tick; every tick must be seen."""
        if self._since_ns is None:
            self._since_ns = now_ns
        for n, program in enumerate(self._programs):
            truth = program.run(known, now_ns)
            if truth is not None:
                self._last[n] = truth
        nothing_known = all(truth is None for truth in self._last)
        self.urgent = any(self._last) or (nothing_known and now_ns - self._since_ns >= GRACE_NS)

    def state(self) -> list[Any]:
        """Plain JSON."""
        return [list(self._last), [p.state() for p in self._programs], self._since_ns]

    def take_over(self, before: Urgency) -> None:
        """Go on with what the same condition knew in another engine."""
        if before.node == self.node:
            self.restore({"urgent|": before.state()}, "")

    def restore(self, shared: Mapping[str, Any], key: str) -> None:
        """Go on from an engine's saved state, if it knows this one."""
        found = kept(shared, key, [len(p.state()) for p in self._programs])
        if found is None:
            return
        self._last, self._since_ns = found.last, found.since_ns
        for program, saved in zip(self._programs, found.programs, strict=True):
            program.restore(saved)
