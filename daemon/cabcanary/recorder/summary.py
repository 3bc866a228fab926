"""A drive in a few figures: peak boost, leanest under boost, alerts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.model import NOTICES, Frame, Priority, Quality
from cabcanary.settings.derived import AsBurntChannel, BoostChannel, FuelCutChannel
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.store.manifest import AlertCount

if TYPE_CHECKING:
    from cabcanary.plan.plan import Plan

#: Boost begins to count at 2 psi: below it the manifold may just be full of air at a wide throttle.
UNDER_BOOST_PA = units.unit("psi").to_si(2.0)


class Summary:
    """Takes in a drive frame by frame; `result` is what its manifest says. Without a plan only alerts are counted."""

    def __init__(self, plan: Plan | None) -> None:
        channels = plan.settings.channels if plan else {}
        self._boost = next((n for n, c in channels.items() if isinstance(c, BoostChannel)), None)
        self._mixture = next(
            (n for n, c in channels.items() if isinstance(c, MeasuredChannel) and c.measures == "lambda"), None
        )
        self._mask = next((n for n, c in channels.items() if isinstance(c, FuelCutChannel)), None)
        # The boost that a mixture was burnt under, where the settings make that channel.
        self._then = next(
            (n for n, c in channels.items() if isinstance(c, AsBurntChannel) and c.of == self._boost), self._boost
        )
        self._unit = channels[self._boost].unit if self._boost else None
        self._under = UNDER_BOOST_PA / units.unit(self._unit).factor if self._unit else 0.0
        self._peak: float | None = None
        self._leanest: tuple[float, float] | None = None

    def add(self, frame: Frame) -> None:
        """One frame."""
        if self._boost is None or self._then is None:
            return
        boost = _good(frame, self._boost)
        if boost is not None and (self._peak is None or boost > self._peak):
            self._peak = boost
        if self._mixture is None or (self._mask is not None and frame.values[self._mask].value):
            return
        burnt, lean = _good(frame, self._then), _good(frame, self._mixture)
        if burnt is None or lean is None or burnt < self._under:
            return
        if self._leanest is None or lean > self._leanest[0]:
            self._leanest = lean, burnt

    def result(self, events: list[dict[str, Any]], first_ns: int) -> dict[str, Any]:
        """The manifest's figures; alerts are counted from the recorded events."""
        found: dict[str, Any] = {"alerts": _count_alerts(events, first_ns)}
        if self._boost is not None:
            found |= {"boost_unit": self._unit, "peak_boost": None if self._peak is None else round(self._peak, 3)}
        if self._leanest is not None:
            lean, boost = self._leanest
            found |= {"leanest_under_boost": round(lean, 4), "leanest_at_boost": round(boost, 3)}
        return found


def _good(frame: Frame, channel: str) -> float | None:
    """What is proved: of "at least" that much, of an interval its lower end."""
    value = frame.values[channel]
    if value.quality is Quality.WITHIN and value.value is not None:
        return value.interval()[0]
    return value.value if value.quality in (Quality.GOOD, Quality.SATURATED_HIGH) else None


def _count_alerts(events: list[dict[str, Any]], first_ns: int) -> list[AlertCount]:
    counts: dict[str, AlertCount] = {}
    for event in events:
        if event.get("kind") != "alert" or not event.get("raised"):
            continue
        if event["what"] in NOTICES:
            # It would be in every drive of an example's limits, and each would count as one with an alert.
            continue
        alert, priority = str(event["what"]), str(event.get("priority", ""))
        before = counts.get(alert)
        first_s = before.first_s if before else round((event["t"] - first_ns) / 1e9, 3)
        if before and Priority[before.priority.upper()] > Priority[priority.upper()]:
            priority = before.priority
        counts[alert] = AlertCount(
            alert=alert, priority=priority, count=(before.count if before else 0) + 1, first_s=first_s
        )
    return sorted(counts.values(), key=lambda c: c.first_s)
