"""What can never be is a problem with its fix; what hardly ever is meant is told with what is usual, and no more."""

import json
from pathlib import Path

import pytest

from cabcanary.cli.main import main

SETTINGS = """\
rules = ["rules.toml"]
[vehicle]
name = "van"
stage = "sensors only"
[compressor]
kind = "none"
[sources.adc]
kind = "iio"
device = "converter"
[sources.engine]
kind = "can"
interface = "slcan"
channel = "/dev/ttyACM0"
[sources.engine.items]
rpm = 10
throttle = 10
coolant_temperature = 0.5
short_trim_1 = 2
[sources.engine.signals.pedal]
id = 0x123
start = 0
length = 8
byte_order = "little"
scale = 0.5
unit = "%"
[channels.map]
measures = "manifold_pressure"
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }
rails = [0.25, 4.75]
[channels.charge_temperature]
measures = "temperature"
source = "adc"
item = "temp2"
unit = "°C"
plausible = [-40.0, 200.0]
[channels.engine_speed]
measures = "engine_speed"
source = "engine"
item = "rpm"
unit = "rpm"
[channels.throttle]
measures = "throttle"
source = "engine"
item = "throttle"
unit = "%"
[channels.coolant]
measures = "temperature"
source = "engine"
item = "coolant_temperature"
unit = "°C"
stale_after = "10 s"
[channels.short_trim]
measures = "trim"
source = "engine"
item = "short_trim_1"
unit = "%"
stale_after = "3 s"
[channels.pedal]
source = "engine"
item = "pedal"
unit = "%"
[channels.double_trim]
derive = "formula"
unit = "%"
formula = "2 * short_trim + 10 %"
[channels.air_pressure]
derive = "air_pressure"
unit = "kPa"
pressure = "map"
[channels.boost]
derive = "boost"
unit = "psi"
[channels.engine_running]
derive = "engine_running"
engine_speed = "engine_speed"
"""
RULE = """\
[[rule]]
id = "one"
priority = "caution"
say = "Something is off"
do = "Go home"
when = "{when}"
"""


@pytest.fixture
def check(tmp_path, capsys):
    """The exit code of `cabcanary check` and what it says, of these settings with one condition or other settings."""

    def run(when: str = "engine_running", settings: str = SETTINGS, more: str = "") -> tuple[int, str]:
        (tmp_path / "van.toml").write_text(settings, encoding="utf-8")
        (tmp_path / "rules.toml").write_text(RULE.format(when=when) + more, encoding="utf-8")
        code = main(["check", str(tmp_path / "van.toml")])
        return code, capsys.readouterr().out

    return run


def test_the_settings_of_these_tests_are_good_and_usual(check):
    code, out = check()
    assert code == 0, out
    assert "unusual" not in out


# --- bounds --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("when", "words"),
    [
        # SAE J1979: A - 40 of one byte ends at 215 °C, (256 A + B) / 4 at 16383.75 rpm, 100 A / 128 - 100 at 99.2 %.
        ("coolant > 215 °C", "'coolant' ends at 215 °C"),
        ("coolant < -41 °C", "'coolant' ends at -40 °C"),
        ("engine_speed > 17000 rpm", "'engine_speed' ends at 16384 rpm"),
        ("engine_speed < 0 rpm", "'engine_speed' ends at 0 rpm"),
        ("throttle > 100 %", "'throttle' ends at 100 %"),
        ("short_trim > 100 %", "'short_trim' ends at 99.22 %"),
        # One byte of half a percent each: 127.5 %.
        ("pedal > 130 %", "'pedal' ends at 127.5 %"),
        # Twice -100 and twice 99.2 %, and ten more.
        ("double_trim < -195 %", "'double_trim' ends at -190 %"),
        ("double_trim > 210 %", "'double_trim' ends at 208.4 %"),
        ("short_trim + throttle > 200 %", "this can never be so, whatever the sensors show"),
        # A sensor of 20 to 250 kPa over air of 45 to 110 kPa: -13.1 to 29.7 psi.
        ("boost > 30 psi", "'boost' ends at 29.73 psi"),
        ("boost < -14 psi", "'boost' ends at -13.05 psi"),
        ("charge_temperature > 200 °C", "'charge_temperature' ends at 200 °C"),
        ("air_pressure > 120 kPa", "'air_pressure' ends at 110 kPa"),
    ],
)
def test_a_limit_that_no_sensor_can_show_is_a_problem(check, when, words):
    code, out = check(when)
    assert (code, words in out) == (2, True), out
    assert "fix: set a limit within" in out


@pytest.mark.parametrize("when", ["coolant >= 215 °C", "throttle >= 100 %", "coolant < -39 °C", "double_trim < -185 %"])
def test_a_limit_at_the_end_of_what_is_sent_can_be_seen(check, when):
    code, out = check(when)
    assert code == 0, out


def test_below_freezing_is_written_as_it_is_read(check):
    # -10 °C was taken for ten degrees' worth of kelvins below nothing, and the rule slept for ever.
    from cabcanary.expressions.names import Names
    from cabcanary.expressions.parse import parse_condition

    parsed = parse_condition("coolant < -10 °C", Names({"coolant": "°C"}, {}))
    assert parsed.right.si == pytest.approx(263.15)
    assert check("coolant < -10 °C")[0] == 0


# --- percent and plain numbers, readings and steps -----------------------------------------------------------


@pytest.mark.parametrize(
    ("when", "message", "fix"),
    [
        ("throttle > 70", "70 is a plain number, and against percent it is 7000 %", "write 70 %"),
        ("throttle > 0.7", "0.7 is a plain number, and against percent it is 70 %", "write 70 %"),
        ("average(throttle, 1 s) > 70", "against percent it is 7000 %", "write 70 %"),
        ("max(throttle, 70) > 80 %", "against percent it is 7000 %", "write 70 %"),
        ("short_trim + 5 > 90 %", "adds 500 % to percent", "write 5 %"),
        ("charge_temperature > coolant + 20 °C", "20 °C is a reading, and adding it adds 293.15 K", "in K"),
        ("charge_temperature + coolant > 200 °C", "adds two readings of temperature", "difference"),
        ("charge_temperature > coolant - charge_temperature", "compares a reading of temperature", "two readings"),
        ("max(coolant, charge_temperature - coolant) > 20 K", "compares a reading of temperature", "two readings"),
    ],
)
def test_what_a_unit_alone_does_not_tell_is_told_apart(check, when, message, fix):
    code, out = check(when)
    assert code == 2
    assert message in out
    assert fix in out.partition("fix: ")[2]


@pytest.mark.parametrize(
    "when",
    [
        "throttle > 70 %",
        "throttle > 0",
        "(1 + short_trim) * 100 kPa > 90 kPa",
        "charge_temperature > coolant + 20 K",
        "charge_temperature - coolant > 20 K",
        "charge_temperature > coolant + (coolant - charge_temperature)",
        "coolant - 20 °C > 30 K",
    ],
)
def test_and_what_is_plain_stays_as_it_is(check, when):
    code, out = check(when)
    assert code == 0, out


def test_a_step_of_temperature_as_a_channel_in_degrees_is_a_problem(check):
    rise = '[channels.rise]\nderive = "formula"\nunit = "°C"\nformula = "charge_temperature - coolant"\n'
    code, out = check(settings=SETTINGS + rise)
    assert code == 2
    assert "the formula gives the size of a step, and '°C' is for readings" in out
    assert check(settings=SETTINGS + rise.replace('unit = "°C"', 'unit = "K"'))[0] == 0


# --- deadbands -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "when", ["map > 150 kPa deadband 140 kPa", "coolant > 110 °C deadband 160 K", "map < 40 kPa deadband 220 kPa"]
)
def test_a_deadband_from_which_no_sensor_comes_back_is_a_problem(check, when):
    code, out = check(when)
    assert code == 2
    assert "once true this stays true" in out


@pytest.mark.parametrize("when", ["boost > 8 psi deadband 9 psi", "coolant > 110 °C deadband 60 K"])
def test_a_deadband_larger_than_its_limit_is_unusual(check, when):
    code, out = check(when)
    assert (code, "unusual: a deadband larger than the limit" in out) == (0, True), out


# --- limits beside what is usual -----------------------------------------------------------------------------

TEXT = (
    SETTINGS.replace('source = "engine"\nitem = "coolant_temperature"', 'source = "box"\nitem = "coolant"')
    + '[sources.box]\nkind = "serial_text"\nport = "/dev/ttyUSB0"\n'
)


@pytest.mark.parametrize(
    ("when", "words"),
    [
        ("coolant > 300 °C", "'coolant' against 300 °C; usual: -40 to 130 °C"),
        ("highest(coolant, 2 s) > 300 °C", "'coolant' against 300 °C; usual: -40 to 130 °C"),
        ("engine_speed > 14000 rpm", "'engine_speed' against 14000 rpm; usual: 0 to 12000 rpm"),
        ("map > 5 kPa", "'map' against 5 kPa; usual: 10 to 450 kPa"),
        ("short_trim < -80 %", "'short_trim' against -80 %; usual: -50 to 50 %"),
        ("map > 15 kPa", "a comparison of 'map' that is always true; usual: a limit within what it can show"),
    ],
)
def test_a_limit_far_from_any_other_is_told_with_what_is_usual(check, when, words):
    code, out = check(when, TEXT, 'blind_delay = "3 s"\n')
    line = next((one for one in out.splitlines() if "unusual" in one), "")
    assert (code, words in line) == (0, True), out
    assert "rules.toml:2: rule one: unusual: " in line


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ('on_delay = "30 s"', "a warning with on_delay of 30 s; usual: 0 to 10 s"),
        ('blind_delay = "1 min"', "a warning with blind_delay of 60 s; usual: 0 to 30 s"),
    ],
)
def test_a_warning_that_waits_for_long_is_unusual(check, key, words, tmp_path, capsys):
    (tmp_path / "van.toml").write_text(SETTINGS)
    (tmp_path / "rules.toml").write_text(RULE.format(when="boost > 8 psi").replace("caution", "warning") + key + "\n")
    main(["check", str(tmp_path / "van.toml")])
    assert words in capsys.readouterr().out


# --- channels ------------------------------------------------------------------------------------------------


def changed(old: str, new: str) -> str:
    assert old in SETTINGS
    return SETTINGS.replace(old, new, 1)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('stale_after = "10 s"', 'stale_after = "150 s"', "150 s until a reading is stale; usual: 0.04 to 60 s"),
        ('unit = "kPa"\n', 'unit = "kPa"\nstale_after = "15 s"\n', "15 s until a reading is stale; usual: 0.04 to 2 s"),
        (
            'stale_after = "10 s"',
            'stale_after = "1 s"',
            "it is read every 2 s, and stale after 1 s; usual: longer than",
        ),
        ("[[0.5, 20.0], [4.5, 250.0]]", "[[0.5, 250.0], [4.5, 20.0]]", "the value falls while the wire rises"),
        ('item = "pedal"', 'item = "throttle"', "it reads the wire of 'throttle'"),
    ],
)
def test_what_is_hardly_ever_written_of_a_channel_is_unusual(check, old, new, words):
    code, out = check(settings=changed(old, new))
    assert (code, words in out) == (0, True), out


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[[0.5, 20.0], [4.5, 250.0]]", "[[20.0, 0.5], [250.0, 4.5]]", "a point is [wire, value]: the wire first"),
        ("[[0.5, 20.0], [4.5, 250.0]]", "[[5.5, 20.0], [9.5, 250.0]]", "the curve is over 5.5 to 9.5 on the wire"),
        (
            "[[0.5, 20.0], [4.5, 250.0]] }\nrails = [0.25, 4.75]",
            "[[20.0, 0.5], [250.0, 4.5]] }",
            "250 V on the wire is more than any sensor gives",
        ),
        (
            "rails = [0.25, 4.75]",
            "rails = [0.25, 4.75]\nplausible = [300.0, 400.0]",
            "the curve gives 20 to 250, and plausible is 300 to 400",
        ),
        (
            'item = "temp2"',
            'item = "voltage0"\nwire_unit = "V"\n' + 'curve = { kind = "linear", points = [[0, -40], [5, 150]] }',
            "is one wire: this takes temperature, and 'map' takes pressure from it",
        ),
        ('item = "temp2"', 'item = "in_temp2_raw"', "write 'temp2'"),
        ('item = "temp2"', 'item = "Temp2"', "did you mean 'temp2'?"),
        ('item = "temp2"', 'item = "temp_2"', "did you mean 'temp2'?"),
        ('item = "temp2"', 'item = "fan2"', "an iio device has no 'fan2'"),
    ],
)
def test_what_cannot_be_of_a_channel_is_a_problem(check, old, new, words):
    code, out = check(settings=changed(old, new))
    assert (code, words in out) == (2, True), out


def test_a_port_of_two_sources_is_a_problem(check):
    box = '[sources.{}]\nkind = "serial_text"\nport = "/dev/ttyUSB0"\n'
    code, out = check(settings=SETTINGS + box.format("one") + box.format("two"))
    assert (code, "'/dev/ttyUSB0' is that of sources.one too" in out) == (2, True), out


def test_a_pin_of_two_switches_is_a_problem(check):
    pins = (
        '[sources.switches]\nkind = "gpio"\n[sources.switches.pins]\nkey = { pin = 18 }\nlights = { pin = "BOARD12" }\n'
    )
    code, out = check(settings=SETTINGS + pins)
    assert (code, "is that of sources.switches.pins.key too" in out) == (2, True), out


def test_a_program_is_told_what_is_unusual(tmp_path, capsys):
    (tmp_path / "van.toml").write_text(changed('stale_after = "10 s"', 'stale_after = "150 s"'))
    (tmp_path / "rules.toml").write_text(RULE.format(when="engine_running"))
    assert main(["check", "--json", str(tmp_path / "van.toml")]) == 0
    (told,) = json.loads(capsys.readouterr().out)["unusual"]
    assert (told["name"], told["fix"]) == ("channels.coolant.stale_after", "0.04 to 60 s")


@pytest.mark.parametrize("file", sorted((Path(__file__).parents[2] / "config").glob("*.toml")), ids=lambda p: p.stem)
def test_every_vehicle_that_comes_with_the_program_is_usual(file, capsys):
    assert main(["check", str(file)]) == 0
    assert "unusual" not in capsys.readouterr().out
