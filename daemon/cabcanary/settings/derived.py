"""Derived channels: one table for each value that is made from other channels."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator

from cabcanary.validation.base import ChannelSettings, Name, Strict
from cabcanary.validation.quantities import Seconds, UnitSymbol, quantity_of


class AirPressureChannel(ChannelSettings):
    """Barometric pressure from the best witness there is: the sensors in their order, else the manifold while the
    engine stands, else what is left of either, of the last drive, or of all that roads have."""

    derive: Literal["air_pressure"]
    unit: UnitSymbol
    #: Channels that measure it, the best first: a sensor of its own, then the engine computer's.
    sensors: list[Name] = []
    pressure: Name | None = None
    engine_speed: Name | None = None
    supply: Name | None = None
    #: Witnesses: a wideband that shows fire or free air; how far the vehicle has gone; an open throttle.
    lambda_channel: Name | None = None
    vehicle_speed: Name | None = None
    throttle: Name | None = None
    #: How far a reading drifts in an hour of driving, in kPa as standard uncertainty, above all by altitude. Twice that
    #: is the most: 4000 m of pass roads in an hour are about 44 kPa (US Standard Atmosphere 1976).
    drift_kpa_h: float = Field(default=22.0, ge=0)
    #: The lowest and highest pressure of any road that this vehicle sees, kPa: 3000 m (70.1 kPa) to a high-pressure day
    #: at the sea (106 kPa is more than all but the coldest places of Siberia ever see).
    roads: tuple[float, float] = (70.0, 106.0)

    @field_validator("roads")
    @classmethod
    def _roads_rise(cls, roads: tuple[float, float]) -> tuple[float, float]:
        if not 45.0 <= roads[0] < roads[1] <= 110.0:
            raise ValueError("roads are the lowest and the highest air pressure in kPa, such as [70, 106]")
        return roads


class BoostChannel(ChannelSettings):
    """Manifold pressure above the air's."""

    derive: Literal["boost"]
    unit: UnitSymbol
    pressure: Name = "map"
    air: Name = "air_pressure"


class VacuumChannel(ChannelSettings):
    """The air's pressure above the manifold's, never below zero, as the trade shows it (inHg)."""

    derive: Literal["vacuum"]
    unit: UnitSymbol
    pressure: Name = "map"
    air: Name = "air_pressure"


class AirflowChannel(ChannelSettings):
    """Air that the engine takes, by speed and density."""

    derive: Literal["airflow"]
    unit: UnitSymbol = "g/s"
    pressure: Name = "map"
    engine_speed: Name = "engine_speed"
    temperature: Name
    displacement: Annotated[float, BeforeValidator(quantity_of("L"))]
    #: Of the engine alone; its own uncertainty goes into the result's.
    volumetric_efficiency: float = Field(default=0.85, gt=0.2, lt=1.3)
    efficiency_uncertainty: float = Field(default=0.05, ge=0, lt=0.5)


class AfrChannel(ChannelSettings):
    """Lambda shown as air to fuel by mass, for the fuel in the tank; for showing, never for limits."""

    derive: Literal["afr"]
    unit: UnitSymbol = "ratio"
    lambda_channel: Name = "lambda"
    #: A channel with the share of ethanol by volume; without it the vehicle's fuel counts.
    ethanol: Name | None = None


class FormulaChannel(ChannelSettings):
    """Any formula of channels, with the rules' grammar; its units are checked at load."""

    derive: Literal["formula"]
    unit: UnitSymbol
    formula: str = Field(min_length=1, max_length=500)


class Pipe(Strict):
    """The way of the gas from the ports to the wideband, for a delay by volume over flow."""

    volume: Annotated[float, BeforeValidator(quantity_of("L"))]
    displacement: Annotated[float, BeforeValidator(quantity_of("L"))]
    engine_speed: Name
    pressure: Name
    volumetric_efficiency: float = Field(default=0.85, gt=0.2, lt=1.3)
    intake_temperature: Annotated[float, BeforeValidator(quantity_of("K"))] = 313.15
    #: At idle the way is long, and the figure loses its meaning beyond this.
    longest: Seconds = 1.0
    #: What the wideband and its line take whatever flows, added to the way: `cabcanary witness --timing` learns it.
    dead_time: Seconds = 0.0


class GasDelay(ChannelSettings):
    """What the masks and alignments of one wideband share: its channel and the delay to it."""

    lambda_channel: Name = "lambda"
    #: From the exhaust port to the sensor under load, one engine cycle included; used where the pipe or what its
    #: formula needs is not known.
    transport_delay: Seconds = 0.1
    pipe: Pipe | None = None


class FuelCutChannel(GasDelay):
    """1 while the gas at the wideband was burnt in an observed fuel cut, and shortly after; else 0."""

    derive: Literal["fuel_cut_gas"]
    unit: UnitSymbol = "state"
    pressure: Name = "map"
    throttle: Name | None = None
    #: Manifold pressure below this, in kPa absolute, is below idle: nobody is asking for fuel.
    below_idle_kpa: float = Field(gt=5, lt=80)
    #: A throttle at or under this is shut, in percent.
    shut_percent: float = Field(default=3.0, ge=0, le=30)
    #: However long the sensor takes, the mask ends this long after the cut: past it, lean is lean.
    longest: Seconds = 1.0


class AsBurntChannel(GasDelay):
    """Another channel as it was when the gas that the wideband shows now was burnt."""

    derive: Literal["as_burnt"]
    unit: UnitSymbol
    of: Name


class EngineRunningChannel(ChannelSettings):
    """1 while the engine runs, 0 while it is known to stand still, else unknown."""

    derive: Literal["engine_running"]
    unit: UnitSymbol = "state"
    ignition: Name | None = None
    engine_speed: Name | None = None
    supply: Name | None = None
    pressure: Name | None = None
    lambda_channel: Name | None = None
    #: The air's pressure, at which the manifold of an engine that stands is quiet; used where there is no engine speed.
    air: Name | None = None
    #: How far the throttle is open: with an open one nobody turns the key.
    throttle: Name | None = None
    running_rpm: float = Field(default=400.0, gt=0)
    #: Only a charging alternator lifts the supply over this; a rested battery stands near 12.6 V.
    charging_volts: float = Field(default=13.2, gt=0)


DerivedChannel = Annotated[
    AirPressureChannel
    | BoostChannel
    | VacuumChannel
    | AirflowChannel
    | AfrChannel
    | FormulaChannel
    | FuelCutChannel
    | AsBurntChannel
    | EngineRunningChannel,
    Field(discriminator="derive"),
]
