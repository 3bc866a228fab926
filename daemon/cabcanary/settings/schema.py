"""The shape of the settings file and of a rule file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, field_validator

from cabcanary import units
from cabcanary.settings.quantities import FolderPath, Place, Seconds, UnitSymbol

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=40)]


class Strict(BaseModel):
    """An unknown key is an error, and nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


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


# --- Sources ------------------------------------------------------------------------------------------


class IioSource(Strict):
    """Voltages through the kernel's IIO tree; the device is found by its name or label."""

    kind: Literal["iio"]
    device: str = Field(min_length=1)
    folder: FolderPath = Path("/sys/bus/iio/devices")
    rate_hz: float = Field(default=50.0, gt=0, le=1000)
    #: A read that takes longer is hung: its channel is left to a thread of its own. 0.15 s keeps the other
    #: channels of the device fresher than their stale limit; smaller would split on a slow converter.
    hung_after: Seconds = 0.15


class SerialTextSource(Strict):
    """Lines of text on a serial port, with named or positioned fields."""

    kind: Literal["serial_text"]
    port: Place
    baud: int = Field(default=9600, ge=110, le=4_000_000)
    separator: str = Field(default=" ", min_length=1, max_length=4)
    assign: str = Field(default="=", max_length=4)
    fields: list[Name] = []
    not_ready: list[str] = []
    error: list[str] = []
    #: No line of ours is longer; a longer one is garbage, and is dropped before it can eat memory.
    longest_line: int = Field(default=200, ge=8, le=4096)


class ObdSource(Strict):
    """OBD-II over CAN through any python-can interface, in a process of its own; read services only."""

    kind: Literal["obd"]
    interface: str = Field(min_length=1)
    channel: Place
    bitrate: Literal[250_000, 500_000] = 500_000
    extended_ids: bool = False
    items: dict[Name, Annotated[float, Field(gt=0, le=50)]] = Field(min_length=1)


Source = Annotated[IioSource | SerialTextSource | ObdSource, Field(discriminator="kind")]


# --- Channels -----------------------------------------------------------------------------------------


class LinearCurve(Strict):
    """A straight line through two points of [wire, value]."""

    kind: Literal["linear"]
    points: list[tuple[float, float]] = Field(min_length=2, max_length=2)


class TableCurve(Strict):
    """Straight lines between points of [wire, value], ordered along the wire."""

    kind: Literal["table"]
    points: list[tuple[float, float]] = Field(min_length=2, max_length=500)


Curve = Annotated[LinearCurve | TableCurve, Field(discriminator="kind")]

Measures = Literal[
    "lambda",
    "manifold_pressure",
    "barometric_pressure",
    "supply_voltage",
    "engine_speed",
    "throttle",
    "temperature",
    "vehicle_speed",
    "other",
]


class MeasuredChannel(Strict):
    """One sensor: which wire, which curve, and what makes its value untrustworthy."""

    source: Name
    item: Name
    unit: UnitSymbol
    measures: Measures = "other"
    #: The unit that the curve's first column is written in; the source's own unit without one.
    wire_unit: UnitSymbol | None = None
    curve: Curve | None = None
    #: Resistor divider in front of the converter: sensor volts per converter volt.
    divider: float = Field(default=1.0, gt=0)
    #: Outside these, in the wire unit at the sensor, the wire is broken or shorted.
    rails: tuple[float, float] | None = None
    #: For a number that needs no curve: the sensor's own ends, in the channel's unit. At them the value is
    #: "at least" or "at most". A curve knows its ends by itself.
    ends: tuple[float, float] | None = None
    #: Outside these, in the channel's unit, the value cannot be true.
    plausible: tuple[float, float] | None = None
    stale_after: Seconds = 0.3
    #: Time to reach 63 % of a step; for a wideband it decides between "lean" and "wire broken".
    response_time: Seconds = 0.1

    @field_validator("rails", "ends", "plausible")
    @classmethod
    def _ordered(cls, pair: tuple[float, float] | None) -> tuple[float, float] | None:
        if pair is not None and pair[0] >= pair[1]:
            raise ValueError(f"{list(pair)} is upside down; write [low, high] with low below high")
        return pair


class BoostChannel(Strict):
    """Manifold pressure above barometric pressure."""

    derive: Literal["boost"]
    unit: UnitSymbol
    pressure: Name = "map"
    barometer: Name | None = None
    engine_speed: Name | None = None
    supply: Name | None = None


class FuelCutChannel(Strict):
    """1 while the gas at the wideband was burnt in an observed fuel cut, and shortly after; else 0."""

    derive: Literal["fuel_cut_gas"]
    unit: UnitSymbol = "state"
    lambda_channel: Name = "lambda"
    pressure: Name = "map"
    throttle: Name | None = None
    #: Manifold pressure below this, in kPa absolute, is below idle: nobody is asking for fuel.
    below_idle_kpa: float = Field(gt=5, lt=80)
    #: A throttle at or under this is shut, in percent.
    shut_percent: float = Field(default=3.0, ge=0, le=30)
    #: Gas from the port to the sensor at the flow of getting back on the throttle, one engine cycle included.
    transport_delay: Seconds = 0.15
    #: However long the sensor takes, the mask ends this long after the cut: past it, lean is lean.
    longest: Seconds = 1.0


class EngineRunningChannel(Strict):
    """1 while the engine runs, 0 while it is known to stand still, else unknown."""

    derive: Literal["engine_running"]
    unit: UnitSymbol = "state"
    engine_speed: Name | None = None
    supply: Name | None = None
    pressure: Name | None = None
    lambda_channel: Name | None = None
    running_rpm: float = Field(default=400.0, gt=0)
    #: Only a charging alternator lifts the supply over this; a rested battery stands near 12.6 V.
    charging_volts: float = Field(default=13.2, gt=0)


class AsBurntChannel(Strict):
    """Another channel as it was when the gas that the wideband shows now was burnt."""

    derive: Literal["as_burnt"]
    unit: UnitSymbol
    of: Name
    lambda_channel: Name = "lambda"
    #: From the exhaust port to the sensor under load, one engine cycle included; the sensor's own response
    #: time is added to it.
    transport_delay: Seconds = 0.1


DerivedChannel = Annotated[
    BoostChannel | FuelCutChannel | EngineRunningChannel | AsBurntChannel, Field(discriminator="derive")
]


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

    pin: int | str = 18


class Mqtt(Strict):
    """Where alerts are published; without this table nothing leaves the vehicle."""

    host: str = Field(min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
    topic: str = Field(default="cabcanary", pattern=r"^[^#+\s]+$")
    username: str | None = None
    #: A file that only its owner can read; the password never stands in the settings.
    password_file: FolderPath | None = None


class Drive(Strict):
    """When a drive starts and ends; `running` names the channel derived as engine_running."""

    running: Name = "engine_running"
    #: Stalls and restarts within this stay one drive.
    ends_after: Seconds = 5.0
    #: How much of what went before the start is kept.
    kept_before: Seconds = 10.0


class Settings(Strict):
    """Everything in one settings file."""

    vehicle: Vehicle
    limits: Limits = Limits()
    daemon: Daemon = Daemon()
    sources: dict[Name, Source] = Field(min_length=1)
    channels: dict[Name, Channel] = Field(min_length=1)
    rules: list[str] = Field(default=[], description="rule files, relative to this file")
    drive: Drive = Drive()
    buzzer: Buzzer | None = None
    mqtt: Mqtt | None = None


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
    blind_delay_otherwise: Seconds = 3.0


class RuleFile(Strict):
    """A set of rules with the tables that they use."""

    tables: dict[Name, RuleTable] = {}
    rule: list[RuleSpec] = []
