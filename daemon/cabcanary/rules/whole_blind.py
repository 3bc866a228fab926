"""The alerts of channels that rules cannot see through, over a drive: looked at wherever something may change."""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING, Any

from cabcanary.rules.blind import BLIND, BlindAlerts
from cabcanary.rules.machine import Machine
from cabcanary.rules.whole_ticks import Found, Turn

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from cabcanary.expressions.signals import Block
    from cabcanary.rules.states import Blame, Change
    from cabcanary.rules.whole_rule import RuleRun
    from cabcanary.rules.whole_ticks import Action, Acts, DriveTicks


class BlindRun:
    """All of a set's blind alerts on their way through a drive; they come behind the rules in every row."""

    def __init__(self, drive: DriveTicks, runs: Sequence[RuleRun], state: Mapping[str, Any], acts: Acts) -> None:
        self.found: list[Found] = []
        self._drive, self._runs, self._turn = drive, runs, Turn(acts)
        self._warming_before: Mapping[str, int] = state["warming"]
        self._alerts = BlindAlerts([run.rule for run in runs], drive.channel_units)
        if state["blind"] is not None:
            self._alerts.restore(state["blind"])
        self._blame: dict[int, Blame] = {}
        #: The row from which on something may happen; None: not before the next event.
        self._row: int | None = 0 if self._alerts.standing else None

    @property
    def standing(self) -> list[str]:
        """The alerts that stand."""
        return [name for name, alert in self._alerts.alerts.items() if alert.active]

    def advance(self, block: Block) -> None:
        """Go through a block, after all rules of the set did."""
        news: dict[int, list[tuple[int, Blame]]] = {}
        for n, run in enumerate(self._runs):
            for row, blame in run.take_blinded():
                news.setdefault(row, []).append((n, blame))
        events = sorted({*news, *self._turn.rows(block.last), block.last})
        row = events[0] if self._row is None else self._row
        while row < block.last:
            self._act_until(row)
            self._blame |= dict(news.get(row, ()))
            told = self._step(row)
            # Where nothing warms up, nothing is put aside and nothing is held back, the next row that can tell anything
            # is the next event.
            busy = told or self._alerts.shelved or self._alerts.held_back or self._any_warming(row)
            row = row + 1 if busy else events[bisect_right(events, row)]
            self._row = row if busy else None
        if self._row is not None:
            self._row = max(self._row, block.last)

    def finish(self) -> None:
        """What people did after the last tick."""
        self._act_until(len(self._drive.times))

    def _step(self, row: int) -> bool:
        tripped = [_tripped(self._runs[n], blame) for n, blame in sorted(self._blame.items()) if blame.roots]
        if not tripped and not self._alerts.standing:
            return False
        now_ns, warming = int(self._drive.times[row]), self._warming(row)
        told = self._alerts.step(now_ns, tripped, self._drive.qualities(row), warming)
        self._tell(now_ns, 1, 0, told)
        return bool(told)

    def _any_warming(self, row: int) -> bool:
        drive = self._drive
        return any(drive.is_warming(root, row) for blame in self._blame.values() for root in blame.roots if root)

    def _warming(self, row: int) -> Callable[[str], int | None]:
        return lambda channel: self._drive.warming_since(channel, row, self._warming_before.get(channel))

    def _act_until(self, row: int) -> None:
        for turn, action in self._turn.taken(row):
            self._tell(action.time_ns, 0, turn, self._act(action))

    def _act(self, action: Action) -> list[Change]:
        alerts = self._alerts
        if action.what == "acknowledge":
            return alerts.acknowledge(action.time_ns)
        if not action.alert.startswith(BLIND):
            return []
        if action.what == "unshelve":
            return alerts.unshelve(action.alert, action.time_ns)
        refused = alerts.shelve(action.alert, action.time_ns, action.for_ns)
        return [] if refused else [alerts.change(action.time_ns, action.alert)]

    def _tell(self, time_ns: int, tick: int, act: int, told: list[Change]) -> None:
        behind = len(self._runs)
        self.found += [Found(time_ns, tick, act, behind + n, change) for n, change in enumerate(told)]


def _tripped(run: RuleRun, blame: Blame) -> Machine:
    """The rule as it was at that row, as far as its blindness goes."""
    seen = Machine(run.rule)
    seen.memory.blind_roots, seen.memory.blind_unsure = blame
    seen.memory.blind_tripped = True
    return seen
