"""The shape of the settings file and of a rule file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, field_validator, model_validator

from cabcanary import units
from cabcanary.settings.base import Name, Strict
from cabcanary.settings.checks import Check
from cabcanary.settings.derived import DerivedChannel
from cabcanary.settings.outputs import Buttons, Buzzer, Lamp, Mqtt, SoundCard, Sounds, Terminal, Watcher
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

    @property
    def watch_path(self) -> Path:
        """The Unix datagram socket on which the watcher hears the heartbeat."""
        return self.folder / "watch.sock"


# --- Channels -----------------------------------------------------------------------------------------


def _channel_tag(raw: Any) -> str:
    derived = "derive" in raw if isinstance(raw, dict) else hasattr(raw, "derive")
    return "derived" if derived else "measured"


Channel = Annotated[
    Annotated[MeasuredChannel, Tag("measured")] | Annotated[DerivedChannel, Tag("derived")],
    Discriminator(_channel_tag),
]


class Drive(Strict):
    """When a drive starts and ends; `running` names the channel derived as engine_running."""

    running: Name = "engine_running"
    #: Stalls and restarts within this stay one drive.
    ends_after: Seconds = 5.0
    #: How much of what went before the start is kept.
    kept_before: Seconds = 10.0


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
    buttons: Buttons = Buttons()
    buzzer: Buzzer | None = None
    lamp: Lamp | None = None
    sounds: Sounds = Sounds()
    sound_card: SoundCard | None = None
    terminal: Terminal | None = None
    watcher: Watcher | None = None
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
