"""What each vehicle of `config/` is watched for, and what `check` says of it."""

import json
import re
from pathlib import Path

import pytest

from cabcanary.cli.main import main
from cabcanary.plan.plan import load_plan

CONFIG = Path(__file__).parents[2] / "config"
VITAL = ["lean under boost", "over-boost", "mixture blind", "pressure blind"]
VEHICLES = ["market-hatchback", "harbour-pickup", "hill-estate", "bench-van"]


def covered(file):
    return {p.subject: (str(p.watched), p.why) for p in load_plan(file).coverage.parts}


@pytest.fixture
def vehicle(tmp_path):
    """A vehicle of `config/` with its rules, changed."""

    def make(name, *changes, rules=()):
        (tmp_path / "rules").mkdir(exist_ok=True)
        for file in (CONFIG / "rules").glob("*.toml"):
            text = file.read_text(encoding="utf-8")
            for which, before, after in rules:
                if which == file.name:
                    assert before in text
                    text = text.replace(before, after)
            (tmp_path / "rules" / file.name).write_text(text, encoding="utf-8")
        text = (CONFIG / f"{name}.toml").read_text(encoding="utf-8")
        for before, after in changes:
            assert before in text
            text = text.replace(before, after)
        file = tmp_path / "vehicle.toml"
        file.write_text(text, encoding="utf-8")
        return file

    return make


@pytest.mark.parametrize("name", VEHICLES)
def test_every_shipped_vehicle_is_watched_for_what_an_engine_under_boost_needs(name, capsys):
    assert main(["check", str(CONFIG / f"{name}.toml")]) == 0
    assert "no problem found" in capsys.readouterr().out.splitlines()[0]
    found = covered(CONFIG / f"{name}.toml")
    assert {found[s][0] for s in VITAL} <= {"yes", "less well"}


def test_the_bench_van_with_everything_is_watched_well():
    found = covered(CONFIG / "bench-van.toml")
    well = (*VITAL, "pressure line", "leak", "supply", "heat")
    assert {s: found[s][0] for s in well} == dict.fromkeys(well, "yes")
    assert found["boost lost"][0] == "less well"
    assert "its baseline full_ratio is not known yet" in found["boost lost"][1][0]


def test_with_a_wideband_and_a_pressure_sensor_the_four_are_watched_and_the_cost_is_told():
    found = covered(CONFIG / "market-hatchback.toml")
    assert [found[s][0] for s in VITAL] == ["less well", "less well", "less well", "yes"]
    # 0.05 V of 0 to 5 V for 0.68 to 1.36: the rail that keeps a broken wire apart.
    assert found["mixture blind"][1] == (
        "lambda richer than 0.687 is the voltage of a broken wire, and is told as blindness",
    )
    assert any("no engine_speed" in w and "limiter" in w for w in found["lean under boost"][1])
    assert any("air's pressure" in w for w in found["over-boost"][1])
    assert any("may be the key or a blown fuse" in w for w in found["the monitor itself"][1])
    assert (found["supply"][0], found["boost lost"][0]) == ("no", "less well")
    assert any("no belt that slips" in w for w in found["boost lost"][1])


def test_without_a_wideband_check_says_so_first_and_fails(vehicle, capsys):
    file = vehicle(
        "market-hatchback",
        ("[channels.lambda]", "[channels.lamda]"),
        ('lambda_channel = "lambda"', 'lambda_channel = "lamda"'),
        ('channel = "lambda"\npressure', 'channel = "lamda"\npressure'),
    )
    assert main(["check", str(file)]) == 1
    first = capsys.readouterr().out.splitlines()[0]
    assert "NOT WATCHED for lean under boost (it lacks lambda)" in first
    assert main(["check", "--json", str(file)]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["ok"] is False
    assert {"watched_for": "lean under boost", "watched": "no", "why": ["it lacks lambda"]} in answer["coverage"]


def test_before_there_is_a_compressor_that_is_not_needed_yet(vehicle, capsys):
    file = vehicle(
        "market-hatchback",
        ("[channels.lambda]", "[channels.lamda]"),
        ('lambda_channel = "lambda"', 'lambda_channel = "lamda"'),
        ('channel = "lambda"\npressure', 'channel = "lamda"\npressure'),
        ('stage = "compressor, low boost"', 'stage = "sensors"'),
    )
    assert main(["check", str(file)]) == 0
    assert "lean under boost: not needed yet; it lacks lambda" in capsys.readouterr().out


def test_without_a_word_about_the_compressor_it_is_taken_for_fitted(vehicle, capsys):
    text = (CONFIG / "hill-estate.toml").read_text(encoding="utf-8")
    table = text[text.index("[compressor]") : text.index("[limits]")]
    file = vehicle(
        "hill-estate",
        (table, ""),
        ("[channels.lambda]", "[channels.lamda]"),
        ('lambda_channel = "lambda"', 'lambda_channel = "lamda"'),
        ('channel = "lambda"\npressure', 'channel = "lamda"\npressure'),
    )
    assert main(["check", str(file)]) == 1
    out = capsys.readouterr().out
    assert "which compressor, and from which stage on, is not said" in out
    assert out.splitlines()[0].count("NOT WATCHED for lean under boost") == 1


NO_LAMP = (('after = ["lean_under_boost", "over_boost"]\n', ""),)


def test_no_rules_at_all_are_no_watch_in_any_stage(vehicle, capsys):
    text = (CONFIG / "hill-estate.toml").read_text(encoding="utf-8")
    file = vehicle("hill-estate", (text[text.index("rules = [") : text.index("[vehicle]")], "rules = []\n\n"), *NO_LAMP)
    assert main(["check", str(file)]) == 2
    first = capsys.readouterr().out.splitlines()[0]
    assert re.match(rf"{file}:\d+:\d+: rules: nothing is watched: there is no rule", first), first
    assert main(["run", str(file)]) == 2
    assert "nothing is watched" in capsys.readouterr().err


def test_rules_of_which_none_can_run_here_are_no_watch_either(vehicle, capsys):
    text = (CONFIG / "hill-estate.toml").read_text(encoding="utf-8")
    shipped = text[text.index("rules = [") : text.index("[vehicle]")]
    file = vehicle("hill-estate", (shipped, 'rules = ["rules/valves.toml"]\n\n'), *NO_LAMP)
    assert main(["check", str(file)]) == 2
    first = capsys.readouterr().out.splitlines()[0]
    assert re.search(r"nothing is watched: none of its \d+ rules can run here; \w+ needs a channel '", first), first


def test_a_rule_that_is_out_of_service_watches_nothing(vehicle):
    file = vehicle(
        "bench-van",
        rules=[("mixture.toml", 'say = "Lean under boost"', 'say = "Lean under boost"\nout_of_service = "tuning"')],
    )
    assert covered(file)["lean under boost"] == ("no", ("its rule lean_under_boost is out of service",))


def test_a_channel_that_no_warning_depends_on_can_go_dark_unheard(vehicle):
    file = vehicle(
        "bench-van",
        rules=[
            ("mixture.toml", 'priority = "warning"', 'priority = "caution"'),
            ("heat.toml", 'priority = "warning"', 'priority = "caution"'),
        ],
    )
    assert covered(file)["mixture blind"] == ("no", ("no warning depends on lambda",))


def test_a_slip_of_the_pen_in_a_shipped_rule_is_an_error(vehicle, capsys):
    file = vehicle("market-hatchback", rules=[("mixture.toml", "and lambda > ceiling", "and lamda > ceiling")])
    assert main(["check", str(file)]) == 2
    assert "there is no channel 'lamda'" in capsys.readouterr().out


DEFECT = """
[[known_defects]]
channel = "{channel}"
what = "dead on arrival, another is ordered"
registered = {since}
until = {until}
"""


def with_defect(vehicle, **given):
    values = {"channel": "map", "since": "2026-11-20", "until": "2026-12-20", **given}
    file = vehicle("hill-estate")
    file.write_text(file.read_text(encoding="utf-8") + DEFECT.format(**values), encoding="utf-8")
    return file


def test_a_known_defect_is_listed_at_each_check(vehicle, capsys):
    file = with_defect(vehicle, since="2030-01-01", until="2030-02-01")
    assert main(["check", str(file)]) == 0
    assert (
        "known defect: map, dead on arrival, another is ordered, since 2030-01-01, until 2030-02-01"
        in capsys.readouterr().out
    )
    assert all("map" in r.known_defects for r in load_plan(file).rules.rules)


def test_a_known_defect_whose_day_is_past_is_told_again(vehicle, capsys):
    file = with_defect(vehicle, since="2020-01-01", until="2020-02-01")
    assert main(["check", str(file)]) == 0
    assert "OVERDUE since 2020-02-01" in capsys.readouterr().out
    assert all(not r.known_defects for r in load_plan(file).rules.rules)


@pytest.mark.parametrize(
    ("given", "words"),
    [({"channel": "mapp"}, "there is no channel 'mapp'"), ({"until": "2027-12-20"}, "until is at most 90 days after")],
)
def test_a_known_defect_that_cannot_be_is_an_error(vehicle, capsys, given, words):
    assert main(["check", str(with_defect(vehicle, **given))]) == 2
    assert words in capsys.readouterr().out
