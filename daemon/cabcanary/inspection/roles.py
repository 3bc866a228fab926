"""Which channel is what, and its values in the units that an inspection speaks of: kPa absolute, lambda, V, %."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from cabcanary import units
from cabcanary.plan.normals import before
from cabcanary.plan.sensors import limit_of_error
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.kernel.kernel_settings import HwmonSource, IioSource

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.plan.plan import Plan
    from cabcanary.settings.schema import Settings


class Told(NamedTuple):
    """A channel at a moment as the feed tells it: the value in its own unit, its quality in words, and the reason."""

    value: float | None
    quality: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Moment:
    """Every channel at a time, s."""

    time_s: float
    values: Mapping[str, Told]


#: Qualities of which the number was measured, whatever is thought of it.
_MEASURED = ("good", "saturated high", "saturated low", "stuck", "implausible")


@dataclass(frozen=True, slots=True)
class Role:
    """One channel and what it takes to read it. `to` gives SI for a value of its unit; `gauge`: against the air."""

    name: str
    unit: units.Unit
    scale: float = 1.0
    gauge: bool = False
    rails: tuple[float, float] | None = None
    #: The sensor's limit of error, in the role's unit.
    band: float = 0.0
    #: A voltage at a converter, and not a number that another computer sends.
    analogue: bool = False

    def number(self, told: Told | None, air_kpa: float) -> float | None:
        """The measured number in the role's unit; None where there is none."""
        if told is None or told.value is None or told.quality not in _MEASURED:
            return None
        number = self.unit.to_si(told.value) / self.scale
        return number + air_kpa if self.gauge else number

    def series(self, moments: Sequence[Moment], air_kpa: float = 101.3) -> list[tuple[float, float]]:
        """(s, number) of every moment that has one."""
        found = [(m.time_s, self.number(m.values.get(self.name), air_kpa)) for m in moments]
        return [(time_s, number) for time_s, number in found if number is not None]


class Normal(NamedTuple):
    """What was normal before: the value, how far it scattered, and by how much two sensors may differ."""

    value: float
    spread: float
    unsure: float


#: Baselines of an idle: the name here, and the unit that is spoken of.
_NORMALS = {
    "idle_pressure": ("pressure", "kPa"), "idle_speed": ("speed", "rpm"), "trim_at_idle": ("trim", "%"),
    "idle_mass_air": ("air", "g/s"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Roles:
    """The channels that an inspection looks at; None: the vehicle has none."""

    pressure: Role | None = None
    mixture: Role | None = None
    supply: Role | None = None
    witness: Role | None = None
    throttle: Role | None = None
    engine_speed: Role | None = None
    barometer: Role | None = None
    short_trim: Role | None = None
    long_trim: Role | None = None
    mass_air: Role | None = None
    others: tuple[Role, ...] = field(default=())
    buzzer: bool = False
    lamp: bool = False
    #: Whether the stage in force has a compressor.
    boosted: bool = False
    #: What the engine idled at in the stage before, kPa, and how well that is known.
    idle_before: tuple[float, float] | None = None
    #: By how much the sensor of then and that of now may differ, kPa; 0 where it is the same.
    idle_unsure: float = 0.0
    #: What was normal at idle before: pressure in kPa, speed in rpm, trim in per cent, air in g/s.
    normals: Mapping[str, Normal] = field(default_factory=dict)

    @property
    def names(self) -> tuple[str, ...]:
        """Every channel that is looked at."""
        known = (self.pressure, self.mixture, self.supply, self.witness, self.throttle, self.engine_speed)
        return tuple(
            r.name
            for r in (*known, self.barometer, self.short_trim, self.long_trim, self.mass_air, *self.others)
            if r is not None
        )


#: What a channel measures -> the role that it has.
_BY_MEASURE = {
    "manifold_pressure": "pressure",
    "lambda": "mixture",
    "supply_voltage": "supply",
    "throttle": "throttle",
    "engine_speed": "engine_speed",
    "barometric_pressure": "barometer",
}
#: Items of the bus that have a role.
_BY_ITEM = {"map": "witness", "short_trim_1": "short_trim", "long_trim_1": "long_trim", "maf": "mass_air"}
_IN_KPA = ("pressure", "witness", "barometer")


def roles_of(plan: Plan) -> Roles:
    """The roles of a vehicle's channels; the first channel that measures a thing has its role."""
    settings = plan.settings
    found: dict[str, Role] = {}
    others: list[Role] = []
    for name, spec in settings.channels.items():
        if not isinstance(spec, MeasuredChannel):
            continue
        source = settings.sources[spec.source]
        role = _BY_MEASURE.get(spec.measures)
        if role is None and isinstance(source, CanSource):
            role = _BY_ITEM.get(spec.item)
        if role is None or role in found:
            if spec.rails is not None:
                others.append(_role(settings, name, spec, "", analogue=isinstance(source, IioSource | HwmonSource)))
            continue
        found[role] = _role(settings, name, spec, role, analogue=isinstance(source, IioSource | HwmonSource))
    normals = _normals(plan)
    idle = normals.get("pressure")
    return Roles(
        **found,
        others=tuple(others),
        buzzer=settings.buzzer is not None or settings.sound_card is not None,
        lamp=settings.lamp is not None,
        boosted=bool(settings.compressor_kind),
        idle_before=idle[:2] if idle else None,
        idle_unsure=idle.unsure if idle else 0.0,
        normals=normals,
    )


def _role(settings: Settings, name: str, spec: MeasuredChannel, role: str, *, analogue: bool) -> Role:
    unit = units.unit(spec.unit)
    # Engine speed in rpm, throttle in percent: the unit that people read.
    scale = 1000.0 if role in _IN_KPA else units.unit("rpm").factor if role == "engine_speed" else 1.0
    if role in ("throttle", "short_trim", "long_trim"):
        scale = units.unit("%").factor
    if role == "mass_air":
        scale = units.unit("g/s").factor
    limit = spec.accuracy or (limit_of_error(settings, spec) if role == "pressure" else 0.0)
    band = limit * unit.factor / scale
    gauge = role == "pressure" and spec.reference != "absolute"
    return Role(name, unit, scale, gauge, spec.rails, band, analogue)


def _normals(plan: Plan) -> dict[str, Normal]:
    """What was normal at idle before the install, as far as it was learnt and can be compared."""
    found = {}
    for name, (what, symbol) in _NORMALS.items():
        spec = plan.baseline_specs.get(name)
        known = before(plan.settings, plan.baselines, name, spec) if spec is not None else None
        if known is not None:
            unit, scale = known.baseline.unit, units.difference(1.0, known.baseline.unit, symbol)
            value = units.convert(known.baseline.points[0][1], unit, symbol)
            found[what] = Normal(value, known.baseline.spread * scale, known.unsure * scale)
    return found
