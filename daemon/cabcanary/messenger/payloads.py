"""The published messages as models: the JSON Schemas that are shipped beside this file are made from them.

`python -m cabcanary.messenger.payloads FOLDER` writes the schemas.
"""

from __future__ import annotations

import hashlib
import json
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMAS = Path(__file__).with_name("schemas")


class _Payload(BaseModel):
    # A subscriber should take keys that it does not know: a newer version may add some.
    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


class _Message(_Payload):
    """Every message that is kept until the broker has it."""

    id: str = Field(description="the same for the same event, however often it arrives: for de-duplication")
    vehicle: str
    t: int = Field(description="the monitor's monotonic clock, ns: orders events, and never jumps")
    time: str = Field(description="UTC by the computer's wall clock, ISO 8601; wrong until it has been set")
    text: str = Field(description="in plain words")


class AlertLimit(_Payload):
    """A limit that something was held against."""

    comparison: Literal[">", ">=", "<", "<="]
    value: float | None = Field(default=None, description="absent where it cannot be told")
    unit: str
    sureness: Literal["likely", "possible", "certain"] = Field(
        description="whether the value itself, or one within two uncertainties, or all of those had to pass the limit"
    )


class AlertFigure(_Payload):
    """What the alert's rule saw of one channel, or worked out from several."""

    channel: str = Field(description="its name; of what is worked out from several, the words of the rule")
    value: float | None = Field(default=None, description="absent where there is none; the quality says why")
    unit: str = Field(description="that of value and uncertainty")
    uncertainty: float | None = Field(default=None, description="standard uncertainty; absent where nobody stated one")
    quality: str = Field(
        description="good, within, saturated high (at least this), saturated low (at most), or why not"
    )
    limits: list[AlertLimit] = []


class AlertMessage(_Message):
    """The state of one alert, retained: topic `alert/<id>`."""

    alert: str
    state: str = Field(description="as OPC UA Part 9 and ISA-18.2 use the words")
    active: bool
    acknowledged: bool
    raised: bool = Field(description="it asks for attention: it stands, and nobody has taken note or put it aside")
    priority: Literal["warning", "caution", "advisory"]
    blind: bool = Field(description="the monitor cannot see what this is about")
    say: str = ""
    do: str = ""
    figures: str = Field(default="", description="each value with its band and unit, and the limit it was held against")
    measured: list[AlertFigure] = Field(
        default=[], description="the same as numbers; empty where nothing measured led to this change"
    )
    latched: bool = Field(default=False, description="it has gone, and stays until somebody has taken note")
    shelved: bool = Field(default=False, description="a person has put it aside for a time")


class AlertCounted(_Payload):
    """How often one alert was raised in a drive."""

    alert: str
    priority: str
    count: int


class DriveSummary(_Payload):
    """A drive in figures."""

    drive: str
    start: str
    stage: str
    minutes: float
    recovered: bool = Field(description="cut off (power), and put together from its journal")
    boost_unit: str | None
    peak_boost: float | None
    leanest_under_boost: float | None = Field(description="lambda that lasted 0.3 s, by the masks of the rules")
    leanest_at_boost: float | None
    lambda_95_under_boost: float | None = Field(default=None, description="95 % of the ticks under boost not above it")
    blind_s: float
    alerts: list[AlertCounted]


class DriveMessage(_Message):
    """A drive has started or ended: topic `drive`; the last one is retained."""

    what: Literal["started", "ended"]
    drive: str


class ArrivalMessage(_Message):
    """The last drive that has been summed up: topic `arrival`, retained; a drive may be under way again."""

    drive: str
    summary: DriveSummary
    again: bool = Field(default=False, description="told again at the next start")


class EventMessage(_Message):
    """Everything else that happens: topic `event`."""

    kind: str
    what: str
    ok: bool | None = None
    alert: str | None = Field(default=None, description="the alert that a sound is for")
    alerts: list[str] | None = Field(default=None, description="those that were acknowledged")
    count: int | None = Field(default=None, description="how many at once, or how many were lost")


class WatchedFor(_Payload):
    """One thing that this vehicle is watched for, and how well."""

    watched_for: str
    watched: Literal["yes", "less well", "no", "not needed yet"]
    why: list[str] = Field(description="why not better, in plain words")


class CoverageMessage(_Message):
    """What this vehicle is watched for with the sensors that it has: topic `coverage`, retained."""

    coverage: list[WatchedFor]


class ChannelValue(_Payload):
    """A channel as it is."""

    value: float | None
    unit: str
    quality: str


class ValuesMessage(_Payload):
    """Chosen channels at a low rate, neither kept nor retained: topic `values`."""

    vehicle: str
    t: int
    time: str
    values: dict[str, ChannelValue]


class CommandMessage(_Payload):
    """A message accepted at topic `command`, if that is enabled. A retained one is ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    do: Literal["acknowledge"]


#: By the file's name.
MODELS: dict[str, type[BaseModel]] = {
    "alert": AlertMessage,
    "drive": DriveMessage,
    "arrival": ArrivalMessage,
    "coverage": CoverageMessage,
    "event": EventMessage,
    "values": ValuesMessage,
    "command": CommandMessage,
}

_DRIVE_KEYS = tuple(DriveSummary.model_fields)


def event_id(boot: str, event: dict[str, Any]) -> str:
    """The same for the same event of the same start of the computer, whoever computes it and however often."""
    text = json.dumps(event, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(f"{boot} {text}".encode()).hexdigest()[:20]


def wall_time(ns: int) -> str:
    """Wall-clock ns as ISO 8601, UTC."""
    return datetime.fromtimestamp(ns / 1e9, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def message_of(event: dict[str, Any], identity: str, vehicle: str, wall: str) -> tuple[str, bool, _Message]:
    """An event of the feed -> the topic below the configured one, whether it is retained, and the message."""
    base = {"id": identity, "vehicle": vehicle, "t": event["t"], "time": wall, "text": event["text"]}
    kind, what = event["kind"], str(event["what"])
    if kind == "alert":
        known = {k: event[k] for k in AlertMessage.model_fields if k in event}
        # A notice at the start that has no state of its own is as if acknowledged.
        given = {"state": "normal", "active": False, "acknowledged": True, "raised": False, **known, **base}
        return f"alert/{what}", True, AlertMessage(alert=what, **given)
    if kind == "drive" and what in ("started", "ended"):
        return "drive", True, DriveMessage(what=what, drive=event["drive"], **base)
    if kind == "drive" and what == "arrival":
        summary = DriveSummary(**{k: event[k] for k in _DRIVE_KEYS if k in event})
        again = bool(event.get("again", False))
        return "arrival", True, ArrivalMessage(drive=event["drive"], summary=summary, again=again, **base)
    if kind == "monitor" and what == "coverage":
        return "coverage", True, CoverageMessage(coverage=event["coverage"], **base)
    extra = {k: event[k] for k in ("ok", "alert", "alerts", "count") if k in event}
    return "event", False, EventMessage(kind=kind, what=what, **extra, **base)


def lost_message(identity: str, vehicle: str, t_ns: int, count: int, why: str) -> EventMessage:
    """An event of the messenger's own: so many messages are lost. `t_ns` is the monitor's clock."""
    return EventMessage(
        id=identity,
        vehicle=vehicle,
        t=t_ns,
        time=wall_time(time.time_ns()),
        text=f"{count} {'message is' if count == 1 else 'messages are'} lost: {why}",
        kind="helper",
        what="outbox",
        ok=False,
        count=count,
    )


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a kind of payload, in keywords that every draft since 4 understands."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **_plain(MODELS[name].model_json_schema())}


def _plain(part: Any) -> Any:
    """`const` came with draft 6: a subscriber with an older library would pass over it, and take anything."""
    if isinstance(part, list):
        return [_plain(p) for p in part]
    if not isinstance(part, dict):
        return part
    return {("enum" if k == "const" else k): ([v] if k == "const" else _plain(v)) for k, v in part.items()}


def schema_text(name: str) -> str:
    """The schema as its file holds it."""
    return json.dumps(schema(name), indent=1, ensure_ascii=False) + "\n"


def main() -> int:
    """Write every schema into a folder."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else SCHEMAS
    folder.mkdir(parents=True, exist_ok=True)
    for name in MODELS:
        (folder / f"{name}.schema.json").write_text(schema_text(name), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
