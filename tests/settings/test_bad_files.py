"""A folder of bad settings, each beside what `cabcanary check` must say of it."""

import json
import time
from pathlib import Path

import pytest

from cabcanary.cli.main import main
from cabcanary.plan.plan import load_plan
from cabcanary.validation.problems import SettingsError

BAD = Path(__file__).parent / "bad"
CASES = sorted(p.stem for p in BAD.glob("*.expected"))


def settings_of(case: str) -> Path:
    return BAD / f"{case}.toml"


def expected_of(case: str) -> str:
    return (BAD / f"{case}.expected").read_text(encoding="utf-8")


@pytest.mark.parametrize("case", CASES)
def test_each_problem_is_told_with_its_file_line_name_and_fix(case, capsys):
    assert main(["check", str(settings_of(case))]) == 2
    assert capsys.readouterr().out.replace(f"{BAD}/", "") == expected_of(case)


@pytest.mark.parametrize("case", CASES)
def test_every_problem_says_what_to_do(case):
    with pytest.raises(SettingsError) as caught:
        load_plan(settings_of(case))
    for problem in caught.value.problems:
        assert problem.message.strip(), problem
        assert problem.fix.strip(), problem


@pytest.mark.parametrize("case", CASES)
def test_a_program_is_told_the_same_as_a_person(case, capsys):
    assert main(["check", "--json", str(settings_of(case))]) == 2
    answer = json.loads(capsys.readouterr().out)
    assert answer["ok"] is False
    told = []
    for p in answer["problems"]:
        where = f"{Path(p['file']).name}:{p['line']}" + (f":{p['column']}" if p["column"] else "")
        told += [f"{where}:{' ' + p['name'] + ':' if p['name'] else ''} {p['message']}", f"    fix: {p['fix']}"]
    person = expected_of(case).splitlines()[:-2]
    assert [line.replace(f"{BAD}/", "") for line in told] == person


def test_the_folder_holds_every_file_it_should():
    settings = {p.stem for p in BAD.glob("*.toml") if not p.name.endswith(".rules.toml")}
    assert settings == set(CASES)
    assert len(CASES) >= 18


# --- what no file in a folder can show ------------------------------------------------------------------

GOOD = """\
rules = ["rules.toml"]
[vehicle]
name = "van"
stage = "sensors only"
[compressor]
kind = "none"
[sources.adc]
kind = "iio"
device = "converter"
[channels.supply]
source = "adc"
item = "voltage0"
unit = "V"
[channels.engine_running]
derive = "engine_running"
supply = "supply"
"""
RULE = """\
[[rule]]
id = "{id}"
priority = "caution"
say = "Something is low"
do = "Go home"
when = "{when}"
"""


@pytest.fixture
def good(tmp_path):
    file = tmp_path / "van.toml"
    file.write_text(GOOD)
    rules = RULE.format(id="supply_low", when="supply < 11 V")
    rules += RULE.format(id="fuel_pressure_low", when="fuel_pressure < 250 kPa and supply > 6 V")
    (tmp_path / "rules.toml").write_text('optional_channels = ["fuel_pressure"]\n' + rules)
    return file


def test_a_rule_for_a_sensor_that_is_not_fitted_is_listed_and_is_no_error(good, capsys):
    assert main(["check", str(good)]) == 0
    out = capsys.readouterr().out
    assert "2 channels, 1 rules, no problem found" in out
    assert "not fitted: rule fuel_pressure_low needs a channel 'fuel_pressure'" in out


def test_a_program_is_told_which_rules_run_and_which_are_not_fitted(good, capsys):
    assert main(["check", "--json", str(good)]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["ok"], answer["problems"], answer["rules"]) == (True, [], ["supply_low"])
    assert [(n["rule"], n["channel"]) for n in answer["not_fitted"]] == [("fuel_pressure_low", "fuel_pressure")]


def test_limits_that_nobody_has_confirmed_are_called_examples(good, capsys):
    main(["check", str(good)])
    assert "limits are examples" in capsys.readouterr().out
    good.write_text(GOOD + '[limits]\nconfirmed_by = "A. Tuner"\n')
    main(["check", str(good)])
    assert "limits are examples" not in capsys.readouterr().out


def test_a_file_that_is_not_there_is_a_problem_and_no_crash(tmp_path, capsys):
    assert main(["check", str(tmp_path / "none.toml")]) == 2
    assert "none.toml:1: cannot be read: No such file or directory" in capsys.readouterr().out


def test_a_file_that_is_no_text_is_a_problem_and_no_crash(tmp_path, capsys):
    (tmp_path / "van.toml").write_bytes(b"[vehicle]\nname = '\xff'\n")
    assert main(["check", str(tmp_path / "van.toml")]) == 2
    assert "is not UTF-8 text (byte 18)" in capsys.readouterr().out


def test_a_place_is_taken_from_the_environment(good, monkeypatch):
    wire = '[sources.wideband]\nkind = "serial_text"\nport = "${VAN_PORT:-/dev/ttyUSB0}"\n'
    good.write_text(GOOD + wire)
    assert load_plan(good).settings.sources["wideband"].port == "/dev/ttyUSB0"
    monkeypatch.setenv("VAN_PORT", "/dev/ttyS1")
    assert load_plan(good).settings.sources["wideband"].port == "/dev/ttyS1"


@pytest.mark.parametrize(
    ("written", "seconds"),
    [("300 ms", 0.3), ("0.3 s", 0.3), ("1.5 min", 90.0), ("2 h", 7200.0), ("5 sec", 5.0)],
)
def test_a_time_is_taken_in_any_unit_of_time(good, written, seconds):
    good.write_text(GOOD.replace('unit = "V"', f'unit = "V"\nstale_after = "{written}"'))
    assert load_plan(good).settings.channels["supply"].stale_after == pytest.approx(seconds)


@pytest.mark.parametrize("key", ["on_delay", "longest_shelve", "blind_delay", "re_alarm"])
def test_a_time_beyond_all_measure_is_a_problem_and_no_crash(good, key, capsys):
    rules = good.with_name("rules.toml")
    rules.write_text(RULE.format(id="supply_low", when="supply < 11 V") + f'{key} = "1e300 s"\n')
    assert main(["check", str(good)]) == 2
    assert "rule[1]." + key + ': "1e300 s" is longer than a year' in capsys.readouterr().out


@pytest.mark.parametrize("key", ["when", "suppress_when", "blind_urgent_when"])
def test_a_hundred_thousand_parentheses_are_refused_at_once(good, key, capsys):
    rules, deep = good.with_name("rules.toml"), "(" * 100_000 + "supply < 11 V" + ")" * 100_000
    text = RULE.format(id="supply_low", when="supply < 11 V")
    rules.write_text(text.replace("supply < 11 V", deep) if key == "when" else text + f'{key} = "{deep}"\n')
    began = time.process_time()
    assert main(["check", str(good)]) == 2
    # Reading the settings alone takes some tenths; the grammar took 43 s for these.
    assert time.process_time() - began < 5.0
    assert f"rule[1].{key}" in capsys.readouterr().out


def test_a_quantity_as_long_as_a_book_is_refused_at_once(good, capsys):
    good.write_text(GOOD.replace('unit = "V"', 'unit = "V"\nstale_after = "' + "1" * 400_000 + 'x"'))
    began = time.process_time()
    assert main(["check", str(good)]) == 2
    assert time.process_time() - began < 5.0
    assert "is too long for a number with a unit" in capsys.readouterr().out


@pytest.mark.parametrize(
    "written",
    [
        # Each is the same condition; the fault is always its "volts", in the file's own columns.
        'when = "supply\\u0020< 11 volts"',
        'when = "supply\\t< 11 volts"',
        'when = "\\U00000020supply < 11 volts"',
        "when = 'supply < 11 volts'",
        'when = """\nsupply\\u0020< \\\n    11 volts"""',
        'when = """supply\\t<\n    11 volts"""',
        "when = '''\nsupply <\n    11 volts'''",
    ],
)
def test_a_fault_in_a_condition_has_the_column_of_the_file_whatever_stands_escaped_before_it(good, written):
    rules = good.with_name("rules.toml")
    rules.write_text(RULE.format(id="supply_low", when="supply < 11 V").replace('when = "supply < 11 V"', written))
    with pytest.raises(SettingsError) as caught:
        load_plan(good)
    (problem,) = caught.value.problems
    line = rules.read_text().split("\n")[problem.line - 1]
    assert line[problem.column - 1 :].startswith("volts"), (problem, line)


def test_a_line_is_what_a_line_feed_ends(good):
    # U+2028 and U+0085 end a line for some programs, not for TOML.
    rules = good.with_name("rules.toml")
    rules.write_text("# one\u2028two\u0085three\n" + RULE.format(id="supply_low", when="supply < 11 volts"))
    with pytest.raises(SettingsError) as caught:
        load_plan(good)
    (problem,) = caught.value.problems
    assert rules.read_text().split("\n")[problem.line - 1][problem.column - 1 :].startswith("volts")


def test_the_settings_that_come_with_the_program_are_good(capsys):
    file = Path(__file__).parents[2] / "config" / "bench-van.toml"
    assert main(["check", "--json", str(file)]) == 0
    assert json.loads(capsys.readouterr().out)["problems"] == []
