"""The four vehicles of `config/` come out of `cabcanary new --answers`, to the last value."""

from __future__ import annotations

import itertools
import json
import random
import tomllib
from pathlib import Path
from typing import Any

import pytest

from cabcanary.cli.main import main
from cabcanary.first_settings.answers import AnswersError, answers_of, read_answers
from cabcanary.first_settings.open_points import open_points
from cabcanary.first_settings.written import make
from cabcanary.plan.plan import load_plan
from cabcanary_bench.paths import config_folder

CONFIG = config_folder()
VEHICLES = ("market-hatchback", "harbour-pickup", "hill-estate", "bench-van")
#: The bench van lists a rule set for a sensor that it does not have, so that `check` can say what it lacks.
WITHOUT_A_SENSOR = {"rules/fuel-pressure.toml"}


def toml(file: Path) -> dict[str, Any]:
    return tomllib.loads(file.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", VEHICLES)
def test_its_answers_make_the_shipped_vehicle(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = tmp_path / f"{name}.toml"
    assert main(["new", str(made), "--answers", str(CONFIG / "answers" / f"{name}.toml")]) == 0
    said = capsys.readouterr().out
    assert "will be watched for:" in said
    assert "nobody has confirmed the limits" in said
    assert "This is a monitor, not protection" in said

    ours, shipped = toml(made), toml(CONFIG / f"{name}.toml")
    # In which order the sets stand says nothing.
    assert set(ours.pop("rules")) == set(shipped.pop("rules")) - WITHOUT_A_SENSOR
    assert ours == shipped
    assert toml(tmp_path / "rules" / f"{name}.toml") == toml(CONFIG / "rules" / f"{name}.toml")
    assert main(["check", str(made)]) == 0
    assert main(["rules", "test", str(made)]) == 0


WIDEBANDS: dict[str, dict[str, Any]] = {
    "none": {},
    "volts": {"signal": "voltage", "input": "voltage1", "points": [[0, 0.68], [5, 1.36]], "scale": "lambda"},
    "AFR volts": {
        "signal": "voltage", "input": "voltage1", "points": [[0, 10], [2.5, 14], [5, 20]], "scale": "AFR",
        "afr_scale": 14.7, "rails": [0.1, 4.95],
    },
    "text": {
        "signal": "text", "port": "/dev/ttyUSB0", "baud": 9600, "item": "field1", "separator": ",", "assign": "",
        "fields": ["field1", "field2"], "scale": "AFR", "afr_scale": 14.1, "ends": [0.6, 1.5], "warm_up": "30 s",
    },
}  # fmt: skip
PRESSURES: dict[str, dict[str, Any]] = {
    "none": {},
    "absolute": {
        "input": "voltage0", "points": [[0.5, 20], [4.5, 250]], "unit": "kPa", "against": "vacuum", "accuracy": 2.0,
    },
    "gauge": {"input": "voltage0", "points": [[0.5, -15], [4.5, 30]], "unit": "psi", "against": "air"},
    "bar": {"input": "voltage0", "points": [[0, 0], [5, 3]], "unit": "bar", "against": "vacuum"},
}  # fmt: skip
SUPPLIES = ({}, {"input": "voltage2", "upper": "30 kohm", "lower": "10 kohm"})
SPEEDS = ({}, {"input": "voltage3", "points": [[0, 0], [5, 8000]]})
BUSES: tuple[dict[str, Any], ...] = (
    {},
    {"interface": "slcan", "channel": "/dev/ttyACM0", "bitrate": 500000, "pressure_sensor": True},
    {"interface": "socketcan", "channel": "can0", "pressure_sensor": False},
)
CHARGES = ({}, {"input": "voltage4", "pull_up": "2.49 kohm", "r25": "10 kohm", "beta": 3950})
COMPRESSORS = ("displacement", "centrifugal", "turbo", "none", None)
ALL = list(itertools.product(WIDEBANDS, PRESSURES, SUPPLIES, SPEEDS, BUSES, CHARGES, COMPRESSORS))


def made_of(parts: tuple[Any, ...]) -> dict[str, Any]:
    wideband, pressure, supply, speed, bus, charge, kind = parts
    compressor = {} if kind is None else {"kind": kind} if kind == "none" else {"kind": kind, "from": "boost"}
    return {
        "vehicle": {"name": "any", "displacement": "2 L", "stages": ["before", "boost"], "stage": "boost"},
        "compressor": compressor,
        "exhaust": {"length": "1.2 m", "bore": "50 mm"},
        "converter": {"kind": "iio", "device": "converter", "highest": "5 V"},
        "wideband": WIDEBANDS[wideband],
        "manifold_pressure": PRESSURES[pressure],
        "supply": supply,
        "engine_speed": speed,
        "bus": bus,
        "charge_temperature": charge,
        "outputs": {"buzzer_pin": 18},
    }


def checks_out(parts: tuple[Any, ...], folder: Path) -> None:
    raw = made_of(parts)
    runs = PRESSURES[parts[1]] or parts[3] or parts[4]
    if not runs:
        with pytest.raises(AnswersError, match="nothing tells that the engine runs"):
            make(folder / "any.toml", raw, None, CONFIG)
        return
    make(folder / "any.toml", raw, None, CONFIG)
    plan = load_plan(folder / "any.toml", to_watch=True)
    # What the two sensors of the least vehicle make is there whatever else is.
    assert ("lambda" in plan.settings.channels) == (parts[0] != "none")
    assert ("boost" in plan.settings.channels) == (parts[1] != "none")
    watched = parts[0] != "none" and parts[1] != "none"
    assert bool(plan.coverage.gaps) == (not watched and parts[6] != "none")


@pytest.mark.parametrize("parts", random.Random(17).sample(ALL, 24), ids=range(24))
def test_whatever_is_fitted_passes_check(parts: tuple[Any, ...], tmp_path: Path) -> None:
    checks_out(parts, tmp_path)


@pytest.mark.long
def test_every_fitting_passes_check(tmp_path: Path) -> None:
    for number, parts in enumerate(ALL):
        checks_out(parts, tmp_path / str(number))


def test_without_answers_nothing_is_guessed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    answers = tmp_path / "none.toml"
    answers.write_text("")
    assert main(["new", str(tmp_path / "my.toml"), "--answers", str(answers)]) == 2
    assert "nothing tells that the engine runs; it takes the manifold's pressure" in capsys.readouterr().err
    assert not (tmp_path / "my.toml").exists()


@pytest.mark.parametrize(
    ("left_out", "open_point"),
    [
        (("wideband", "points"), "wideband.points: not known, so the mixture is not watched"),
        (("wideband", "scale"), "wideband.scale: not known, so the mixture is not watched"),
        (("wideband", "rails"), "wideband.rails: not known"),
        (("manifold_pressure", "against"), "manifold_pressure.against: not known, so boost is not watched"),
        (("manifold_pressure", "accuracy"), "manifold_pressure.accuracy: not known, so it is taken for exact"),
        (("compressor", "kind"), "compressor.kind: not known, so one is taken for fitted"),
        (
            ("hoses", "by_stage"),
            "what the hoses of 'untouched', 'sensors', 'plumbing', 'compressor, low boost', 'more ",
        ),
        (("tuner", "ceiling"), "tuner.ceiling: the leanest mixture allowed is an EXAMPLE"),
        (("outputs", "buzzer_pin"), "outputs.buzzer_pin: not known, so nothing sounds on a pin"),
    ],
)
def test_each_answer_that_is_missing_is_an_open_point(left_out: tuple[str, str], open_point: str) -> None:
    raw = read_answers(CONFIG / "answers" / "hill-estate.toml")
    if left_out[0] == "wideband":
        raw = read_answers(CONFIG / "answers" / "market-hatchback.toml")
    assert not any(open_point in line for line in open_points(answers_of(raw)))
    # A question mark says the same as no answer.
    raw[left_out[0]][left_out[1]] = "?"
    assert any(open_point in line for line in open_points(answers_of(raw)))


def test_a_limit_that_nobody_gave_is_marked_in_the_file(tmp_path: Path) -> None:
    raw = read_answers(CONFIG / "answers" / "market-hatchback.toml")
    del raw["tuner"]["ceiling"], raw["hoses"]["by_stage"]["more boost"], raw["tuner"]["manifold_highest"]
    del raw["hoses"]["by_stage"]["untouched"]
    make(tmp_path / "my.toml", raw, None, CONFIG)
    lines = (tmp_path / "rules" / "my.toml").read_text(encoding="utf-8").splitlines()
    marked = {line.split(" = ")[0].strip('"') for line in lines if "# EXAMPLE" in line}
    assert {"more boost", "manifold_highest"} <= marked
    assert any(line.startswith("[tables.ceiling] # EXAMPLE") for line in lines)
    # Seven psi: a small line that is pushed on and not clamped (common practice, no source).
    assert '"more boost" = 7.0 # EXAMPLE: what do yours stand?' in lines
    assert '"untouched" = 2.0 # EXAMPLE: what do yours stand?' in lines  # there is no compressor yet
    assert not {"compressor, low boost", "near_limiter", "full_boost_from"} & marked


def test_a_program_gets_it_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    answers = str(CONFIG / "answers" / "market-hatchback.toml")
    assert main(["new", str(tmp_path / "my.toml"), "--answers", answers, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["ok"] is True
    assert str(tmp_path / "my.toml") in told["written"]
    assert {part["watched_for"] for part in told["coverage"]} >= {"lean under boost", "over-boost"}
    assert any(line.startswith("tuner.confirmed_by") for line in told["open"])


def test_the_pipes_volume_is_that_of_a_cylinder(tmp_path: Path) -> None:
    raw = read_answers(CONFIG / "answers" / "bench-van.toml")
    raw["exhaust"] = {"length": "1.2 m", "bore": "48 mm"}
    make(tmp_path / "my.toml", raw, None, CONFIG)
    # pi / 4 x 4.8 cm x 4.8 cm x 120 cm = 2171 cm3.
    assert toml(tmp_path / "my.toml")["channels"]["boost_as_burnt"]["pipe"]["volume"] == "2.17 L"
    raw["exhaust"] = {"length": "1.2 m"}
    make(tmp_path / "other.toml", raw, None, CONFIG)
    assert "pipe" not in toml(tmp_path / "other.toml")["channels"]["boost_as_burnt"]
