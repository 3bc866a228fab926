"""A drive in a few figures: peak boost, leanest under boost, alerts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.model import Frame, Priority, Quality
from cabcanary.settings.derived import AsBurntChannel, BoostChannel, FuelCutChannel
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.store.manifest import AlertCount

if TYPE_CHECKING:
    from cabcanary.plan import Plan

#: Boost begins to count at 2 psi: below it the manifold may just be full of air at a wide throttle.
UNDER_BOOST_PA = units.unit("psi").to_si(2.0)


def summarise(plan: Plan | None, frames: list[Frame], events: list[dict[str, Any]], first_ns: int) -> dict[str, Any]:
    """The manifest's figures of a drive; alerts are counted from the recorded events."""
    found: dict[str, Any] = {"alerts": _count_alerts(events, first_ns)}
    if plan is None:
        return found
    channels = plan.settings.channels
    boost = next((n for n, c in channels.items() if isinstance(c, BoostChannel)), None)
    if boost is None:
        return found
    peak = max((v for f in frames if (v := _good(f, boost)) is not None), default=None)
    found |= {"boost_unit": channels[boost].unit, "peak_boost": None if peak is None else round(peak, 3)}
    mixture = next((n for n, c in channels.items() if isinstance(c, MeasuredChannel) and c.measures == "lambda"), None)
    then = next((n for n, c in channels.items() if isinstance(c, AsBurntChannel) and c.of == boost), boost)
    mask = next((n for n, c in channels.items() if isinstance(c, FuelCutChannel)), None)
    leanest = _leanest(frames, then, mixture, mask, UNDER_BOOST_PA / units.unit(channels[boost].unit).factor)
    if leanest is not None:
        found |= {"leanest_under_boost": round(leanest[0], 4), "leanest_at_boost": round(leanest[1], 3)}
    return found


def _leanest(
    frames: list[Frame], boost: str, mixture: str | None, mask: str | None, under: float
) -> tuple[float, float] | None:
    """The leanest mixture, and the boost that it was burnt under."""
    if mixture is None:
        return None
    found: tuple[float, float] | None = None
    for frame in frames:
        pressure, lean = _good(frame, boost), _good(frame, mixture)
        if pressure is None or lean is None or pressure < under:
            continue
        if mask is not None and frame.values[mask].value:
            continue
        if found is None or lean > found[0]:
            found = lean, pressure
    return found


def _good(frame: Frame, channel: str) -> float | None:
    value = frame.values[channel]
    return value.value if value.quality in (Quality.GOOD, Quality.SATURATED_HIGH) else None


def _count_alerts(events: list[dict[str, Any]], first_ns: int) -> list[AlertCount]:
    counts: dict[str, AlertCount] = {}
    for event in events:
        if event.get("kind") != "alert" or not event.get("raised"):
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
