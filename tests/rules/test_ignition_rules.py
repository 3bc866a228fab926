"""What is fed by the key is judged only by an input that is not."""

from pathlib import Path

import pytest

from cabcanary.cli.main import main

RULES = Path(__file__).parents[2] / "config" / "rules" / "ignition.toml"
SETTINGS = """
rules = ["{rules}"]
[vehicle]
name = "bench van"
stage = "sensors"
[compressor]
kind = "none"
[daemon]
folder = "{folder}"
[sources.adc]
kind = "iio"
device = "bench-converter"
{switches}
[channels.map]
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }}
[channels.sensor_feed]
source = "adc"
item = "voltage3"
unit = "V"
divider = 4.0
[channels.engine_running]
derive = "engine_running"
pressure = "map"
{ignition}
"""
SWITCHES = """
[sources.switches]
kind = "gpio"
pins.ignition = { pin = 22, pull = "down", active = "high" }
[channels.ignition]
measures = "switch"
source = "switches"
item = "ignition"
unit = "state"
"""


@pytest.fixture
def config(tmp_path):
    def write(switches="", ignition=""):
        file = tmp_path / "van.toml"
        file.write_text(SETTINGS.format(rules=RULES, folder=tmp_path, switches=switches, ignition=ignition))
        return str(file)

    return write


def test_without_an_ignition_input_the_rule_is_an_error_and_says_what_to_add(config, capsys):
    assert main(["check", config()]) == 2
    out = capsys.readouterr().out
    assert "ignition.toml:5:1: rule[1].id: needs an ignition input of the monitor's own" in out
    assert "add a gpio source with an ignition pin" in out


def test_an_input_that_nobody_takes_for_the_ignition_is_none(config, capsys):
    assert main(["check", config(switches=SWITCHES)]) == 2
    assert "needs an ignition input" in capsys.readouterr().out


def test_with_one_it_runs_and_its_examples_hold(config, capsys):
    file = config(switches=SWITCHES, ignition='ignition = "ignition"')
    assert main(["check", file]) == 0
    assert main(["rules", "test", file]) == 0
    assert "2 of 2 examples hold" in capsys.readouterr().out
