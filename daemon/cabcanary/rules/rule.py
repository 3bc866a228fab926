"""A rule, ready to run."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

from cabcanary.model import Priority

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.expressions.tree import Condition, Number

#: Damage is counted in whole numbers, so that sums are exact everywhere: at this much the rule trips.
ONE_DAMAGE = 1 << 40


@dataclass(frozen=True, slots=True)
class InverseTime:
    """The worse, the sooner: how long an excess is borne, by how large it is.

    `excess` is a number; `points` are (excess in SI, seconds), straight lines between, held beyond the ends. Where
    `formula` is given instead, it is (k, alpha) of t = k / (M^alpha - 1) s with M the excess (IEC 60255-151:2009,
    inverse-time characteristic without the additive constant). A damage drains within `drain_ns` once the excess is
    gone.
    """

    excess: Number
    points: tuple[tuple[float, float], ...]
    formula: tuple[float, float] | None
    drain_ns: int

    def permitted_ns(self, excess_si: float) -> float:
        """How long this excess is borne, in nanoseconds; infinite where it is borne for ever."""
        if self.formula is not None:
            k, alpha = self.formula
            if excess_si <= 1.0:
                return float("inf")
            try:
                more = excess_si**alpha - 1.0
            except OverflowError:
                # An excess beyond all measure is borne for no time at all.
                return 0.0
            return k / more * 1e9 if more > 0.0 else float("inf")
        points = self.points
        if excess_si <= points[0][0]:
            return points[0][1] * 1e9
        for (x0, y0), (x1, y1) in pairwise(points):
            if excess_si < x1:
                return (y0 + (y1 - y0) * ((excess_si - x0) / (x1 - x0))) * 1e9
        return points[-1][1] * 1e9


@dataclass(frozen=True, slots=True)
class Worse:
    """How much worse an acknowledged alert must get to ask again (a re-alarm, as ISA-18.2 has it).

    `excess` is a number that grows as it gets worse. With a `step`, in SI, it must have grown by that since; otherwise
    to the next of the `bands` of an inverse-time rule, and by half at least, so that no noise about a band asks; beyond
    them all, and without any, to twice as much.
    """

    excess: Number
    step_si: float | None
    bands: tuple[float, ...] = ()

    def asks_from(self, worst_si: float) -> float:
        """The excess from which on it asks again, after `worst_si` was acknowledged."""
        if self.step_si is not None:
            return worst_si + self.step_si
        band = next((b for b in self.bands if b > worst_si), None)
        return 2.0 * worst_si if band is None else max(band, 1.5 * worst_si)


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule ready to run. Delays are in nanoseconds; `channels` are those that its condition reads."""

    id: str
    priority: Priority
    say: str
    do: str
    why: str
    text: str
    when: Condition
    suppress_text: str
    suppress_when: Condition | None
    #: Suppression also ends an alert that stands; otherwise it holds a trip back and no more.
    suppress_ends: bool
    on_delay_ns: int
    off_delay_ns: int
    inverse_time: InverseTime | None
    worse: Worse | None
    latching: bool
    re_alarm_ns: int
    re_alarm_count: int | None
    shelvable: bool
    longest_shelve_ns: int
    #: Why nobody runs it for now; empty: it runs.
    out_of_service: str
    blind_delay_ns: int
    urgent_text: str
    urgent_when: Condition | None
    blind_otherwise_ns: int
    channels: tuple[str, ...]
    #: What a vehicle is watched for by it.
    covers: str | None = None
    #: Channels and baselines of its text that this vehicle lacks, each with what that costs.
    lacks: tuple[tuple[str, str], ...] = ()
    #: Channels beside which another one is shown in messages: a mixture, and the same as AFR.
    shown_beside: tuple[tuple[str, str], ...] = ()
    #: Channels that are known to be defective: what this rule cannot see through them is not told again.
    known_defects: frozenset[str] = frozenset()
    #: How urgent it is that it cannot see; before there is a compressor that is news and no siren.
    blind_priority: Priority = Priority.WARNING
    file: str = ""
    line: int = 0
    #: What people call each channel of the vehicle.
    called: Mapping[str, str] = field(default_factory=dict, compare=False)

    @property
    def fingerprint(self) -> str:
        """What its saved state depends on: another text starts anew."""
        return f"{self.text}|{self.suppress_text}|{self.urgent_text}"
