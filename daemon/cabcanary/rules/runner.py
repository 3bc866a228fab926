"""A rule with everything that is compiled for it, and the conditions that several rules ask."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.expressions.scalar import Known, Program, Reader, Truth, compile_condition, compile_number
from cabcanary.rules.urgency import alternatives

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from cabcanary.expressions.scalar import Interval
    from cabcanary.expressions.tree import Condition, Node
    from cabcanary.rules.machine import Machine
    from cabcanary.rules.rule import Rule
    from cabcanary.rules.urgency import Urgency


def suppress_key(rule: Rule) -> str:
    """Under what its suppression is kept. Tables belong to a file: the same words in another one may mean something
    else."""
    return f"{rule.file}|{rule.suppress_text}"


def urgent_key(rule: Rule) -> str:
    """As for a suppression."""
    return f"{rule.file}|{rule.urgent_text}"


def asked_by(rules: Iterable[Rule]) -> Iterator[Node]:
    """Every tree that a program is made of."""
    suppressions, urgencies = {}, {}
    for rule in rules:
        yield rule.when
        if rule.inverse_time is not None:
            yield rule.inverse_time.excess
        if rule.worse is not None:
            yield rule.worse.excess
        if rule.suppress_when is not None:
            suppressions[suppress_key(rule)] = rule.suppress_when
        if rule.urgent_when is not None:
            urgencies[urgent_key(rule)] = alternatives(rule.urgent_when)
    yield from suppressions.values()
    for parts in urgencies.values():
        yield from parts


class Shared:
    """A condition that several rules ask: evaluated once a tick."""

    def __init__(self, node: Condition, reader: Reader) -> None:
        self.node = node
        self._program = compile_condition(node, reader)
        self._now_ns: int | None = None
        self._truth: Truth = None

    def at(self, known: Known, now_ns: int) -> Truth:
        """The truth at this tick."""
        if self._now_ns != now_ns:
            self._now_ns, self._truth = now_ns, self._program.run(known, now_ns)
        return self._truth

    @property
    def remembers(self) -> bool:
        """Whether it must see every tick."""
        return self._program.remembers

    def state(self) -> list[Any]:
        """Plain JSON."""
        return [self._truth is True, self._program.state()]

    def restore(self, state: list[Any]) -> None:
        """Go on from a saved state."""
        self._program.restore(state[1])
        self._now_ns = None


class Runner:
    """A rule with everything that is compiled for it."""

    def __init__(
        self,
        rule: Rule,
        machine: Machine,
        reader: Reader,
        shared: Callable[[Condition, str], Shared],
        urgency: Callable[[Condition, str], Urgency],
    ) -> None:
        self.rule, self.machine = rule, machine
        self.when: Program[Truth] = compile_condition(rule.when, reader)
        self.suppress = shared(rule.suppress_when, suppress_key(rule)) if rule.suppress_when else None
        self.urgent = urgency(rule.urgent_when, urgent_key(rule)) if rule.urgent_when else None
        self.excess: Program[Interval] | None = (
            compile_number(rule.inverse_time.excess, reader) if rule.inverse_time is not None else None
        )

        #: Tells how bad it is; often the very same.
        self.level = self.excess
        if rule.worse is not None and (rule.inverse_time is None or rule.worse.excess is not rule.inverse_time.excess):
            self.level = compile_number(rule.worse.excess, reader)

        numbers = (self.excess, None if self.level is self.excess else self.level)
        #: Those beside the condition that must see every tick.
        self.remembering = tuple(p for p in numbers if p is not None and p.remembers)

    def state(self) -> dict[str, Any]:
        """Everything that later ticks depend on; plain JSON."""
        return {
            "text": self.rule.fingerprint,
            "when": self.when.state(),
            "excess": self.excess.state() if self.excess else [],
            "level": self.level.state() if self.level else [],
            **self.machine.state(),
        }

    def take_over(self, before: Runner) -> None:
        """Go on where another set of rules had this one. Its numbers may be others now: its windows then begin anew,
        and what stands or is counted goes on."""
        mine, theirs = self.rule, before.rule
        if mine.fingerprint != theirs.fingerprint or mine.out_of_service:
            return
        same = (mine.when, mine.inverse_time, mine.worse) == (theirs.when, theirs.inverse_time, theirs.worse)
        (self.restore if same else self.machine.restore)(before.state())

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state, if it is of the same rule."""
        if state["text"] != self.rule.fingerprint or len(state["when"]) != len(self.when.state()):
            return
        self.when.restore(state["when"])
        if self.excess is not None:
            self.excess.restore(state["excess"])
        if self.level is not None and self.level is not self.excess and "level" in state:
            self.level.restore(state["level"])
        self.machine.restore(state)
