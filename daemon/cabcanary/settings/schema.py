"""The shape of the settings file and of a rule file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, field_validator, model_validator

from cabcanary import units
from cabcanary.settings.base import Name, PinName, Strict
from cabcanary.settings.checks import Check
from cabcanary.settings.derived import DerivedChannel
from cabcanary.settings.quantities import FolderPath, Seconds, UnitSymbol
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.settings.wires import Source


class Vehicle(Strict):
    """Which vehicle, in which stage of its build, on which fuel."""

    name: str = Field(min_length=1, max_length=60)
    stage: str = Field(min_length=1, max_length=60)
    fuel: str = "E10"

    @field_validator("fuel")
    @classmethod
    def _known_fuel(cls, name: str) -> str:
        units.fuel_ratio(name)
        return name


class Limits(Strict):
    """Who has confirmed the limits. Until somebody has, they are examples, and every start says so."""

    confirmed_by: str = ""


class Daemon(Strict):
    """How the daemon runs and where it keeps what it must remember."""

    tick_hz: float = Field(default=50.0, ge=10, le=500)
    folder: FolderPath = Path("/var/lib/cabcanary")
    feed: FolderPath | None = None

    @property
    def feed_path(self) -> Path:
        """The Unix socket of the local feed."""
        return self.feed or self.folder / "feed.sock"


# --- Channels -----------------------------------------------------------------------------------------


def _channel_tag(raw: Any) -> str:
    derived = "derive" in raw if isinstance(raw, dict) else hasattr(raw, "derive")
    return "derived" if derived else "measured"


Channel = Annotated[
    Annotated[MeasuredChannel, Tag("measured")] | Annotated[DerivedChannel, Tag("derived")],
    Discriminator(_channel_tag),
]


# --- Outputs ------------------------------------------------------------------------------------------


class Buzzer(Strict):
    """A piezo on a PWM pin."""

    pin: PinName = 18


class Button(Strict):
    """One item of a gpio source that is a button."""

    source: Name
    item: Name


class Buttons(Strict):
    """What the driver can press."""

    acknowledge: Button | None = None
    #: "Remember this": a note in the drive at that moment.
    remember: Button | None = None


class Mqtt(Strict):
    """Where alerts are published; without this table nothing leaves the vehicle."""

    host: str = Field(min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
    topic: str = Field(default="cabcanary", pattern=r"^[^#+\s]+$")
    username: str | None = None
    #: A file that only its owner can read; the password never stands in the settings.
    password_file: FolderPath | None = None


class Drive(Strict):
    """When a drive starts and ends.

    `running` names the channel derived as engine_running, which judges by engine speed, or by a charging supply with
    the manifold's vacuum. With `ignition`, a channel that is not zero while the ignition is on, a drive is that time.
    """

    running: Name = "engine_running"
    ignition: Name | None = None
    #: Stalls and restarts within this stay one drive.
    ends_after: Seconds = 5.0
    #: How much of what went before the start is kept.
    kept_before: Seconds = 10.0


class Archive(Strict):
    """How much is kept. Drives without alerts go first, then those with; a drive marked as kept stays."""

    #: Gigabytes (10^9 bytes) that all drives together may take.
    largest_gb: float | None = Field(default=None, gt=0)
    #: Days after which a drive goes.
    oldest_days: float | None = Field(default=None, gt=0)
    #: Gigabytes that stay free on the card, whatever the other two say.
    free_gb: float = Field(default=1.0, ge=0)


#: More ticks than this from before a drive would fill the recorder's queue at its start.
MOST_TICKS_BEFORE = 2000


class Settings(Strict):
    """Everything in one settings file."""

    vehicle: Vehicle
    limits: Limits = Limits()
    daemon: Daemon = Daemon()
    sources: dict[Name, Source] = Field(min_length=1)
    channels: dict[Name, Channel] = Field(min_length=1)
    checks: dict[Name, Check] = {}
    rules: list[str] = Field(default=[], description="rule files, relative to this file")
    drive: Drive = Drive()
    archive: Archive = Archive()
    buttons: Buttons = Buttons()
    buzzer: Buzzer | None = None
    mqtt: Mqtt | None = None

    @model_validator(mode="after")
    def _kept_before_fits(self) -> Settings:
        most_s = MOST_TICKS_BEFORE / self.daemon.tick_hz
        if self.drive.kept_before > most_s:
            raise ValueError(f"drive.kept_before is longer than can be kept; write at most {most_s:g} s")
        return self


# --- Rule files ---------------------------------------------------------------------------------------


class RuleTable(Strict):
    """A limit that depends on something: straight lines between points, held beyond the ends."""

    of: UnitSymbol
    gives: UnitSymbol
    points: list[tuple[float, float]] = Field(min_length=2, max_length=200)


class RuleSpec(Strict):
    """One rule as written: when it holds, how urgent, what to say and what to do."""

    id: Name
    priority: Literal["warning", "caution", "advisory"]
    say: str = Field(min_length=1, max_length=60)
    do: str = Field(min_length=1, max_length=60)
    when: str = Field(min_length=1, max_length=2000)
    #: While this holds the rule is suppressed; blindness never is.
    suppress_when: str | None = None
    on_delay: Seconds = 0.0
    off_delay: Seconds = 0.0
    #: Unknown for longer than this is an alert of its own.
    blind_delay: Seconds = 0.5
    #: Where given: the delay above holds when this was true as last known, the other one when it was not.
    #: A sensor that dies at idle may be the key being turned; one that dies under boost is not.
    blind_urgent_when: str | None = None
    blind_delay_otherwise: Seconds = 5.0


class RuleFile(Strict):
    """A set of rules with the tables that they use."""

    tables: dict[Name, RuleTable] = {}
    rule: list[RuleSpec] = []
