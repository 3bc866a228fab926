"""Answers -> the file of a vehicle's own numbers, which the rule sets speak of by name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.first_settings.fitted import Fitted
from cabcanary.settings.toml_value import written

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.first_settings.answers import Answers

EXAMPLE = "EXAMPLE"
#: Of the bench van, a vehicle that does not exist: each is an example until a tuner has given the vehicle's own.
_CEILING = [[-1, 1.06], [0, 1.04], [2, 0.88], [5, 0.86], [8, 0.85], [12, 0.83]]
#: With no boost to come, what a line that is nowhere clamped stands well (common practice, no source), psi.
_WITHOUT_BOOST_PSI, _BARE_PSI = 2.0, 7.0
_PSI_KPA, _BAR_KPA = 6.894757, 100.0

_HEAD = """\
# The numbers of the {name}; its rules are the sets beside this file. What is marked EXAMPLE is nobody's limit: have a
# qualified tuner set yours. A limit here is when to be warned, never a permission to go up to it.
"""
_HEAT = """\
[tables.charge_limit] # EXAMPLE: how hot the charge may be, by boost
of = "psi"
gives = "°C"
points = [[0, 90], [8, 100]]

[tables.charge_rise] # EXAMPLE, without a cooler: how far the charge may be above the air outside, by boost
of = "psi"
gives = "K"
points = [[0, 50], [8, 85]]
"""
_IDLE = """\
[baselines.idle_pressure] # what the manifold is at a warm idle in this stage
of = "map"
instead = ["engine_map"] # the engine's own sensor, before another is fitted
when = "{when}"
learn = "once" # and held from then on
at_least = "60 s"
explained = 2.0 # kPa that a new stage may lift it; until it is measured there it is held against the stage before
depends_on = ["compressor", "tune"]
example = {idle}
"""
_IDLES = (
    "engine_running and vehicle_speed < 1 km/h and throttle < 4 % and coolant >= warm and engine_speed < idle_highest"
)
_OPTIONAL = ["map", "engine_map", "vehicle_speed", "throttle", "coolant", "engine_speed"]


def numbers_text(answers: Answers) -> str:
    """The rule file with numbers, tables and limits by stage."""
    fitted = Fitted(answers)
    lines = [*_HEAD.format(name=answers.vehicle.name or "vehicle").splitlines(), ""]
    if fitted.bus:
        lines += [f"optional_channels = {written(_OPTIONAL)}", ""]
    lines += ["[numbers]", *_numbers(answers, fitted), "", *_ceiling(answers), ""]
    if fitted.charge_temperature:
        lines += [*_HEAT.splitlines(), ""]
    lines += [*_hoses(answers), ""]
    if fitted.bus and (fitted.pressure or answers.bus.pressure_sensor is not False):
        idle = answers.driven.idle
        lines += _IDLE.format(
            when=_IDLES, idle=float(idle.split()[0]) if idle and idle.endswith("kPa") else 34.0
        ).splitlines()
    return "\n".join(lines).rstrip() + "\n"


def _numbers(answers: Answers, fitted: Fitted) -> Iterator[str]:
    t, c, d = answers.tuner, answers.compressor, answers.driven
    rows: list[tuple[str, str | None, str, str]] = [
        ("boost_that_counts", None, "2 psi", "below it a lean mixture hurts little"),
        ("richest_under_boost", None, "0.70 lambda", "richer washes oil off the bores and hides a lean cylinder"),
        ("near_hose_limit", None, "0.5 psi", "so close below the limit of the hoses it is told"),
        ("full_boost_from", c.full_boost_from, "4500 rpm", "an open throttle makes boost from here on"),
        ("near_limiter", t.near_limiter, "6000 rpm", "just below where the engine computer cuts fuel"),
        ("idle_lowest", None, "500 rpm", ""),
        ("idle_highest", None, "1400 rpm", ""),
        ("warm", None, "70 °C", "of the coolant"),
        ("coolant_highest", None, "112 °C", ""),
        ("manifold_highest", t.manifold_highest, "185 kPa", "what the engine stands: absolute"),
        ("oil_lowest", None, "100 kPa", "gauge, above 1500 rpm"),
        ("oil_hottest", None, "130 °C", ""),
        ("exhaust_hottest", None, "900 °C", ""),
        ("knock_retard_highest", None, "4", "degrees"),
        ("compressor_fastest", c.fastest, "60000 rpm", ""),
        ("fuel_over_manifold", None, "250 kPa", "fuel pressure above the manifold's"),
        ("supply_lowest", d.supply_lowest, "11.9 V", "this vehicle's own lowest is learnt"),
        ("supply_lowest_in_boost", d.supply_lowest_in_boost or d.supply_lowest, "11.9 V", ""),
        ("supply_highest", None, "15.3 V", ""),
    ]
    if fitted.charge_temperature:
        rows += [
            ("charge_warm", None, "70 °C", ""),
            ("hot_ceiling", None, "0.85", "the leanest mixture allowed with a warm charge"),
        ]
    for name, known, example, what in rows:
        words = what if known is not None else f"{EXAMPLE}{': ' if what else ''}{what}"
        yield f"{name} = {written(known or example)}" + (f" # {words}" if words else "")


def _ceiling(answers: Answers) -> list[str]:
    given = answers.tuner.ceiling
    points: list[Any] = _CEILING if given is None else [list(p) for p in sorted(given)]
    mark = "" if given is not None else f"{EXAMPLE}: "
    return [
        f"[tables.ceiling] # {mark}the leanest mixture allowed, by boost; close to it for longer than enrichment takes",
        'of = "psi"',
        'gives = "lambda"',
        f"points = {written(points)}",
    ]


def _hoses(answers: Answers) -> Iterator[str]:
    stages, unit = answers.vehicle.stages or ["as it is"], answers.hoses.unit or "psi"
    yield "# What the weakest joint of each stage stands: gauge pressure, a limit and never a permission. Small push-on"
    yield "# lines without clamps hold at 7 to 8 psi and begin to come off towards 14 (common practice, no source)."
    yield "[stage_limits.hose_limit]"
    yield f"unit = {written(unit)}"
    yield ""
    yield "[stage_limits.hose_limit.by_stage]"
    known = answers.hoses.by_stage or {}
    for stage in stages:
        if stage in known:
            yield f"{written(stage)} = {written(known[stage])}"
        else:
            yield f"{written(stage)} = {written(example_hose(answers, stage))} # {EXAMPLE}: what do yours stand?"


def example_hose(answers: Answers, stage: str) -> float:
    """What stands for a stage of which nobody has said what its hoses stand, in the answers' unit."""
    stages, c = answers.vehicle.stages or [stage], answers.compressor
    before = c.kind == "none" or (c.begins in stages and stages.index(stage) < stages.index(c.begins or ""))
    psi = _WITHOUT_BOOST_PSI if before else _BARE_PSI
    factor = {"psi": 1.0, "kPa": _PSI_KPA, "bar": _PSI_KPA / _BAR_KPA}[answers.hoses.unit or "psi"]
    return round(psi * factor, 2)
