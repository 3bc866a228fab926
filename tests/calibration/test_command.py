"""`cabcanary calibrate`: from points to settings, and what the settings are worth afterwards."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import random
import threading
import time
import tomllib
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from harness import wait_for

from cabcanary.cli.main import main
from cabcanary.feed import Feed
from cabcanary.model import Frame, Quality, Reading, Value
from cabcanary.plan.plan import load_plan

pytestmark = pytest.mark.waits

SETTINGS = """\
rules = ["rules.toml"] # the numbers
[vehicle]
name = "test van"
stage = "low"
[daemon]
folder = "{folder}"
[sources.adc]
kind = "iio"
device = "converter"
folder = "{folder}/iio"
rate_hz = 100

[channels.map] # of the manifold
measures = "manifold_pressure"
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }} # the data sheet's
rails = [0.25, 4.75]

[channels.barometer]
source = "adc"
item = "voltage1"
unit = "kPa"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }}
[channels.lambda]
measures = "lambda"
source = "adc"
item = "voltage2"
unit = "lambda"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 0.65], [4.5, 1.5]] }}
rails = [0.2, 4.8]
[channels.exhaust]
source = "adc"
item = "voltage3"
unit = "°C"
wire_unit = "mV"
curve = {{ kind = "thermocouple_k", cold_junction = "plug" }}
[channels.plug]
source = "adc"
item = "voltage4"
unit = "°C"
pull_up = {{ resistance = "2.49 kohm", supply = "5 V" }}
curve = {{ kind = "thermistor_beta", r25 = "10 kohm", beta = 3950 }}
[channels.air_pressure]
derive = "air_pressure"
unit = "kPa"
sensors = ["barometer"]
pressure = "map"
[channels.boost]
derive = "boost"
unit = "psi"
pressure = "map"
air = "air_pressure"
[channels.engine_running]
derive = "engine_running"
pressure = "map"
"""
RULES = "".join(
    f"""
[[rule]]
id = "{word}_boost"
priority = "warning"
say = "Boost too high"
do = "Lift off gently"
when = "{word} boost > 8 psi"
on_delay = "0.05 s"
"""
    for word in ("likely", "possible", "certain")
)
POINTS = """\
serial = "A-1234"
[reference]
name = "hand pump and gauge"
limits = 0.5
reading = 0.5
[[point]]
raw = 926.0
reference = 45.0
[[point]]
raw = 1934.0
reference = 102.2
[[point]]
raw = 3660.0
reference = 202.3
"""


@pytest.fixture
def van(tmp_path: Path) -> Path:
    device = tmp_path / "iio" / "iio:device0"
    device.mkdir(parents=True)
    # Half a millivolt a step.
    files = {"name": "converter", "in_voltage_scale": "0.5", **{f"in_voltage{n}_raw": "3000" for n in range(5)}}
    for name, text in files.items():
        (device / name).write_text(f"{text}\n")
    (tmp_path / "rules.toml").write_text(RULES)
    (tmp_path / "points.toml").write_text(POINTS)
    file = tmp_path / "van.toml"
    file.write_text(SETTINGS.format(folder=tmp_path))
    return file


def calibrate(van: Path, *words: str, channel: str = "map", points: str | None = None) -> int:
    if points is not None:
        (van.parent / "points.toml").write_text(points)
    return main(["calibrate", channel, "--config", str(van), "--points", str(van.parent / "points.toml"), *words])


def trips(van: Path, volts: float) -> set[str]:
    """The rules that trip while the manifold's wire stands at this voltage, beside 101.3 kPa of air."""
    plan = load_plan(van)
    pipeline, engine = plan.pipeline(), plan.engine()
    air = 500.0 + (101.3 - 20.0) / 230.0 * 4000.0
    raised = set()
    for n in range(1, 40):
        now = n * 20_000_000
        wires = {"voltage0": volts * 1000 + n % 2, "voltage1": air + n % 2}
        newest = {("adc", item): Reading("adc", item, mv, now, Quality.GOOD) for item, mv in wires.items()}
        frame = pipeline.step(newest, now)
        raised |= {c.alert for c in engine.step(frame) if c.active and not c.blind}
    return {alert.removesuffix("_boost") for alert in raised}


def volts_for_boost(van: Path, psi: float) -> float:
    """What the wire shows at this boost over 101.3 kPa, by the curve of the settings; 1 psi is 6.894757 kPa (NIST)."""
    (a, va), (b, vb) = tomllib.loads(van.read_text())["channels"]["map"]["curve"]["points"]
    return a + (101.3 + psi * 6.894757 - va) / (vb - va) * (b - a)


def test_likely_possible_and_certain_part_once_a_channel_is_calibrated(van: Path) -> None:
    every = {"likely", "possible", "certain"}
    assert trips(van, volts_for_boost(van, 8.05)) == every
    assert trips(van, volts_for_boost(van, 7.95)) == set()
    assert calibrate(van, "--yes") == 0
    residual = tomllib.loads(van.read_text())["channels"]["map"]["residual"]
    # Two of them are more than 0.05 psi and less than 0.6 psi.
    assert 0.05 * 6.894757 < 2 * residual < 0.6 * 6.894757
    assert trips(van, volts_for_boost(van, 8.05)) == {"likely", "possible"}
    assert trips(van, volts_for_boost(van, 7.95)) == {"possible"}
    assert trips(van, volts_for_boost(van, 8.6)) == every
    assert trips(van, volts_for_boost(van, 7.4)) == set()


def test_what_is_written_is_shown_kept_and_carried(van: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = van.read_text()
    assert calibrate(van, "--yes") == 0
    said, after = capsys.readouterr().out, van.read_text()
    changed = [line for line in after.splitlines() if line not in before.splitlines()]
    assert [line.partition(" = ")[0] for line in changed] == ["curve", "residual"]
    assert changed[0].endswith("# the data sheet's")
    (record,) = (van.parent / "calibrations").glob("map-20??-??-??.json")
    assert f"serial A-1234: calibrations/{record.name}" in changed[1]
    told = json.loads(record.read_text())
    assert (told["vehicle"], told["stage"], told["serial"]) == ("test van", "low", "A-1234")
    assert [p["reference"] for p in told["points"]] == [45.0, 102.2, 202.3]
    assert told["level"] == 0.95
    assert told["sentence"] in said
    for words in ("not protection", "Fitted: offset and slope of a straight line", "residual =", "(95 %)"):
        assert words in said
    # What is for `reconvert --curve` is what the settings say.
    fragment = tomllib.loads(told["fragment"])["channels"]["map"]
    channel = tomllib.loads(after)["channels"]["map"]
    assert fragment == {key: channel[key] for key in ("curve", "residual")}
    assert told["fragment"].strip() in said
    assert calibrate(van, "--yes") == 0
    assert len(list((van.parent / "calibrations").iterdir())) == 2


def test_nothing_is_written_without_a_yes(
    van: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = van.read_text()
    monkeypatch.setattr("builtins.input", lambda _: "no")
    assert calibrate(van) == 1
    assert "nothing was written" in capsys.readouterr().out
    assert calibrate(van, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["ok"], told["written"], told["channel"]) == (True, False, "map")
    assert van.read_text() == before
    assert not (van.parent / "calibrations").exists()
    monkeypatch.setattr("builtins.input", lambda _: "yes")
    assert calibrate(van) == 0
    assert van.read_text() != before


def test_a_refusal_has_its_reasons_and_changes_nothing(van: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = van.read_text()
    assert calibrate(van, "--yes", points=POINTS.replace("202.3", "29.3")) == 1
    assert "refused" in capsys.readouterr().err
    assert calibrate(van, "--yes", "--json", points=POINTS.replace("45.0", "6.5")) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["ok"] is False
    assert "outside the sensor's range" in told["refused"][0]
    assert van.read_text() == before


def test_a_named_wire_is_measured_before_anything_is_written(van: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 4.71 V in place of 5 V: all three readings are 0.942 of what the data sheet says of 45, 102 and 202 kPa.
    points = POINTS
    for raw, kpa in (("926.0", 45.0), ("1934.0", 102.2), ("3660.0", 202.3)):
        points = points.replace(raw, f"{(500 + (kpa - 20) / 230 * 4000) * 0.942:.1f}")
    before = van.read_text()
    assert calibrate(van, "--yes", points=points) == 1
    said = capsys.readouterr()
    assert "measure 5 V at the sensor" in said.out
    assert "--wires-measured" in said.err
    assert van.read_text() == before
    assert calibrate(van, "--yes", "--wires-measured") == 0


@pytest.mark.parametrize(
    ("channel", "words"),
    [
        ("mapp", "did you mean 'map'"),
        ("boost", "worked out from other channels"),
        ("exhaust", "curve is the standard's"),
    ],
)
def test_what_cannot_be_calibrated_says_why(
    van: Path, capsys: pytest.CaptureFixture[str], channel: str, words: str
) -> None:
    assert calibrate(van, channel=channel) == 2
    assert words in capsys.readouterr().err


def test_no_curve_is_made_for_a_wideband_and_free_air_checks_its_lean_end(
    van: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = van.read_text()
    point = "[[point]]\nreference = 1.5\nraw = {}\n"
    assert calibrate(van, "--yes", channel="lambda", points=point.format(4495.0)) == 0
    assert "it is at its lean end" in capsys.readouterr().out
    assert calibrate(van, "--yes", channel="lambda", points=point.format(3900.0)) == 1
    assert "not at its lean end" in capsys.readouterr().out
    assert van.read_text() == before


# --- at a terminal ---------------------------------------------------------------------------------------------------


class Wire:
    """A converter's file that goes on being written, with noise of a step."""

    def __init__(self, file: Path) -> None:
        self.kpa, self._file, self._stop = 101.3, file, threading.Event()
        self._random = random.Random(5)
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        # In place, as the kernel's files are: a reader keeps its descriptor.
        descriptor = os.open(self._file, os.O_WRONLY)
        while not self._stop.wait(0.003):
            # A zero of 10 mV and a gain of 1 % too much.
            mv = (500 + (self.kpa - 20) / 230 * 4000) * 1.01 + 10 + self._random.gauss(0, 1.0)
            os.pwrite(descriptor, f"{round(mv / 0.5):05d}\n".encode(), 0)
        os.close(descriptor)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()


@pytest.fixture
def wire(van: Path) -> Iterator[Wire]:
    file = van.parent / "iio" / "iio:device0" / "in_voltage0_raw"
    file.write_text("03000\n")
    made = Wire(file)
    yield made
    made.close()


def person(wire: Wire, lines: list[str], prompts: list[str]) -> Callable[[str], str]:
    """Types these; a number is where the pump is brought first."""

    def types(prompt: str) -> str:
        prompts.append(prompt)
        if not lines:
            raise EOFError
        line = lines.pop(0)
        if prompt.startswith("Point") and line[0].isdigit():
            number, _, rest = line.partition(" ")
            wire.kpa = float(number) * (6.894757 if rest.startswith("psi") else 1.0)
            time.sleep(0.05)
        return line

    return types


def test_a_person_is_led_from_point_to_point(
    van: Path, wire: Wire, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = ["trusted gauge", "0.5", "0.4", "", "A-1234", "what", "45", "nonsense kPa", "101.3 ± 0.3", "29 psi", "undo"]
    lines += ["29 psi", "done", "yes"]
    prompts: list[str] = []
    monkeypatch.setattr("builtins.input", person(wire, lines, prompts))
    assert main(["calibrate", "map", "--config", str(van), "--seconds", "0.5"]) == 0
    said = capsys.readouterr().out
    print(said)
    assert "no compressed air" in " ".join(said.split())
    assert "nothing is sent" in said
    assert prompts[5].startswith("Point 1: bring it to the first value")
    assert said.count("readings: ") == 4
    assert "V ± 0.001" in said
    assert "'what' is no number" in said
    told = json.loads(next((van.parent / "calibrations").iterdir()).read_text())
    assert [round(p["reference"], 1) for p in told["points"]] == [45.0, 101.3, 199.9]
    assert [p["uncertainty"] for p in told["points"]] == [0.4, 0.3, 0.4]
    assert all(p["count"] > 10 for p in told["points"])
    (_, low), (_, high) = tomllib.loads(van.read_text())["channels"]["map"]["curve"]["points"]
    # By the sensor's own equation: 0.5 V is 20 kPa less 15 mV and 4.5 V 250 kPa less 54.5 mV of 57.5 kPa a volt.
    assert low == pytest.approx(20.0 - 0.0149 * 57.5, abs=0.4)
    assert high == pytest.approx(250.0 - 0.0545 * 57.5, abs=0.4)


def test_the_air_is_added_to_what_a_gauge_shows(
    van: Path, wire: Wire, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = ["gauge", "0.5", "0.4", "101.3 ± 0.2", "", "-56.3", "0", "14.5 psi", "done", "yes"]
    prompts: list[str] = []

    def types(prompt: str) -> str:
        line = lines.pop(0)
        if prompt.startswith("Point") and line != "done":
            number, _, rest = line.partition(" ")
            wire.kpa = 101.3 + float(number) * (6.894757 if rest else 1.0)
            time.sleep(0.05)
        prompts.append(prompt)
        return line

    monkeypatch.setattr("builtins.input", types)
    assert main(["calibrate", "map", "--config", str(van), "--seconds", "0.5"]) == 0
    capsys.readouterr()
    told = json.loads(next((van.parent / "calibrations").iterdir()).read_text())
    assert [round(p["reference"], 1) for p in told["points"]] == [45.0, 101.3, 201.3]
    assert told["reference_limits"] == pytest.approx(0.7)
    # The same from a file, where a new curve is as near to the old one.
    points = POINTS.replace("reading = 0.5", "reading = 0.5\nair = 101.3")
    for absolute, above in ((45.0, -56.3), (102.2, 0.9), (202.3, 101.0)):
        points = points.replace(f"reference = {absolute}", f"reference = {above}")
    assert calibrate(van, "--json", points=points) == 0
    shown = json.loads(capsys.readouterr().out)
    assert [round(p["reference"], 1) for p in shown["points"]] == [45.0, 102.2, 202.3]
    # And without the air it is refused, with the likely reason.
    assert calibrate(van, points="[[point]]\nraw = 3660.0\nreference = 101.0\nuncertainty = 0.5\n") == 1
    assert "a gauge's reading, which is above the air" in capsys.readouterr().err


def test_a_point_that_moves_is_not_taken_and_stopping_changes_nothing(
    van: Path, wire: Wire, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = van.read_text()
    leaking = threading.Event()

    def leaks() -> None:
        while not leaking.wait(0.01):
            wire.kpa -= 0.2

    thread = threading.Thread(target=leaks)
    thread.start()
    try:
        monkeypatch.setattr("builtins.input", person(wire, ["gauge", "0.5", "", "", "", "180"], []))
        assert main(["calibrate", "map", "--config", str(van), "--seconds", "0.5"]) == 1
    finally:
        leaking.set()
        thread.join()
    said = capsys.readouterr().out
    assert "not taken: point 1: the reading moved" in said
    assert "stopped; nothing was changed" in said
    assert van.read_text() == before


def test_a_channel_may_be_the_reference(
    van: Path, wire: Wire, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (van.parent / "iio" / "iio:device0" / "in_voltage1_raw").write_text(f"{round((500 + 81.3 / 230 * 4000) / 0.5)}\n")
    lines = ["key-on air", "0.3", "0.3", "", "", "barometer", "done", "yes"]
    monkeypatch.setattr("builtins.input", person(wire, lines, []))
    assert main(["calibrate", "map", "--config", str(van), "--seconds", "0.4"]) == 0
    said = capsys.readouterr().out
    assert "offset alone" in said
    assert "Further away nothing is known of it" in said
    told = json.loads(next((van.parent / "calibrations").iterdir()).read_text())
    assert told["points"][0]["reference"] == pytest.approx(101.3, abs=0.05)


def test_a_wire_that_says_nothing_is_told_in_a_line(
    van: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (van.parent / "iio" / "iio:device0" / "name").write_text("another\n")
    monkeypatch.setattr("cabcanary.calibration.wires._FIRST_S", 0.5)
    monkeypatch.setattr("builtins.input", person_once(["gauge", "1", "1", "", "", "101.3"]))
    assert main(["calibrate", "map", "--config", str(van), "--seconds", "0.2"]) == 1
    assert "no reading of map from sources.adc" in capsys.readouterr().out


def person_once(lines: list[str]) -> Callable[[str], str]:
    def types(_: str) -> str:
        if not lines:
            raise EOFError
        return lines.pop(0)

    return types


# --- other wires -----------------------------------------------------------------------------------------------------


def test_a_wideband_on_a_serial_line_is_heard_in_free_air(
    van: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    text = van.read_text()
    start, end = text.index("[channels.lambda]"), text.index("[channels.exhaust]")
    serial = (
        f'[sources.wideband]\nkind = "serial_text"\nport = "{os.ttyname(slave)}"\nbaud = 9600\n'
        '[channels.lambda]\nmeasures = "lambda"\nsource = "wideband"\nitem = "lambda"\nunit = "lambda"\n'
        "ends = [0.65, 1.5]\n"
    )
    van.write_text(text[:start] + serial + text[end:])
    stop = threading.Event()

    def speaks() -> None:
        while not stop.wait(0.02):
            os.write(master, b"lambda=1.500\n")

    thread = threading.Thread(target=speaks)
    thread.start()
    monkeypatch.setattr("builtins.input", lambda _: "")
    try:
        assert main(["calibrate", "lambda", "--config", str(van), "--seconds", "0.5"]) == 0
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)
    said = capsys.readouterr().out
    assert "Readings of lambda come from sources.wideband" in said
    assert "lambda 1.5" in said
    assert "it is at its lean end" in said


def test_readings_come_from_the_feed_of_a_running_daemon(
    van: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    hello = {"units": {"map": "kPa", "barometer": "kPa"}, "vehicle": "test van"}
    values = {"map": 101.3}

    async def serve(stop: asyncio.Event) -> None:
        feed = Feed(van.parent / "feed.sock", lambda: hello, list, lambda _: {})
        task, n = asyncio.ensure_future(feed.run()), 0
        while not stop.is_set():
            n += 1
            now = time.monotonic_ns()
            # The settings' curve over 1.01 V plus 10 mV, with 0.1 kPa of noise.
            shown = values["map"] * 1.01 + 0.9 + (0.1 if n % 2 else -0.1)
            feed.frame(
                Frame(now, {"map": Value(shown, Quality.GOOD, now), "barometer": Value(99.0, Quality.GOOD, now)})
            )
            await asyncio.sleep(0.05)
        task.cancel()

    loop, stop = asyncio.new_event_loop(), asyncio.Event()
    thread = threading.Thread(target=lambda: loop.run_until_complete(serve(stop)))
    thread.start()

    def types(prompt: str) -> str:
        line = lines.pop(0)
        if prompt.startswith("Point") and line.isdigit():
            values["map"] = float(line)
            time.sleep(0.2)
        return line

    lines = ["gauge", "0.5", "0.5", "", "", "45", "101", "200", "done", "no"]
    monkeypatch.setattr("builtins.input", types)
    try:
        wait_for("the feed", (van.parent / "feed.sock").exists)
        assert main(["calibrate", "map", "--config", str(van), "--seconds", "1"]) == 1
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join()
        loop.close()
    said = capsys.readouterr().out
    assert "come from the running daemon; nothing is sent" in said
    curve = next(line for line in said.splitlines() if line.startswith("curve = "))
    (_, low), (_, high) = tomllib.loads(curve)["curve"]["points"]
    # What it showed was 1.01 times the truth and 0.9 kPa.
    assert low == pytest.approx((20.0 - 0.9) / 1.01, abs=0.3)
    assert high == pytest.approx((250.0 - 0.9) / 1.01, abs=0.3)


def test_what_answers_only_when_asked_is_not_asked(van: Path, capsys: pytest.CaptureFixture[str]) -> None:
    van.write_text(
        van.read_text()
        + '[sources.engine]\nkind = "can"\ninterface = "slcan"\nchannel = "/dev/null"\nitems = { map = 4 }\n'
        + '[channels.engine_map]\nsource = "engine"\nitem = "map"\nunit = "kPa"\nplausible = [10.0, 250.0]\n'
    )
    assert main(["calibrate", "engine_map", "--config", str(van)]) == 1
    assert "start the daemon" in capsys.readouterr().err
