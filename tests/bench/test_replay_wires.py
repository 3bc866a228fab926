"""A drive over simulated wires into the installed daemon: the same alerts as live, within two ticks."""

from __future__ import annotations

import json
import subprocess
from typing import TYPE_CHECKING

import pytest
from harness import LATE_S, command
from live_drive import Live

from cabcanary.alerts.words import alert_event
from cabcanary.model import Quality, Reading
from cabcanary.plan.plan import load_plan
from cabcanary.recorder.archiver import archive_all
from cabcanary.review.replay.recording import Step
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.serial.serial_settings import SerialTextSource
from cabcanary_bench.drives.scenario_files import read_scenario
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.paths import config_folder
from cabcanary_bench.replay.recorded_wires import Bus, Lines, NotOnWiresError, Track
from cabcanary_bench.replay.replay_compare import _rests_on, _settled, pair

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary_bench.drives.scenario import Scenario

pytestmark = pytest.mark.in_time


NS = 1_000_000_000


def readings(source: str, item: str, *values: tuple[float, float | None]) -> list[Reading]:
    return [
        Reading(source, item, v, round(t * NS), Quality.GOOD if v is not None else Quality.ABSENT) for t, v in values
    ]


def read_all(host, length: int) -> bytes:
    """A terminal passes bytes on in pieces."""
    data = b""
    while len(data) < length:
        data += host.read(200)
    return data


# --- the wires -------------------------------------------------------------------------------------------------


def test_a_line_says_what_was_recorded_in_the_words_of_its_settings(tmp_path):
    spec = SerialTextSource(kind="serial_text", port="x", not_ready=["heating"], error=["error"])
    line = Lines(tmp_path / "tty", "wideband", spec)
    with open(tmp_path / "tty", "rb", buffering=0) as host:
        line.show(readings("wideband", "lambda", (1.0, 0.853)))
        line.show([Reading("wideband", "lambda", None, 2 * NS, Quality.WARMING)])
        line.show([Reading("wideband", "lambda", None, 3 * NS, Quality.ABSENT)])
        wanted = b"\r\nlambda=0.853\r\nlambda=heating\r\nlambda=error\r\n"
        assert read_all(host, len(wanted)) == wanted
    line.close()


def test_a_line_without_a_word_for_no_value_has_its_plug_out(tmp_path):
    line = Lines(tmp_path / "tty", "wideband", SerialTextSource(kind="serial_text", port="x", fields=["rpm", "lambda"]))
    line.show([Reading("wideband", "lambda", None, NS, Quality.ABSENT)])
    assert not (tmp_path / "tty").exists()
    line.show(readings("wideband", "lambda", (2.0, 0.9)))
    with open(tmp_path / "tty", "rb", buffering=0) as host:
        assert read_all(host, len(b"- 0.9\r\n")) == b"- 0.9\r\n"
    line.close()


def test_a_line_known_by_a_pattern_only_is_refused(tmp_path):
    spec = SerialTextSource(kind="serial_text", port="x", pattern="L(?P<lambda>.*)")
    with pytest.raises(NotOnWiresError, match="source wideband"):
        Lines(tmp_path / "tty", "wideband", spec)


@pytest.fixture
def bus(tmp_path):
    tracks = {
        "rpm": Track(readings("e", "rpm", *((10 + 0.1 * n, 1000.0 + 10 * n) for n in range(100)))),
        "coolant_temperature": Track(
            readings("e", "coolant_temperature", *((10.03 + 2 * n, 80.0 + n) for n in range(5)))
        ),
    }
    spec = CanSource(kind="can", interface="slcan", channel="x", items={"rpm": 10, "coolant_temperature": 0.5})
    clock = {"recorded": 10.0 * NS, "now": 500 * NS}
    made = Bus(tmp_path / "tty", spec, tracks, lambda: clock["recorded"], lambda: clock["now"])
    yield made, clock
    made.close()


def test_a_poll_is_answered_with_the_reading_nearest_to_its_time(bus):
    made, clock = bus
    for at, rpm in ((10.04, 1000), (10.06, 1010), (12.0, 1200)):
        clock["recorded"] = at * NS
        # SAE J1979, PID 0C: a quarter of a revolution a count.
        assert int.from_bytes(made._data(0x0C), "big") == rpm * 4
    # PID 05: 40 more than degrees Celsius.
    assert made._data(0x05) == bytes([81 + 40])
    assert made._data(0x0D) is None


def test_the_play_begins_when_the_polls_fall_together_with_the_recorded_ones(bus):
    made, clock = bus
    clock["now"] = 500 * NS + 37_000_000
    made._asked(bytes([0x0C]))
    clock["now"] = 500 * NS + 137_000_000
    made._asked(bytes([0x0C, 0x05]))
    start, misses = made.best_start(10 * NS, 501 * NS)
    # Recorded 0 ms into each tenth of a second, asked 37 ms into it; the coolant 30 ms into two seconds, and 137: one
    # wants to begin at 501.037 s (or a tenth later), the other at 502.107 s. Between them lies 15 ms for each.
    assert sorted(misses.values()) == pytest.approx([-15e6, 15e6], abs=2e6)
    assert start == pytest.approx(502_122_000_000, abs=2_000_000)
    assert 501 * NS <= start <= 503 * NS


def test_the_bus_is_silent_from_its_last_answer_on(tmp_path):
    values = [(10.0, 900.0), (10.1, 910.0), (10.6, None), (14.0, 950.0)]
    tracks = {"rpm": Track(readings("e", "rpm", *values))}
    at = {"s": 10.0}
    spec = CanSource(kind="can", interface="slcan", channel="x", items={"rpm": 10})
    made = Bus(tmp_path / "tty", spec, tracks, lambda: at["s"] * NS, lambda: 0)
    awake = {}
    for at["s"] in (10.05, 10.099, 10.15, 13.9, 13.99, 15.0):
        made.look()
        awake[at["s"]] = made._responder.awake
    made.close()
    assert awake == {10.05: True, 10.099: True, 10.15: False, 13.9: False, 13.99: True, 15.0: True}


def test_changes_are_held_against_each_other_in_their_order():
    recorded = [Step(100, "a", "active"), Step(200, "a", "normal"), Step(300, "a", "active"), Step(400, "b", "active")]
    came = [Step(120, "a", "active"), Step(190, "a", "normal"), Step(300, "a", "active")]
    assert [(s.time_ns, ticks) for s, ticks in pair(recorded, came, 20.0)] == [
        (100, 1.0),
        (200, -0.5),
        (300, 0.0),
        (400, None),
    ]


def test_only_what_rests_on_the_monitors_own_computer_may_be_off_by_more_than_two_ticks():
    plan = load_plan(config_folder() / "bench-van.toml")
    assert _rests_on(plan, "over_boost") == (2, True)  # against air pressure, which the engine computer is asked for
    assert _rests_on(plan, "supply_high") == (2, False)
    assert _rests_on(plan, "cannot_see_lambda") == (2, False)
    assert _rests_on(plan, "recorder_not_recording") == (52, False)  # once a second, of 50 ticks


def test_what_stood_before_every_wire_had_spoken_is_left_out():
    steps = [
        Step(10, "a", "active, unacknowledged"),
        Step(30, "a", "normal"),
        Step(40, "a", "active, unacknowledged"),
        Step(50, "b", "active, unacknowledged"),
    ]
    assert _settled(steps, 20, {"a": "active, unacknowledged"}) == steps[2:]
    assert _settled(steps, 20, {"a": "normal"}) == steps[1:]


# --- the whole way -----------------------------------------------------------------------------------------------


SHORT = """\
about = "over-boost in a pull"
length = "31 s"
start_coolant = "85 °C"

[[driver]]
at = "0 s"
key = "start"

[[driver]]
at = "3 s"
speed = "60 km/h"
within = "14 s"

[[driver]]
at = "20 s"
grade = "10 %"
speed = "78 km/h"
within = "12 s"

[[fault]]
kind = "over_boost"
at = "23 s"
until = "28 s"
severity = 0.3

[[expect]]
sounds = "over_boost"
"""


def recorded(folder: Path, scenario: Scenario) -> None:
    """A drive as the daemon's own parts make and keep it, without wires and so without a machine that is late."""
    live = Live(load_plan(config_folder() / "bench-van.toml"), folder, None)
    for newest, now_ns in drive(scenario, seed=1).ticks():
        state = live.recorder.states_before(now_ns)
        frame = live.pipeline.step(newest, now_ns)
        changes = live.engine.step(frame)
        live.recorder.step(frame, newest, state)
        for change in changes:
            live.recorder.event(alert_event(change))
        live.now_ns = now_ns
    live.finish()
    archive_all(folder)


@pytest.mark.timeout(200)
def test_a_recorded_drive_over_real_transports_gives_the_same_alerts_within_two_ticks(tmp_path):
    (tmp_path / "short.toml").write_text(SHORT)
    recorded(tmp_path / "drives", read_scenario(tmp_path / "short.toml"))
    answer = {}
    for _ in range(2):
        line = command("replay", "last", "--folder", "drives", "--wires", "--speed", "2", "--json")
        done = subprocess.run(line, cwd=tmp_path, capture_output=True, text=True, timeout=90)
        assert done.stdout, done.stderr
        answer = json.loads(done.stdout)
        # What holds the daemon up is not seen on the wires: the drive is driven once more before it counts.
        if answer["same"]:
            break
    # Where the machine itself held bytes up for longer than a tick, so were the alerts.
    if answer["wires_late_s"] <= LATE_S / 4:
        assert answer["same"], answer
    assert answer["same"] is (done.returncode == 0)
    assert ("over_boost", "active, unacknowledged") in [(c["alert"], c["state"]) for c in answer["changes"]], answer
