"""The bench van's parameters, read from its TOML file. Units are in the names; all are SI but rpm and °C."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields
from importlib import resources
from typing import Any, TypeVar


@dataclass(frozen=True, slots=True)
class Engine:
    """What the engine breathes and makes."""

    displacement_m3: float
    inertia_kg_m2: float
    idle_rpm: float
    idle_map_pa: float
    overrun_map_pa: float
    residual_pa: float
    efficiency: float
    idle_spark: float
    heating_value_j_kg: float
    stoichiometric_ratio: float
    exhaust_back_pressure_pa: float
    accessory_nm: float
    volumetric_rpm: list[float]
    volumetric_efficiency: list[float]


@dataclass(frozen=True, slots=True)
class Intake:
    """Manifold and throttle."""

    volume_m3: float
    throttle_area_m2: float
    discharge: float
    throttle_lag_s: float
    hose_area_m2: float


@dataclass(frozen=True, slots=True)
class Compressor:
    """The belt-driven compressor, its bypass valve and its charge cooler."""

    volume_m3_rev: float
    drive_ratio: float
    volumetric_efficiency: float
    leak_rpm: float
    isentropic_efficiency: float
    belt_creep: float
    bypass_open_vacuum_pa: float
    bypass_shut_vacuum_pa: float
    bypass_lag_s: float
    cooler_effectiveness: float
    charge_lag_s: float


@dataclass(frozen=True, slots=True)
class Wheel:
    """A compressor wheel that another vehicle has in its place; a turbine's numbers are 0 if the crankshaft drives it.

    `turbine` is Stodola's constant, Pa^2 s^2 / (kg^2 K); the wastegate opens from `gate_opens` to `gate_open` times
    `target_pa` and then leaves `gate_least` of the exhaust to the turbine.
    """

    diameter_m: float
    work_coefficient: float
    isentropic_efficiency: float
    drive_ratio: float = 0.0
    inertia_kg_m2: float = 0.0
    turbine: float = 0.0
    turbine_efficiency: float = 0.0
    target_pa: float = 0.0
    gate_opens: float = 0.0
    gate_open: float = 0.0
    gate_least: float = 1.0


@dataclass(frozen=True, slots=True)
class Driveline:
    """From crankshaft to road."""

    gears: list[float]
    final_ratio: float
    tyre_radius_m: float
    efficiency: float
    coupling_nm_s: float
    launch_torque_nm: float
    shift_s: float


@dataclass(frozen=True, slots=True)
class Body:
    """Mass and resistances of the body."""

    mass_kg: float
    rotating_share: float
    drag_area_m2: float
    rolling: float


@dataclass(frozen=True, slots=True)
class Cooling:
    """Coolant and weather."""

    thermostat_c: float
    start_c: float
    ambient_c: float
    heat_capacity_j_k: float
    heat_share: float
    loss_w_k: float


@dataclass(frozen=True, slots=True)
class Supply:
    """The 12 V system's few voltages, and what drains its battery."""

    resting_v: float
    after_run_v: float
    cranking_v: float
    charging_v: float
    flat_v: float
    smart_overrun_v: float
    smart_load_v: float
    fixed_v: float
    smart_rest_v: float
    smart_idle_v: float
    battery_ah: float
    running_load_a: float
    key_on_load_a: float
    feed_load_a: float


@dataclass(frozen=True, slots=True)
class Van:
    """Everything about the van."""

    engine: Engine
    intake: Intake
    compressor: Compressor
    centrifugal: Wheel
    turbo: Wheel
    driveline: Driveline
    body: Body
    cooling: Cooling
    supply: Supply


_Part = TypeVar("_Part")


def _part(kind: type[_Part], table: dict[str, Any]) -> _Part:
    """One table of the file as its dataclass; a missing or unknown key raises TypeError with its name."""
    return kind(**table)


def bench_van() -> Van:
    """The bench van as shipped.

    Raises:
        TypeError: the file has a key too many or too few.
    """
    text = resources.files("cabcanary_bench.data").joinpath("bench_van.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)
    kinds = {
        "engine": Engine,
        "intake": Intake,
        "compressor": Compressor,
        "centrifugal": Wheel,
        "turbo": Wheel,
        "driveline": Driveline,
        "body": Body,
        "cooling": Cooling,
        "supply": Supply,
    }
    if set(tables) != {f.name for f in fields(Van)}:
        raise TypeError(f"bench_van.toml has the tables {sorted(tables)}")
    return Van(**{name: _part(kind, tables[name]) for name, kind in kinds.items()})
