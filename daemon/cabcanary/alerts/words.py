"""All texts of alerts: in the cab the action first and few words, elsewhere the figures with band and limit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.model import USABLE, Event, EventKind, Quality
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.model import Frame
    from cabcanary.rules.engine import Change

#: What a driver takes in while driving.
MOST_WORDS = 4

STOPPED = "stopped: this vehicle is no longer watched"
MONITOR_STOPPED = "THE MONITOR HAS STOPPED: nobody watches this vehicle"
STAY_OUT_OF_BOOST = "stay out of boost until it has been looked into"


class Line(NamedTuple):
    """Something to be said in the cab. Each time an alert is raised its line gets a new `number`, and is said once."""

    number: int
    #: The alert's priority: words of a lower one never begin while those of a higher one are said.
    rank: int
    words: str


def action(do: str) -> str:
    """What to do, in at most four words: the first clause, or as much of it as fits.

    `Switch off loads, go home` becomes `Switch off loads`.
    """
    clause = do.split(",", maxsplit=1)[0].split(";", maxsplit=1)[0].strip().rstrip(".")
    return " ".join(clause.split()[:MOST_WORDS])


def cab_words(change: Change) -> str:
    """The text spoken in the cab: the action, then the alert's name, and why something cannot be seen."""
    why = f": {change.reason}" if change.reason else ""
    return f"{action(change.do)}. {change.say}{why}."


def alert_event(change: Change) -> Event:
    """A change of an alert's state as an event for the feed and the drive's record."""
    raised = change.sounds
    text = f"{change.do}. {change.say}." if raised else f"{change.say}: {change.state}"
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
        "latched": change.latched,
        "shelved": change.shelved,
    }
    if change.measured:
        data["measured"] = list(change.measured)
    return Event(change.time_ns, EventKind.ALERT, change.alert, text, data)


def log_line(event: Event, clock_s: float) -> str:
    """An event as a line of the log; `clock_s` counts from the daemon's start."""
    label = str(event.kind)
    if event.kind is EventKind.ALERT:
        label = str(event.data.get("priority", label)) if event.data.get("raised") else "alert"
    return f"{clock_s:9.2f} s  {label.upper():<11} {event.text}"


# --- the start and the end --------------------------------------------------------------------------------------


def proof_line(heard_by: list[str], lamp: bool | None, frame: Frame | None, units: Mapping[str, str]) -> str:
    """The start-up proof in one line: the outputs sounded and lit, and each measured channel's state.

    `lamp` is None where there is none. Whether it was heard and seen, only a person can tell.
    """
    parts = [f"sounded by {', '.join(heard_by)}" if heard_by else "NO SOUND: nothing that sounds is set up or works"]
    if lamp is not None:
        parts.append("lamp lit" if lamp else "NO LAMP")
    if frame is None:
        parts.append("nothing has been read yet")
    else:
        parts += [_channel_state(name, frame, symbol) for name, symbol in units.items()]
    return "start-up proof: " + "; ".join(parts)


def _channel_state(name: str, frame: Frame, symbol: str) -> str:
    value = frame.values[name]
    if value.value is not None and value.quality in USABLE:
        unit = "" if symbol in ("lambda", "state", "ratio") else f" {symbol}"
        if value.quality is Quality.WITHIN:
            low, high = value.interval()
            return f"{name} {spelt(low, 4)} to {spelt(high, 4)}{unit}"
        end = "" if value.quality is Quality.GOOD else f" ({value.quality.words})"
        return f"{name} {spelt(value.value, 4)}{unit}{end}"
    return f"{name} {value.quality.words.upper()}"


def mixture_under_boost(drive: Mapping[str, Any]) -> str:
    """How lean a drive was under boost, from its manifest's figures; empty where no mixture was seen under boost."""
    parts = []
    if drive.get("leanest_under_boost") is not None:
        at = f"{drive['leanest_at_boost']:.1f} {drive.get('boost_unit') or ''}"
        parts.append(f"lambda {drive['leanest_under_boost']:.3f} at {at.strip()}")
    if drive.get("lambda_95_under_boost") is not None:
        parts.append(f"95 % up to {drive['lambda_95_under_boost']:.3f}")
    return ", ".join(parts)


def arrival_line(drive: Mapping[str, Any]) -> str:
    """A drive in one line, from `arrival.summary`: minutes, peak boost, leanest under boost, seconds blind, alerts."""
    unit = drive.get("boost_unit") or ""
    parts = [f"{drive['minutes']:.0f} min" if drive["minutes"] >= 1 else f"{60 * drive['minutes']:.0f} s"]
    if drive.get("peak_boost") is not None:
        parts.append(f"peak boost {drive['peak_boost']:.1f} {unit}")
    if mixture := mixture_under_boost(drive):
        parts.append(f"leanest under boost {mixture}")
    elif drive.get("peak_boost") is not None:
        parts.append("no mixture seen under boost")
    parts.append(f"blind {drive['blind_s']:.0f} s")
    alerts = drive.get("alerts") or []
    counted = [a["alert"] + (f" ×{a['count']}" if a["count"] > 1 else "") for a in alerts]
    parts.append("alerts: " + ", ".join(counted) if counted else "no alerts")
    return "; ".join(parts)
