"""Ticks in a row that say the same: only timers run, so that many are taken at once. Only for looking back.

`Machine.step` says what a tick does; here is what it comes to while truth, suppression, urgency, blame and standing
stay as they were at the tick before, up to and without the first tick at which something else would happen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.rules.machine import BLIND_DRAIN_DIVISOR, LONGEST_LOOK_NS, blind_delay_ns
from cabcanary.rules.rule import ONE_DAMAGE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.expressions.scalar import Truth
    from cabcanary.rules.machine import Machine


def coast(
    machine: Machine,
    truth: Truth,
    dts: NDArray[np.int64],
    levels: NDArray[np.float64] | None = None,
    *,
    suppressed: bool,
    urgent: bool,
) -> int:
    """Take the ticks that only let timers run; returns how many of them. `dts` are their durations in ns, `levels` how
    bad it is at them (-inf: not known; None: nobody asks).

    The engine is not known to stand, and the machine has just been stepped with the same truth and the same rest.
    """
    alert, rule = machine.alert, machine.rule
    asks_again = rule.re_alarm_ns and alert.active and alert.acknowledged
    if alert.shelved or asks_again or not _damage_rests(machine, truth, suppressed=suppressed):
        return 0
    if truth is None:
        return _unknown(machine, dts, urgent=urgent)
    if not truth:
        return _false(machine, dts)
    if levels is not None:
        dts = dts[: _no_worse(machine, levels)]
    count = _true(machine, dts, suppressed=suppressed)
    if levels is not None and count and not alert.acknowledged:
        worst, known = float(levels[:count].max()), machine.memory.worst
        if worst > -np.inf:
            machine.memory.worst = worst if known is None else max(known, worst)
    return count


def _no_worse(machine: Machine, levels: NDArray[np.float64]) -> int:
    """How many ticks pass until an alert that has been acknowledged has got worse by a step."""
    worse, worst = machine.rule.worse, machine.memory.worst
    if worse is None or not machine.alert.acknowledged:
        return len(levels)
    beyond = levels > -np.inf if worst is None else levels >= worse.asks_from(worst)
    return int(np.argmax(beyond)) if beyond.any() else len(levels)


def _damage_rests(machine: Machine, truth: Truth, *, suppressed: bool) -> bool:
    """Whether an inverse-time rule's damage stays as it is."""
    if machine.rule.inverse_time is None:
        return True
    damage = machine.memory.damage
    if truth is None and not suppressed:
        return True
    return damage == ONE_DAMAGE and machine.alert.active if truth and not suppressed else damage == 0


def _until(reach: int, steps: NDArray[np.int64]) -> int:
    """How many steps are taken before their sum comes to `reach`."""
    return int(np.searchsorted(np.cumsum(steps), reach, side="left"))


def _unknown(machine: Machine, dts: NDArray[np.int64], *, urgent: bool) -> int:
    rule, memory = machine.rule, machine.memory
    looked = np.minimum(dts, LONGEST_LOOK_NS)
    delay_ns = blind_delay_ns(rule, memory, urgent=urgent)
    count = len(dts)
    if not memory.blind_tripped:
        count = _until(delay_ns - memory.blind_ns, looked)
    memory.blind_ns = min(memory.blind_ns + int(looked[:count].sum()), max(delay_ns, 1))
    return count


def _sees(machine: Machine, dts: NDArray[np.int64]) -> tuple[int, NDArray[np.int64] | None]:
    """Up to when a rule that sees again has not forgotten its blindness, and how that drains."""
    if not machine.memory.blind_ns:
        return len(dts), None
    drained = np.minimum(dts, LONGEST_LOOK_NS) // BLIND_DRAIN_DIVISOR
    return min(len(dts), _until(machine.memory.blind_ns, drained)), drained


def _false(machine: Machine, dts: NDArray[np.int64]) -> int:
    memory = machine.memory
    count, drained = _sees(machine, dts)
    if machine.alert.active:
        count = min(count, _until(machine.rule.off_delay_ns - memory.off_ns, dts))
        memory.off_ns += int(dts[:count].sum())
    if drained is not None:
        memory.blind_ns -= int(drained[:count].sum())
    return count


def _true(machine: Machine, dts: NDArray[np.int64], *, suppressed: bool) -> int:
    memory = machine.memory
    count, drained = _sees(machine, dts)
    if not suppressed:
        if not machine.alert.active:
            count = min(count, _until(machine.rule.on_delay_ns - memory.on_ns, dts))
        memory.on_ns += int(dts[:count].sum())
    if drained is not None:
        memory.blind_ns -= int(drained[:count].sum())
    return count
