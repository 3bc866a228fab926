"""What a scenario file may say: its tables and their keys."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from cabcanary.validation.base import Strict
from cabcanary.validation.problems import nearest
from cabcanary.validation.quantities import Seconds, quantity_of
from cabcanary_bench.drives.expected import Shown
from cabcanary_bench.faults.circumstances import CircumstanceKind
from cabcanary_bench.faults.faults import FaultKind


def _a_kind(kinds: type[FaultKind | CircumstanceKind], what: str) -> BeforeValidator:
    def validate(raw: Any) -> Any:
        known = [str(k) for k in kinds]
        if raw not in known:
            raise ValueError(f"there is no {what} '{raw}'; {nearest(str(raw), known)}")
        return kinds(raw)

    return BeforeValidator(validate)


def _or_free(validate: Any) -> BeforeValidator:
    return BeforeValidator(lambda raw: raw if raw == "free" else validate(raw))


Speed = Annotated[float, BeforeValidator(quantity_of("km/h"))]  # m/s
Share = Annotated[float, BeforeValidator(quantity_of("%"))]
Pedal = Annotated[float | Literal["free"], _or_free(quantity_of("%"))]
Kelvin = Annotated[float, BeforeValidator(quantity_of("°C"))]


class DriverEntry(Strict):
    """From `at` on the driver does this; fields not named stay as before. A start lasts until the next entry."""

    at: Seconds
    name: str = ""
    key: Literal["on", "off", "start"] | None = None
    speed: Speed | None = None
    #: The speed is reached evenly within this.
    within: Seconds = 0.0
    #: Follow the WLTC speed trace from this second of it on.
    trace: Seconds | None = None
    grade: Share | None = None
    pedal: Pedal | None = None
    gear: Annotated[int, Field(ge=1, le=6)] | Literal["free"] | None = None


class FaultEntry(Strict):
    """Something that goes wrong."""

    name: str = ""
    kind: Annotated[FaultKind, _a_kind(FaultKind, "fault")]
    at: Seconds
    until: Seconds | None = None
    severity: float = Field(default=1.0, ge=0, le=1)
    onset: Seconds = 0.0


class CircumstanceEntry(Strict):
    """Something ordinary that looks like a fault."""

    name: str = ""
    kind: Annotated[CircumstanceKind, _a_kind(CircumstanceKind, "circumstance")]
    at: Seconds
    until: Seconds | None = None
    amount: float = 1.0


class ExpectEntry(Strict):
    """An alert that must sound, alerts that must be silent, or an event that must be told: exactly one of them."""

    name: str = ""
    sounds: str | None = None
    silent: str | list[str] | None = None
    tells: str | None = None
    after: str | None = None
    at: Seconds | None = None
    until: Seconds | None = None
    within: Seconds | None = None
    shown: Shown | None = None


class RecordingEntry(Strict):
    """What the recorder must have kept."""

    drives: int = Field(default=1, ge=0)
    recovered: int = Field(default=0, ge=0)
    lost: Seconds = 0.0


class ScenarioFile(Strict):
    """A whole file."""

    about: str = Field(min_length=1)
    length: Seconds
    start_coolant: Kelvin | None = None
    towed_kg: float = Field(default=0.0, ge=0)
    fastest: float = Field(default=math.inf, ge=1)
    may_sound: list[str] = Field(default=[])
    driver: list[DriverEntry] = Field(min_length=1)
    fault: list[FaultEntry] = Field(default=[])
    circumstance: list[CircumstanceEntry] = Field(default=[])
    expect: list[ExpectEntry] = Field(min_length=1)
    recording: RecordingEntry = RecordingEntry()
