"""Reading, Value, Frame, Event: the few things every room passes around."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import Any, NamedTuple


class Quality(IntEnum):
    """How far a value can be trusted. Those in `USABLE` may feed a rule, SATURATED only on the side it proves.

    The numbers are part of the journal's format and never change.
    """

    GOOD = 0
    SATURATED_HIGH = 1  # at the high end of the range: "at least this"
    SATURATED_LOW = 2  # at the low end of the range: "at most this"
    WARMING = 3
    OUT_OF_RANGE = 4  # short, open, rail
    STUCK = 5
    IMPLAUSIBLE = 6  # contradicts another channel
    STALE = 7
    ABSENT = 8
    WITHIN = 9  # not measured now: anywhere within two uncertainties of the value, all of it equally likely

    @property
    def words(self) -> str:
        """The quality as shown to a person."""
        return self.name.lower().replace("_", " ")


#: What a rule may be asked of, and what may be calculated with.
USABLE = (Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW, Quality.WITHIN)
#: How a compressor makes boost: air for each turn of the engine, by the square of its speed, or driven by the exhaust.
COMPRESSOR_KINDS = ("displacement", "centrifugal", "turbo")
#: A compressor of which nobody has said the kind.
UNKNOWN_KIND = "unknown"


class Priority(IntEnum):
    """Alert priorities as 14 CFR 25.1322 uses the words; a higher number has the cab first."""

    ADVISORY = 1
    CAUTION = 2
    WARNING = 3

    @property
    def word(self) -> str:
        """The priority as written in rule files and messages."""
        return self.name.lower()


class Reading(NamedTuple):
    """A reading of one wire: a number in the wire's own unit, or the reason why there is none.

    `time_ns` is monotonic and taken as the bytes arrive. Where there is no number, `quality` is WARMING
    or ABSENT and `reason` says why in plain words.
    """

    source: str
    item: str
    value: float | None
    time_ns: int
    quality: Quality = Quality.GOOD
    reason: str = ""


class Value(NamedTuple):
    """An engineering value in its channel's unit, how uncertain it is, and how far to trust it.

    `value` is None when there is nothing to show; `time_ns` is the time of the reading behind it;
    `reason` says in plain words why the quality is not good.
    """

    value: float | None
    quality: Quality
    time_ns: int
    uncertainty: float = 0.0
    reason: str = ""

    def interval(self) -> tuple[float, float]:
        """Two uncertainties to each side; one that is WITHIN lies nowhere else. Only for one that has a value."""
        assert self.value is not None
        return self.value - 2.0 * self.uncertainty, self.value + 2.0 * self.uncertainty


@dataclass(frozen=True, slots=True)
class Frame:
    """Every channel's value at one tick. Rules, recorder, screen and backtest see frames and nothing else."""

    time_ns: int
    values: dict[str, Value]


class EventKind(StrEnum):
    """What an event tells of. The words are part of the files' format."""

    ALERT = "alert"
    SOUND = "sound"
    ACKNOWLEDGE = "acknowledge"
    SOURCE = "source"
    DRIVE = "drive"
    RECORDER = "recorder"
    HELPER = "helper"
    CLOCK = "clock"
    NOTE = "note"
    SHELVE = "shelve"
    LAMP = "lamp"
    #: The monitor about itself: the start-up proof, the notice that it stops.
    MONITOR = "monitor"


#: The notice at every start for as long as nobody has confirmed the limits. It tells of the settings, not of a drive.
LIMITS_NOT_CONFIRMED = "limits_not_confirmed"
#: The notice at every start while an engine under boost is not watched for what it must be.
NOT_WATCHED = "not_watched"
#: Events of a reload: other settings are in force, or those in force stay.
SETTINGS_TAKEN, SETTINGS_REFUSED = "settings_taken", "settings_refused"
#: The notices, which have no state of their own.
NOTICES = frozenset({LIMITS_NOT_CONFIRMED, NOT_WATCHED})
#: Alerts of the monitor about its own parts: an output does not work, nobody watches the monitor. They belong to no
#: rule, and say nothing of the vehicle.
OUTPUT_LOST, WATCHER_LOST = "output_lost", "watcher_lost"
OWN_ALERTS = frozenset({OUTPUT_LOST, WATCHER_LOST})


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at an instant: an alert's change of state, a sound, a source lost."""

    time_ns: int
    kind: EventKind
    what: str
    text: str
    data: dict[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """The event as it goes over the feed and into files."""
        return {"t": self.time_ns, "kind": str(self.kind), "what": self.what, "text": self.text, **self.data}
