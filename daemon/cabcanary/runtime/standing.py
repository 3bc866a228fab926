"""What a new reader of the feed is told first: who watches what, and the alerts that stand."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from cabcanary import __version__
from cabcanary.model import Event, EventKind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.clock import Clock
    from cabcanary.plan.plan import Plan
    from cabcanary.processes.status import Status


class Standing:
    """The alerts that stand, as last told."""

    def __init__(self, plan: Plan, clock: Clock, statuses: Mapping[str, Status]) -> None:
        self._plan, self._clock, self._statuses = plan, clock, statuses
        self._alerts: dict[str, Event] = {}
        self._coverage = plan.coverage.as_json()

    def take(self, event: Event) -> None:
        """Take in an event that is told."""
        if event.kind is not EventKind.ALERT:
            return
        # A notice has no state of its own: it stands as long as the monitor runs.
        if "state" not in event.data or event.data["active"] or not event.data["acknowledged"]:
            self._alerts[event.what] = event
        else:
            self._alerts.pop(event.what, None)

    def alerts(self) -> list[Event]:
        """Every alert that stands."""
        return list(self._alerts.values())

    def hello(self) -> dict[str, Any]:
        """Who watches what, and how its sources stand."""
        vehicle = self._plan.settings.vehicle
        return {
            "software": __version__,
            "vehicle": vehicle.name,
            "stage": vehicle.stage,
            "coverage": self._coverage,
            "units": self._plan.channel_units,
            "speed": self._clock.speed,
            "now": self._clock.now_ns(),
            "pid": os.getpid(),
            "sources": {s.name: {"ok": s.ok, "text": s.words} for s in self._statuses.values()},
        }
