"""All channels together: the newest readings at a tick -> a frame."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.channels.air import AirPressure
from cabcanary.channels.boost import Boost
from cabcanary.model import Frame, Quality, Reading, Value

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from cabcanary.channels.cross import CrossCheck
    from cabcanary.channels.derive import Derived
    from cabcanary.channels.measured import Measured

#: Two numbers that a channel has learnt and should know at the next start.
Kept = tuple[float, float]
#: (source, item) -> the newest reading.
Newest = dict[tuple[str, str], Reading]


def _cannot_be_calculated(error: ArithmeticError, now_ns: int) -> Value:
    """Numbers that overflow or divide by zero cost their own channel, not the tick."""
    return Value(None, Quality.ABSENT, now_ns, reason=f"cannot be calculated from these inputs ({error})")


def measured_value(channel: Measured, reading: Reading | None, values: dict[str, Value], now_ns: int) -> Value:
    """What a measured channel comes to at a tick, whatever numbers it is given."""
    try:
        return channel.step(reading, values, now_ns)
    except ArithmeticError as error:
        return _cannot_be_calculated(error, now_ns)


def derived_value(channel: Derived, values: dict[str, Value], now_ns: int) -> Value:
    """What a derived channel comes to at a tick, whatever numbers it is given."""
    try:
        return channel.step(values, now_ns)
    except ArithmeticError as error:
        return _cannot_be_calculated(error, now_ns)


class Pipeline:
    """Steps every channel once a tick. Same readings and state, same frame: nothing else comes in.

    Measured and derived channels come in an order in which each finds what it refers to; checks between measured
    channels are made before anything is derived from them. `channel_units` gives each channel's unit, in the order
    of the settings, which is also the order of a frame's values.
    """

    def __init__(
        self,
        measured: Sequence[Measured],
        checks: Mapping[str, CrossCheck],
        derived: Sequence[Derived],
        channel_units: Mapping[str, str],
    ) -> None:
        self.measured, self.derived = tuple(measured), tuple(derived)
        self.checks = dict(checks)
        self.units = dict(channel_units)
        self._learning: list[AirPressure | Measured] = [d for d in self.derived if isinstance(d, AirPressure)]
        self._learning += self.measured
        self._parts: dict[str, Measured | Derived | CrossCheck] = {
            **{c.name: c for c in self.measured},
            **{c.name: c for c in self.derived},
            **{f"check {name}": check for name, check in self.checks.items()},
        }

    def step(self, newest: Newest, now_ns: int) -> Frame:
        """One tick: `newest` holds the newest reading of each wire, `now_ns` is the tick's time."""
        values: dict[str, Value] = {}
        for channel in self.measured:
            values[channel.name] = measured_value(channel, newest.get(channel.key), values, now_ns)
        for check in self.checks.values():
            check.step(values, now_ns)
        for derived in self.derived:
            values[derived.name] = derived_value(derived, values, now_ns)
        return Frame(now_ns, {name: values[name] for name in self.units})

    def ends(self) -> dict[str, tuple[float, float]]:
        """The lowest and highest value, in SI, that a channel can show, where its sensor's range says so."""
        found = {m.name: m.ends_si for m in self.measured if m.ends_si is not None}
        return found | {d.name: found[d.gauge] for d in self.derived if isinstance(d, Boost) and d.gauge in found}

    def roots(self) -> dict[str, tuple[str, ...]]:
        """Each channel -> whom to blame when it cannot be seen: the measured channels that it is made from (itself, if
        measured), and the air's pressure. That always has a value; how sure it is, is its own matter and no wire's."""
        return self._made_of({d.name: (d.name,) for d in self.derived if isinstance(d, AirPressure)})

    def wires(self) -> dict[str, tuple[str, ...]]:
        """Each channel -> all measured channels that it is made from (itself, if measured)."""
        return self._made_of({})

    def _made_of(self, known: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        found = {m.name: (m.name,) for m in self.measured} | known
        for d in self.derived:
            if d.name in known:
                continue
            found[d.name] = tuple(dict.fromkeys(root for i in d.inputs for root in found.get(i, (i,))))
        return found

    def remembered(self) -> dict[str, Kept]:
        """What the next start should know of what channels have learnt, by channel."""
        known = {c.name: c.remembered() for c in self._learning}
        return {name: kept for name, kept in known.items() if kept is not None}

    def recall(self, kept: Mapping[str, Kept], parked_s: float | None) -> None:
        """Before the first tick: what the last drive left, and how long ago that was (None: nobody knows)."""
        for channel in self._learning:
            if channel.name in kept:
                channel.recall(kept[channel.name], parked_s)

    def hot(self) -> list[str]:
        """The widebands that have served hot for long."""
        return [channel.name for channel in self.measured if channel.is_hot]

    def begin_hot(self, names: Iterable[str], away_ns: int, now_ns: int) -> None:
        """Before the first tick: these were hot so long ago, and need no new warm-up if they can't have cooled."""
        known = set(names)
        for channel in self.measured:
            if channel.name in known:
                channel.begin_hot(away_ns, now_ns)

    def take_over(self, before: Pipeline, same: Iterable[str]) -> None:
        """Before the first tick: go on where another pipeline was. `same` are the parts that are as they were there;
        of the others only what they have learnt comes along."""
        state, alike = before.state(), set(same)
        self.restore({name: state[name] for name in alike if name in state})
        self.recall({name: kept for name, kept in before.remembered().items() if name not in alike}, 0.0)

    def state(self) -> dict[str, Any]:
        """All that later frames depend on, beyond the readings to come; plain JSON."""
        return {name: part.state() for name, part in self._parts.items()}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state; a part that is not in it starts anew."""
        for name, part in self._parts.items():
            if name in state:
                part.restore(state[name])
