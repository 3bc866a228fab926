"""The shape of the settings file; rule_schema.py has that of a rule file."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union

from pydantic import Discriminator, Field, Tag, field_validator, model_validator

from cabcanary import units
from cabcanary.display import Display
from cabcanary.model import UNKNOWN_KIND
from cabcanary.settings.build_stages import Built, Joint, Part
from cabcanary.settings.checks import Check
from cabcanary.settings.derived import DerivedChannel
from cabcanary.settings.outputs import (
    Buttons,
    Buzzer,
    DisplayChoice,
    Lamp,
    Mqtt,
    Pages,
    SoundCard,
    Sounds,
    Terminal,
    Watcher,
)
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.kind import SourceSettings
from cabcanary.sources.kinds import KINDS
from cabcanary.spelling import spelt
from cabcanary.validation.base import Name, Strict
from cabcanary.validation.quantities import FolderPath, FolderPathOrNone, Seconds


class Vehicle(Strict):
    """Which vehicle, in which stage of its build, on which fuel."""

    name: str = Field(min_length=1, max_length=60)
    stage: str = Field(min_length=1, max_length=60)
    #: The build's stages in their order; the one above is one of them. Without it there is one stage.
    stages: list[Annotated[str, Field(min_length=1, max_length=60)]] = []
    fuel: str = "E10"

    @model_validator(mode="after")
    def _a_stage_of_them(self) -> Vehicle:
        if self.stages and self.stage not in self.stages:
            raise ValueError(f"stage is '{self.stage}', and stages has {', '.join(self.stages)}; name one of them")
        if len(set(self.stages)) < len(self.stages):
            raise ValueError("stages names one twice; rename it")
        return self

    @property
    def all_stages(self) -> tuple[str, ...]:
        """Every stage in its order."""
        return tuple(self.stages) or (self.stage,)

    @field_validator("fuel")
    @classmethod
    def _known_fuel(cls, name: str) -> str:
        units.fuel_ratio(name)
        return name


class Compressor(Strict):
    """What makes boost, and from which stage on."""

    #: displacement: air for each turn (screw, lobes); centrifugal: a wheel driven by the engine, boost grows with the
    #: square of its speed; turbo: a wheel driven by the exhaust, boost takes its time; none: nothing makes boost yet.
    kind: Literal["displacement", "centrifugal", "turbo", "none"]
    #: The first stage that has it; without it, every stage has.
    begins: str | None = Field(default=None, alias="from", min_length=1, max_length=60)


class Limits(Strict):
    """Who has confirmed the limits. Until somebody has, they are examples, and every start says so."""

    confirmed_by: str = ""


#: A part that has not come by then is no longer on its way.
LONGEST_DEFECT_DAYS = 90


class KnownDefect(Strict):
    """A part that is known to be defective and awaits its replacement: told at every start, not in every drive."""

    channel: Name
    #: What is wrong with it, and what is on its way.
    what: str = Field(min_length=1, max_length=100)
    registered: date
    #: From this day on it is told as any other.
    until: date

    @model_validator(mode="after")
    def _not_for_ever(self) -> KnownDefect:
        if not self.registered < self.until <= self.registered + timedelta(days=LONGEST_DEFECT_DAYS):
            raise ValueError(f"until is at most {LONGEST_DEFECT_DAYS} days after registered; write a nearer day")
        return self


class Daemon(Strict):
    """How the daemon runs and where it keeps what it must remember."""

    tick_hz: float = Field(default=50.0, ge=10, le=500)
    folder: FolderPath = Path("/var/lib/cabcanary")
    feed: FolderPath | None = None
    #: The user that serves the pages, if it is not the daemon's own: places at the feed are kept for it.
    pages_user: str | None = Field(default=None, pattern=r"^[a-z_][a-z0-9_-]*[$]?$", max_length=32)
    #: Where sockets lie, and what need not outlast the computer's own start: not on the card, which may fail.
    #: systemd makes such a folder and names it (RuntimeDirectory=); without it, the folder above.
    sockets: FolderPathOrNone = Field(default="${RUNTIME_DIRECTORY:-}", validate_default=True)

    @property
    def run_folder(self) -> Path:
        """The folder of the sockets."""
        return self.sockets or self.folder

    @property
    def feed_path(self) -> Path:
        """The Unix socket of the local feed."""
        return self.feed or self.run_folder / "feed.sock"

    @property
    def watch_path(self) -> Path:
        """The Unix datagram socket on which the watcher hears the heartbeat."""
        return self.run_folder / "watch.sock"


# --- Sources ------------------------------------------------------------------------------------------

if TYPE_CHECKING:
    Source = SourceSettings
else:
    #: One of the table's kinds, by its `kind`.
    Source = Annotated[Union[tuple(kind.settings for kind in KINDS)], Field(discriminator="kind")]  # noqa: UP007


# --- Channels -----------------------------------------------------------------------------------------


def _channel_tag(raw: Any) -> str:
    derived = "derive" in raw if isinstance(raw, dict) else hasattr(raw, "derive")
    return "derived" if derived else "measured"


Channel = Annotated[
    Annotated[MeasuredChannel, Tag("measured")] | Annotated[DerivedChannel, Tag("derived")],
    Discriminator(_channel_tag),
]


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
    compressor: Compressor | None = None
    limits: Limits = Limits()
    joints: list[Joint] = Field(default=[], max_length=60)
    #: By stage: what it is made of.
    built: dict[str, Built] = {}
    #: By channel: which part it is that measures it.
    parts: dict[Name, Part] = {}
    daemon: Daemon = Daemon()
    sources: dict[Name, Source] = Field(min_length=1)
    channels: dict[Name, Channel] = Field(min_length=1)
    checks: dict[Name, Check] = {}
    rules: list[str] = Field(default=[], description="rule files, relative to this file")
    drive: Drive = Drive()
    archive: Archive = Archive()
    known_defects: list[KnownDefect] = Field(default=[], max_length=20)
    display: DisplayChoice = DisplayChoice()
    buttons: Buttons = Buttons()
    buzzer: Buzzer | None = None
    lamp: Lamp | None = None
    sounds: Sounds = Sounds()
    sound_card: SoundCard | None = None
    terminal: Terminal | None = None
    watcher: Watcher | None = None
    mqtt: Mqtt | None = None
    pages: Pages = Pages()

    @property
    def compressor_kind(self) -> str:
        """The compressor's kind in the stage in force, empty for none; unknown where nobody has said."""
        if self.compressor is None:
            return UNKNOWN_KIND
        stages, begins = self.vehicle.all_stages, self.compressor.begins
        if self.compressor.kind == "none" or (begins and stages.index(self.vehicle.stage) < stages.index(begins)):
            return ""
        return self.compressor.kind

    @model_validator(mode="after")
    def _compressor_begins_in_a_stage(self) -> Settings:
        begins = self.compressor.begins if self.compressor else None
        if begins is not None and begins not in self.vehicle.all_stages:
            stages = ", ".join(self.vehicle.all_stages)
            raise ValueError(f"compressor.from is '{begins}', and the stages are {stages}; name one of them")
        return self

    @property
    def shown_in(self) -> Display:
        """How quantities are shown to a person."""
        return Display(self.display.pressure or "", self.display.mixture, self.vehicle.fuel)

    @property
    def facts(self) -> dict[str, str]:
        """What was declared of the stage in force that measurements depend on."""
        built = self.built.get(self.vehicle.stage, Built())
        parts = {"compressor": built.compressor, "fuelling": built.fuelling, "tune": built.tune}
        return {"fuel": self.vehicle.fuel, **parts}

    @property
    def stage_joints(self) -> list[Joint]:
        """The joints that the stage in force has."""
        return self.joints_of(self.vehicle.stage)

    def joints_of(self, stage: str) -> list[Joint]:
        """The joints that a stage has."""
        stages = self.vehicle.all_stages
        return [j for j in self.joints if j.begins is None or stages.index(stage) >= stages.index(j.begins)]

    @model_validator(mode="after")
    def _of_stages_that_there_are(self) -> Settings:
        stages = self.vehicle.all_stages
        named: dict[str, str | None] = {f"built has '{s}'": s for s in self.built}
        named |= {f"joint '{j.name}' is from '{j.begins}'": j.begins for j in self.joints}
        for words, stage in named.items():
            if stage is not None and stage not in stages:
                raise ValueError(f"{words}, and the stages are {', '.join(stages)}; name one of them")
        if len({j.name for j in self.joints}) < len(self.joints):
            raise ValueError("two joints have one name; rename one")
        return self

    @model_validator(mode="after")
    def _kept_before_fits(self) -> Settings:
        most_s = MOST_TICKS_BEFORE / self.daemon.tick_hz
        if self.drive.kept_before > most_s:
            raise ValueError(f"drive.kept_before is longer than can be kept; write at most {spelt(most_s)} s")
        return self
