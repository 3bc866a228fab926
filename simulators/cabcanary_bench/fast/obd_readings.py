"""The engine computer polled as the daemon polls it: one question at a time, each item at its rate."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.clock import NS_PER_S
from cabcanary.model import Quality
from cabcanary.sources.can.obd_pids import ITEMS, decode
from cabcanary_bench.fast.readings import ENGINE, Reasons, Track
from cabcanary_bench.van.build import BENCH_VAN
from cabcanary_bench.van.electrics import COMPUTER_FAILS_V
from cabcanary_bench.wiring.obd import van_pids

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary_bench.faults.effects import Effects
    from cabcanary_bench.van.build import Build
    from cabcanary_bench.van.vehicle import Truth

#: An answer takes this long, uniformly, adapter and bus included (common practice).
_ANSWER_NS = (6_000_000, 20_000_000)
#: Three questions without an answer are a silence; each is waited for this long.
_SILENT_AFTER_NS = 3 * NS_PER_S // 10
#: How soon after it is back it is asked again.
_AGAIN_NS = (NS_PER_S // 4, 2 * NS_PER_S)
_PERIOD_NS = NS_PER_S // 50


@dataclass(slots=True)
class _Turn:
    """One item: when it is due, how often, and where it goes."""

    due_ns: int
    period_ns: int
    pid: int
    item: str
    track: Track


class Polled:
    """Readings of the engine computer's items; rates in Hz."""

    def __init__(
        self, seed: int, reasons: Reasons, rates: Mapping[str, float], source: str = ENGINE, build: Build = BENCH_VAN
    ) -> None:
        self._rng = random.Random(seed * 104_729 + 2)  # noqa: S311  # reproducible is the point
        self.tracks: dict[tuple[str, str], Track] = {(source, item): Track() for item in rates}
        self._turns = [
            _Turn(0, round(NS_PER_S / rate), ITEMS[item].pid, item, self.tracks[source, item])
            for item, rate in rates.items()
        ]
        self._truth: Truth | None = None
        self._pids = van_pids(self._now, build)
        self._free_ns = 0
        self._silent_since: int | None = None
        self._told = False
        self._wait_until = 0
        self._no_answer = reasons.index(Quality.ABSENT, "no answer from the engine computer")
        self._lost = reasons.index(Quality.ABSENT, "the CAN adapter is lost")

    def _now(self) -> Truth:
        assert self._truth is not None
        return self._truth

    def take(self, now_ns: int, truth: Truth, effects: Effects) -> None:
        """Poll the items that are due in the 20 ms that begin now."""
        self._truth = truth
        awake = truth.key_on and truth.supply_v > COMPUTER_FAILS_V
        if not awake or effects.can_silent or effects.adapter_unplugged:
            self._silence(now_ns, effects)
            return
        if self._silent_since is not None or not self._wait_until:
            self._wait_until = now_ns + self._rng.randrange(*_AGAIN_NS)
        self._silent_since, self._told = None, False
        if now_ns >= self._wait_until:
            self._ask(now_ns)

    def _silence(self, now_ns: int, effects: Effects) -> None:
        if self._silent_since is None:
            self._silent_since = now_ns
        lost = effects.adapter_unplugged
        if self._told or (not lost and now_ns - self._silent_since < _SILENT_AFTER_NS):
            return
        self._told = True
        for track in self.tracks.values():
            track.miss(max(now_ns, self._free_ns), self._lost if lost else self._no_answer)

    def _ask(self, now_ns: int) -> None:
        end_ns = now_ns + _PERIOD_NS
        for turn in self._turns:
            if turn.due_ns > end_ns or self._free_ns > end_ns:
                continue
            begin = max(turn.due_ns, self._free_ns, now_ns)
            self._free_ns = begin + self._rng.randrange(*_ANSWER_NS)
            turn.due_ns = max(turn.due_ns + turn.period_ns, begin)
            data = self._pids(turn.pid)
            if data is not None:
                turn.track.put(self._free_ns, decode(turn.pid, data)[turn.item])
