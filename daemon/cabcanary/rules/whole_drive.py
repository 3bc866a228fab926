"""All rules over a whole drive: columns in, the same changes out as the live engine gave. Never imported by the daemon.

Conditions are evaluated as arrays, a block of the drive at a time; each rule's own machine, the very one that runs
live, is stepped only where the condition is not false or something still stands from before. In an ordinary drive that
is next to nowhere.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.rules.engine import STATE_VERSION
from cabcanary.rules.whole_blind import BlindRun
from cabcanary.rules.whole_rule import RuleRun, Traced
from cabcanary.rules.whole_ticks import Action, Acts, DriveTicks

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cabcanary.expressions.signals import Block
    from cabcanary.rules.rule import Rule
    from cabcanary.rules.states import Change

__all__ = ["Action", "RuleSetRun", "Traced", "WholeDrive"]

_EMPTY: dict[str, Any] = {"last": None, "rules": {}, "shared": {}, "blind": None, "warming": {}}


@dataclass(slots=True)
class RuleSetRun:
    """A set of rules on its way through a drive, and what came of it.

    `state` is the live engine's before the first tick; `watched` are rows at which every rule is looked at, whether
    anything happens there or not.
    """

    rules: Sequence[Rule]
    state: dict[str, Any] | None = None
    actions: Sequence[Action] = ()
    watched: range = range(0)
    runs: list[RuleRun] = field(default_factory=list)
    #: Alerts that stood before the first tick.
    stood: tuple[str, ...] = ()
    changes: list[Change] = field(default_factory=list)


class WholeDrive(DriveTicks):
    """A drive that rules are run over; `run` may be called for many sets of them."""

    def run(
        self, rules: Sequence[Rule], state: dict[str, Any] | None = None, actions: Sequence[Action] = ()
    ) -> list[Change]:
        """Every change of every alert, in the order in which the live engine tells them."""
        only = RuleSetRun(rules, state, actions)
        self.run_all([only])
        return only.changes

    def trace(
        self,
        rule: Rule,
        rows: range,
        state: dict[str, Any] | None = None,
        actions: Sequence[Action] = (),
    ) -> list[Traced]:
        """One rule's way through these rows, tick by tick."""
        only = RuleSetRun([rule], state, actions, rows)
        self.run_all([only])
        return only.runs[0].traced

    def run_all(self, sets: Sequence[RuleSetRun], watch: Callable[[Block], None] | None = None) -> None:
        """Several sets of rules at once, all from the same start; `watch` is called behind each block."""
        lanes = []
        for one in sets:
            state = _known(one.state)
            acts = Acts(one.actions, self.times)
            one.runs = [RuleRun(self, rule, n, state, acts, one.watched) for n, rule in enumerate(one.rules)]
            blind = BlindRun(self, one.runs, state, acts)
            one.stood = (*(r.rule.id for r in one.runs if r.machine.alert.active), *blind.standing)
            lanes.append((one, blind))
        with np.errstate(all="ignore"):
            for block in self.signals.blocks:
                for one, blind in lanes:
                    for run in one.runs:
                        run.advance(block)
                    blind.advance(block)
                if watch is not None:
                    watch(block)
        for one, blind in lanes:
            for run in one.runs:
                run.finish()
            blind.finish()
            found = [f for run in one.runs for f in run.found] + blind.found
            one.changes = [f.change for f in sorted(found, key=lambda f: f[:4])]


def _known(state: dict[str, Any] | None) -> dict[str, Any]:
    """A state that can be gone on from, or that of a start from nothing."""
    return state if state is not None and state.get("version") == STATE_VERSION else _EMPTY
