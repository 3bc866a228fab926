"""What is said of an alert, in one place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.model import Event, EventKind

if TYPE_CHECKING:
    from cabcanary.rules.engine import Change


def alert_event(change: Change) -> Event:
    """A change of an alert's state as an event for the feed and the drive's record."""
    raised = change.sounds
    text = f"{change.say}. {change.do}." if raised else f"{change.say}: {change.state}"
    if raised and change.figures:
        text += f" ({change.figures})"
    data = {
        "state": change.state,
        "active": change.active,
        "acknowledged": change.acknowledged,
        "raised": raised,
        "priority": change.priority.word,
        "blind": change.blind,
        "say": change.say,
        "do": change.do,
        "figures": change.figures,
    }
    return Event(change.time_ns, EventKind.ALERT, change.alert, text, data)


def log_line(event: Event, clock_s: float) -> str:
    """An event as a line of the log; `clock_s` counts from the daemon's start."""
    label = str(event.kind)
    if event.kind is EventKind.ALERT:
        label = str(event.data.get("priority", label)) if event.data.get("raised") else "alert"
    return f"{clock_s:9.2f} s  {label.upper():<11} {event.text}"
