"""What a reader of the feed is told of how things are: who watches what, the alerts that stand, what is seen now."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from cabcanary import __version__
from cabcanary.model import NOTICES, Event, EventKind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.clock import Clock
    from cabcanary.model import Frame, Quality, Value
    from cabcanary.plan.plan import Plan
    from cabcanary.processes.status import Status


class Standing:
    """The alerts that stand, the drive and the recorder as last told, and the newest frame."""

    def __init__(self, plan: Plan, clock: Clock, statuses: Mapping[str, Status]) -> None:
        self._plan, self._clock, self._statuses = plan, clock, statuses
        self._alerts: dict[str, Event] = {}
        self._coverage = plan.coverage.as_json()
        self._roots = plan.pipeline().roots()
        self._started_ns = clock.now_ns()
        self._frame: Frame | None = None
        #: Of each channel its quality, and since when it has had it, ns.
        self._since: dict[str, tuple[Quality, int]] = {}
        self._drive: dict[str, Any] | None = None
        self._last_drive: dict[str, Any] | None = None
        self._recorder: dict[str, Any] = {"ok": True, "text": "", "since": self._started_ns}

    def take_plan(self, plan: Plan) -> None:
        """Other settings are in force; a notice of a start goes, and comes again where it still holds."""
        self._plan, self._coverage, self._roots = plan, plan.coverage.as_json(), plan.pipeline().roots()
        self._since = {n: s for n, s in self._since.items() if n in plan.channel_units}
        self._alerts = {n: e for n, e in self._alerts.items() if n not in NOTICES}
        self._frame = None

    def look(self, frame: Frame) -> None:
        """Take in a frame, once per tick, after everything has sounded that must: it only compares."""
        self._frame, since = frame, self._since
        for name, value in frame.values.items():
            known = since.get(name)
            if known is None or known[0] is not value.quality:
                since[name] = (value.quality, frame.time_ns)

    def take(self, event: Event) -> None:
        """Take in an event that is told."""
        if event.kind is EventKind.DRIVE:
            self._take_drive(event)
        if event.kind is EventKind.RECORDER and event.what in ("ok", "failed") and "ok" in event.data:
            self._recorder = {"ok": event.data["ok"], "text": event.text, "since": event.time_ns}
        if event.kind is not EventKind.ALERT:
            return
        # A notice has no state of its own: it stands as long as the monitor runs.
        if "state" not in event.data or event.data["active"] or not event.data["acknowledged"]:
            self._alerts[event.what] = event
        else:
            self._alerts.pop(event.what, None)

    def _take_drive(self, event: Event) -> None:
        told = {"drive": str(event.data.get("drive", "")), "text": event.text, "since": event.time_ns}
        if event.what == "started":
            self._drive = told
        elif event.what == "ended":
            self._drive, self._last_drive = None, told
        elif event.what == "arrival":
            self._last_drive = told

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

    def status(self) -> dict[str, Any]:
        """All of it, with the newest value of every channel. Times are this clock's, ns."""
        values = {} if self._frame is None else self._frame.values
        return {
            **self.hello(),
            "config": str(self._plan.file),
            "folder": str(self._plan.settings.daemon.folder),
            "started": self._started_ns,
            "ticked": None if self._frame is None else self._frame.time_ns,
            "channels": {name: self._channel(name, value) for name, value in values.items()},
            "alerts": [event.as_json() for event in self.alerts()],
            "drive": self._drive,
            "last_drive": self._last_drive,
            "recorder": self._recorder,
        }

    def _channel(self, name: str, value: Value) -> dict[str, Any]:
        return {
            "value": value.value,
            "unit": self._plan.channel_units[name],
            "uncertainty": value.uncertainty or None,
            "quality": value.quality.words,
            "reason": value.reason,
            "since": self._since[name][1],
            "read": value.time_ns,
            "made_of": [root for root in self._roots[name] if root != name],
        }
