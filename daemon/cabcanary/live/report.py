"""The daemon's answer, judged: what stands, what cannot be seen, what to do about it.

The models are what `cabcanary status --json` gives; `python -m cabcanary.live.report` writes their schema.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from cabcanary.model import USABLE, Quality

SCHEMA = Path(__file__).with_name("status.schema.json")
#: A daemon whose newest tick is older than this does not watch, s: 50 of them are due in a second.
_TICK_S = 1.0
_NS = 1e9

_USABLE = {q.words for q in USABLE}
#: What to do about a value that cannot be used; the reason beside it says what is wrong.
_DO = {
    Quality.WARMING: "Wait until it is warm, and stay out of boost until then",
    Quality.OUT_OF_RANGE: "Look at its plug, wires and supply: open or shorted ones read like this",
    Quality.STUCK: "Look at the sensor and its plug: a live signal always moves a little",
    Quality.IMPLAUSIBLE: "Compare it with what it contradicts, the engine off: one of the two is wrong",
    Quality.STALE: "See whether its sensor has power and its wire is plugged in",
    Quality.ABSENT: "See whether its sensor has power and its wire is plugged in",
}
_DO_BY_WORDS = {q.words: words for q, words in _DO.items()}

State = Literal["watching", "attention", "wrong", "no daemon"]
EXIT_CODES: dict[State, int] = {"watching": 0, "attention": 1, "wrong": 2, "no daemon": 3}


class _Part(BaseModel):
    # A reader should take keys that it does not know: a newer version may add some.
    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


class Channel(_Part):
    """A channel as it is at the newest tick."""

    value: float | None = Field(description="absent where there is none; the quality says why")
    unit: str = Field(description="that of value and uncertainty")
    uncertainty: float | None = Field(description="standard uncertainty; absent where nobody stated one")
    low: float | None = Field(description="value less two uncertainties, where both are known")
    high: float | None = Field(description="value and two uncertainties, where both are known")
    quality: str
    usable: bool = Field(description="whether it may feed a rule")
    reason: str = Field(description="why the quality is not good, in plain words")
    for_s: float = Field(description="how long the quality has been as it is, seconds")
    made_of: list[str] = Field(
        description="channels to blame where it cannot be seen: those measured ones that it is worked out from"
    )


class Unseen(_Part):
    """A channel that cannot be used, and those that are lost with it."""

    channel: str
    quality: str
    why: str
    do: str
    for_s: float
    lost_with_it: list[str]


class Standing(_Part):
    """An alert that stands."""

    alert: str
    priority: str
    state: str = Field(description="as OPC UA Part 9 and ISA-18.2 use the words; empty for a notice")
    say: str
    do: str
    figures: str
    blind: bool
    acknowledged: bool
    shelved: bool
    for_s: float = Field(description="seconds since it changed last")


class WatchedFor(_Part):
    """One thing that this vehicle is watched for, and how well."""

    watched_for: str
    watched: Literal["yes", "less well", "no", "not needed yet"]
    why: list[str]


class PartState(_Part):
    """A source of readings, or a helper of the monitor."""

    name: str
    ok: bool | None = Field(description="null while it is starting")
    text: str


class Drive(_Part):
    """A drive under way, or the last one."""

    drive: str
    text: str
    for_s: float = Field(description="seconds since it began, or since this was told")


class Recorder(_Part):
    """Whether drives are recorded."""

    ok: bool
    text: str
    drive: Drive | None
    last_drive: Drive | None
    free_bytes: int | None
    size_bytes: int | None
    disk_problem: str


class Client(_Part):
    """A reader of the feed."""

    pid: int
    user: int
    kind: str
    frames_hz: float
    skipped: int = Field(description="lines that it missed because it did not read")


class Report(_Part):
    """`cabcanary status --json`: one line each time."""

    state: State
    exit_code: Literal[0, 1, 2, 3]
    problem: str = Field(default="", description="why there is no answer, and what to do; empty where there is one")
    vehicle: str = ""
    stage: str = ""
    software: str = ""
    pid: int | None = None
    watching_for_s: float | None = None
    tick_age_s: float | None = Field(default=None, description="age of the newest tick")
    late_ticks: int = 0
    alerts: list[Standing] = []
    cannot_see: list[Unseen] = []
    channels: dict[str, Channel] = {}
    coverage: list[WatchedFor] = []
    parts: list[PartState] = []
    recorder: Recorder | None = None
    clients: list[Client] = []


def no_answer(problem: str, *, wrong: bool) -> Report:
    """A report where nothing could be asked."""
    state: State = "wrong" if wrong else "no daemon"
    return Report(state=state, exit_code=EXIT_CODES[state], problem=problem)


def report(answer: dict[str, Any]) -> Report:
    """The daemon's answer, judged.

    Raises:
        ValueError: this is no answer of a daemon of this version.
    """
    try:
        return _report(answer)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"the daemon is of another version ({answer.get('software', 'unknown')})") from error


def _report(answer: dict[str, Any]) -> Report:
    now: int = answer["now"]

    def ago(t_ns: int) -> float:
        """Seconds of the daemon's clock, which only on a bench is another than the kernel's."""
        return max(0.0, (now - t_ns) / _NS)

    channels = {name: _channel(told, ago(told["since"])) for name, told in answer["channels"].items()}
    unseen = _unseen(channels)
    alerts = [_standing(told, ago(told["t"])) for told in answer["alerts"]]
    tick_age_s = None if answer["ticked"] is None else ago(answer["ticked"]) / answer["speed"]
    parts = [PartState(name=name, **told) for name, told in answer["sources"].items()]
    recorder = _recorder(answer, ago)
    dead = tick_age_s is None or tick_age_s > _TICK_S
    ill = dead or bool(alerts or unseen) or not recorder.ok or any(part.ok is False for part in parts)
    state: State = "attention" if ill else "watching"
    return Report(
        state=state,
        exit_code=EXIT_CODES[state],
        vehicle=answer["vehicle"],
        stage=answer["stage"],
        software=answer["software"],
        pid=answer["pid"],
        watching_for_s=ago(answer["started"]),
        tick_age_s=tick_age_s,
        late_ticks=answer["late_ticks"],
        alerts=sorted(alerts, key=lambda a: (_RANK.index(a.priority) if a.priority in _RANK else 9, a.for_s)),
        cannot_see=unseen,
        channels=channels,
        coverage=[WatchedFor(**told) for told in answer["coverage"]],
        parts=parts,
        recorder=recorder,
        clients=[Client(**told) for told in answer["clients"]],
    )


_RANK = ("warning", "caution", "advisory")


def _channel(told: dict[str, Any], for_s: float) -> Channel:
    value, band = told["value"], told["uncertainty"]
    low, high = (None, None) if value is None or band is None else (value - 2 * band, value + 2 * band)
    kept = {k: told[k] for k in ("value", "unit", "uncertainty", "quality", "reason", "made_of")}
    return Channel(**kept, low=low, high=high, usable=told["quality"] in _USABLE, for_s=for_s)


def _unseen(channels: dict[str, Channel]) -> list[Unseen]:
    """The channels that cannot be used. One that is worked out from another one of them is told beside it."""
    lost = {name: channel for name, channel in channels.items() if not channel.usable}
    found = []
    for name, channel in lost.items():
        if any(root in lost for root in channel.made_of):
            continue
        with_it = [n for n, other in lost.items() if name in other.made_of]
        do = _DO_BY_WORDS.get(channel.quality, "Look at its sensor and wires")
        if channel.made_of:
            do = f"It is worked out from {', '.join(channel.made_of)}: wait until these have said enough"
        why = channel.reason or channel.quality
        found.append(
            Unseen(channel=name, quality=channel.quality, why=why, do=do, for_s=channel.for_s, lost_with_it=with_it)
        )
    return found


def _standing(told: dict[str, Any], for_s: float) -> Standing:
    text, do = str(told["text"]), str(told.get("do", ""))
    return Standing(
        alert=told["what"],
        priority=told.get("priority", ""),
        state=told.get("state", ""),
        # A notice is a sentence that says both.
        say=str(told.get("say") or text),
        do=do,
        figures=str(told.get("figures", "")),
        blind=bool(told.get("blind")),
        acknowledged=bool(told.get("acknowledged")),
        shelved=bool(told.get("shelved")),
        for_s=for_s,
    )


def _recorder(answer: dict[str, Any], ago: Any) -> Recorder:
    def drive(told: dict[str, Any] | None) -> Drive | None:
        return None if told is None else Drive(drive=told["drive"], text=told["text"], for_s=ago(told["since"]))

    disk, told = answer["disk"], answer["recorder"]
    return Recorder(
        ok=told["ok"],
        text=told["text"],
        drive=drive(answer["drive"]),
        last_drive=drive(answer["last_drive"]),
        free_bytes=disk["free"],
        size_bytes=disk["size"],
        disk_problem=disk["problem"],
    )


def schema_text() -> str:
    """The JSON Schema as its file holds it."""
    model = Report.model_json_schema(mode="serialization")
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **model}
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def main() -> int:
    """Write the schema into its file, or into the one that is named."""
    (Path(sys.argv[1]) if len(sys.argv) > 1 else SCHEMA).write_text(schema_text(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
