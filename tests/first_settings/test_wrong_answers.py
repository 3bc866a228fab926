"""Questions answered wrongly on purpose: found by `new` and `check`, or in the first minutes of watching.

The engine and the wires are those of the true settings, the rules those of the wrong ones. `pytest -s` has the table.
"""

from __future__ import annotations

import copy
import functools
from dataclasses import replace
from pathlib import Path
from tempfile import mkdtemp
from typing import Any, NamedTuple

import pytest

from cabcanary.first_settings.answers import AnswersError, read_answers
from cabcanary.first_settings.written import make
from cabcanary.plan.plan import load_plan, plan_in_stage
from cabcanary.validation.problems import SettingsError
from cabcanary_bench.corpus.corpus import Job, driven_of, judge
from cabcanary_bench.corpus.watched import limits_of, own_compressor, plan_of, watch
from cabcanary_bench.drives.generator import DriveKind, errand
from cabcanary_bench.fast.fast import Recording, drive
from cabcanary_bench.fast.fitted import Fitted
from cabcanary_bench.paths import config_folder
from cabcanary_bench.sensors.traits import Traits
from cabcanary_bench.van.build import BENCH_VAN

CONFIG = config_folder()
HATCHBACK, PICKUP, ESTATE = "market-hatchback", "harbour-pickup", "hill-estate"
SEED = 7
WATCHED = "watching: "


class Wrong(NamedTuple):
    """`by` begins with what finds it: the words of an error, or `watching: ` and the alert; empty: nothing does."""

    name: str
    vehicle: str
    answers: dict[str, Any]
    by: str


STAGES = ("untouched", "sensors", "plumbing", "compressor, low boost", "more boost")
CASES = (
    Wrong(
        "wideband and pressure wires swapped",
        HATCHBACK,
        {"wideband.input": "voltage0", "manifold_pressure.input": "voltage1"},
        WATCHED + "cannot_see_map",
    ),
    Wrong(
        "pressure and supply wires swapped",
        PICKUP,
        {"supply.input": "voltage0", "manifold_pressure.input": "voltage2"},
        WATCHED + "over_boost",
    ),
    Wrong(
        "wideband and supply wires swapped",
        PICKUP,
        {"supply.input": "voltage1", "wideband.input": "voltage2"},
        WATCHED + "cannot_see_supply",
    ),
    Wrong("both sensors at one input", HATCHBACK, {"wideband.input": "voltage0"}, "'voltage0' of adc is one wire"),
    Wrong(
        "pressure at an input with nothing",
        HATCHBACK,
        {"manifold_pressure.input": "voltage5"},
        WATCHED + "cannot_see_map",
    ),
    Wrong(
        "AFR points said to be lambda",
        PICKUP,
        {"wideband.scale": "lambda", "wideband.afr_scale": None},
        "wideband.scale: points up to 20.00 are AFR",
    ),
    Wrong(
        "lambda points said to be AFR",
        HATCHBACK,
        {"wideband.scale": "AFR", "wideband.afr_scale": 14.7},
        "wideband.scale: points up to 1.36 are lambda",
    ),
    Wrong("AFR scale of another fuel", PICKUP, {"wideband.afr_scale": 9.0}, "rule lean_under_boost: "),
    Wrong(
        "lambda on a line said to be AFR",
        ESTATE,
        {"wideband.scale": "AFR", "wideband.afr_scale": 14.7},
        WATCHED + "cannot_see_lambda",
    ),
    Wrong("absolute sensor said to be gauge", HATCHBACK, {"manifold_pressure.against": "air"}, "'boost' ends at"),
    Wrong(
        "gauge points given for absolute",
        HATCHBACK,
        {"manifold_pressure.points": [[0.5, -91], [4.5, 159]]},
        "'map' ends at 159 kPa",
    ),
    Wrong("kPa said to be psi", HATCHBACK, {"manifold_pressure.unit": "psi"}, "this can never be so"),
    Wrong("kPa said to be mbar", PICKUP, {"manifold_pressure.unit": "mbar"}, "'boost' ends at"),
    Wrong(
        "values and volts the wrong way round",
        PICKUP,
        {"manifold_pressure.points": [[20.0, 0.5], [300.0, 4.5]]},
        "'boost' ends at",
    ),
    Wrong(
        "points of a larger sensor",
        ESTATE,
        {"manifold_pressure.points": [[0.5, 20], [4.5, 300]]},
        WATCHED + "cannot_see_air",
    ),
    Wrong(
        "resistors the wrong way round",
        PICKUP,
        {"supply.upper": "10 kohm", "supply.lower": "30 kohm"},
        WATCHED + "supply_low",
    ),
    Wrong(
        "half the engine speed", ESTATE, {"engine_speed.points": [[0, 0], [5, 4000]]}, "'engine_speed' ends at 4000 rpm"
    ),
    Wrong("twice the engine speed", ESTATE, {"engine_speed.points": [[0, 0], [5, 16000]]}, ""),
    Wrong("a number that the line has not", ESTATE, {"wideband.item": "afr"}, WATCHED + "cannot_see_lambda"),
    Wrong("a converter that ends at 3.3 V", HATCHBACK, {"converter.highest": "3.3 V"}, "the converter ends at 3.3 V"),
    Wrong(
        "hoses in bar said to be psi",
        HATCHBACK,
        {"hoses.by_stage": dict(zip(STAGES, (0.14, 0.14, 0.14, 0.55, 0.83), strict=True))},
        WATCHED + "over_boost",
    ),
    Wrong(
        "hoses in kPa said to be psi",
        HATCHBACK,
        {"hoses.by_stage": dict(zip(STAGES, (14, 14, 14, 55, 83), strict=True))},
        "'boost' ends at",
    ),
    Wrong("a ceiling in AFR", HATCHBACK, {"tuner.ceiling": [[0, 15], [2, 12.9], [8, 12.5]]}, "'lambda' ends at 1.36"),
    Wrong("rails that are too narrow", HATCHBACK, {"wideband.rails": [0.5, 4.0]}, ""),
)
#: The wrong rate is in `test_dialogue`: nothing readable is heard, so none is offered.
CHECKED = [case for case in CASES if not case.by.startswith(WATCHED) and case.by]
DRIVEN = [case for case in CASES if case not in CHECKED]


def wrong_answers(case: Wrong) -> dict[str, Any]:
    raw = copy.deepcopy(read_answers(CONFIG / "answers" / f"{case.vehicle}.toml"))
    for path, value in case.answers.items():
        table, _, key = path.partition(".")
        if value is None:
            del raw[table][key]
        else:
            raw.setdefault(table, {})[key] = value
    return raw


@functools.cache
def recording(vehicle: str) -> Recording:
    """Three and a half minutes of a healthy vehicle, with pulls, on its true wires."""
    build = replace(BENCH_VAN, compressor=own_compressor(CONFIG / f"{vehicle}.toml"))  # type: ignore[arg-type]
    true = watch(CONFIG / f"{vehicle}.toml", build, Path(mkdtemp()))
    fitted = Fitted(plan_of(true).settings, build)
    traits = Traits() if fitted.lambda_ends is None else Traits(lambda_ends=fitted.lambda_ends)
    return drive(errand(SEED), SEED, traits, fitted=fitted, limits=limits_of(true))


def found_by(case: Wrong, folder: Path) -> str:
    """What finds it, in the words of the table."""
    settings = folder / "wrong.toml"
    try:
        make(settings, wrong_answers(case), None, CONFIG)
        load_plan(settings, to_watch=True)
    except (AnswersError, SettingsError) as error:
        return str(error).splitlines()[0].replace(f"{folder}/", "")
    plan = plan_in_stage(settings, None, None)
    sounds = judge(
        Job(SEED, kind=DriveKind.TOWN), driven_of(recording(case.vehicle), None, plan), plan, weaken=False
    ).sounds
    return WATCHED + ", ".join(f"{s.alert} at {s.at_s:.0f} s" for s in sounds[:3]) if sounds else "not found"


@pytest.mark.parametrize("case", CHECKED, ids=lambda case: case.name)
def test_check_finds_it(case: Wrong, tmp_path: Path) -> None:
    assert case.by in found_by(case, tmp_path)


@pytest.mark.parametrize("case", [DRIVEN[0], DRIVEN[3]], ids=lambda case: case.name)
def test_the_first_minutes_find_it(case: Wrong, tmp_path: Path) -> None:
    assert case.by.removeprefix(WATCHED) in found_by(case, tmp_path)


@pytest.mark.long
def test_the_whole_table(tmp_path: Path) -> None:
    found = 0
    for number, case in enumerate(CASES):
        (tmp_path / str(number)).mkdir()
        said = found_by(case, tmp_path / str(number))
        found += bool(case.by) and case.by.removeprefix(WATCHED) in said
        print(f"{case.name:40s} {said[:150]}")
    print(f"{found} of {len(CASES)} found")
    assert found / len(CASES) >= 18 / 20


@pytest.mark.long
@pytest.mark.parametrize("vehicle", [HATCHBACK, PICKUP, ESTATE])
def test_with_true_answers_the_same_drive_is_silent(vehicle: str) -> None:
    plan = plan_in_stage(CONFIG / f"{vehicle}.toml", None, None)
    outcome = judge(Job(SEED, kind=DriveKind.TOWN), driven_of(recording(vehicle), None, plan), plan, weaken=False)
    assert outcome.sounds == ()
