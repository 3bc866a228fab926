"""A drive in a few figures: peak boost, leanest under boost, alerts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.model import NOTICES, Frame, Priority
from cabcanary.recorder.mixture import MixtureUnderBoost, proved
from cabcanary.settings.derived import BoostChannel
from cabcanary.store.manifest import AlertCount

if TYPE_CHECKING:
    from cabcanary.plan.plan import Plan


class Summary:
    """Takes in a drive frame by frame; `result` is what its manifest says. Without a plan only alerts are counted."""

    def __init__(self, plan: Plan | None) -> None:
        channels = plan.settings.channels if plan else {}
        self._boost = next((n for n, c in channels.items() if isinstance(c, BoostChannel)), None)
        self._unit = channels[self._boost].unit if self._boost else None
        self._mixture = MixtureUnderBoost(plan) if plan else None
        self._peak: float | None = None

    def add(self, frame: Frame) -> None:
        """One frame."""
        if self._mixture is not None:
            self._mixture.add(frame)
        if self._boost is None:
            return
        boost = proved(frame, self._boost)
        if boost is not None and (self._peak is None or boost > self._peak):
            self._peak = boost

    def result(self, events: list[dict[str, Any]], first_ns: int) -> dict[str, Any]:
        """The manifest's figures; alerts are counted from the recorded events."""
        found: dict[str, Any] = {"alerts": _count_alerts(events, first_ns)}
        if self._boost is not None:
            found |= {"boost_unit": self._unit, "peak_boost": None if self._peak is None else round(self._peak, 3)}
        return found | (self._mixture.result() if self._mixture is not None else {})


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
