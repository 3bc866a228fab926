"""`cabcanary inspect`: figures, the walk with a person, stops, the report, the feed, the bench."""

from __future__ import annotations

import asyncio
import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cabcanary.cli.main import main
from cabcanary.feed import Feed
from cabcanary.inspection import causes, ranking, seeing
from cabcanary.inspection.evidence import Evidence
from cabcanary.inspection.live_eyes import FeedError, LiveEyes
from cabcanary.inspection.questions import ALL, BY_KEY, QuestionError
from cabcanary.inspection.record import RecordError, taken_up
from cabcanary.inspection.report import html
from cabcanary.inspection.roles import Moment, Role, Roles, Told, roles_of
from cabcanary.inspection.steps import STEPS
from cabcanary.inspection.walk import StoppedError, Walk
from cabcanary.model import Frame, Quality, Value
from cabcanary.plan.plan import load_plan
from cabcanary.units import unit
from cabcanary_bench.installed.install_faults import INSTALL_FAULTS
from cabcanary_bench.paths import config_folder

VAN = config_folder() / "bench-van.toml"
KPA = Role("map", unit("kPa"), 1000.0, rails=(0.25, 4.75))


class Bare:
    """Eyes on a vehicle of which nothing is known but its manifold's pressure by phase, kPa."""

    def __init__(self, **kpa: float) -> None:
        self.kpa, self.watched = kpa, list[str]()

    def watch(self, phase: str, seconds: float, until_enter: bool) -> list[Moment]:
        self.watched.append(phase)
        told = Told(self.kpa.get(phase, 100.0), "good")
        return [Moment(n / 25, {"map": told}) for n in range(500)]


class Typist:
    """A person with a list of lines; at its end the line is closed."""

    def __init__(self, *lines: str) -> None:
        self.lines, self.prompts = list(lines), list[str]()

    def __call__(self, prompt: str) -> str:
        self.prompts.append(prompt)
        if not self.lines:
            raise EOFError
        return self.lines.pop(0)


def at(seconds: float, shape: Callable[[float], float]) -> list[tuple[float, float]]:
    return [(n / 25, shape(n / 25)) for n in range(round(seconds * 25))]


def blips(t: float) -> float:
    return 60.0 if t % 5.0 < 1.0 else 0.0


# --- figures --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("late_s", [0.0, 0.3, 1.0, 2.0])
def test_a_lag_is_found_within_a_step(late_s: float) -> None:
    found = seeing.lag_s(at(20.0, lambda t: blips(t - late_s)), at(20.0, blips))
    assert found == pytest.approx(late_s, abs=0.06)


def test_a_lag_without_a_witness_is_unknown() -> None:
    assert seeing.lag_s(at(20.0, blips), []) is None


def test_a_first_order_lag_shows_in_how_steep_it_is() -> None:
    # Of a rise of 1 s with 2 s of lag: 1 - exp(-0.3/2) over 1 - exp(-1/2) is 0.354; with a sample more, 0.396.
    def kinked(t: float) -> float:
        return 1.0 - math.exp(-min(t, 1.0) / 2.0) if t > 0 else 0.0

    assert 0.354 <= seeing.quick_share(at(1.0, kinked)) <= 0.396
    assert seeing.quick_share(at(20.0, blips)) == 1.0


@pytest.mark.parametrize(
    ("told", "state"),
    [
        (Told(None, "out of range", "0.02 V: shorted to ground or unplugged"), "at ground"),
        (Told(None, "out of range", "4.98 V: shorted to its supply or ground lost"), "at supply"),
        (Told(None, "absent", "no reading"), "silent"),
        (Told(99.0, "stale", "nothing new"), "silent"),
        (Told(99.0, "implausible", "contradicted"), "inside"),
    ],
)
def test_a_wire_has_the_state_that_the_channel_tells(told: Told, state: str) -> None:
    assert seeing.wire_state([Moment(n / 25, {"map": told}) for n in range(50)], KPA) == state


def test_a_wire_beyond_both_rails_changes() -> None:
    low, high = Told(None, "out of range", "0.02 V: x"), Told(None, "out of range", "4.98 V: x")
    moments = [Moment(n / 25, {"map": low if n < 25 else high}) for n in range(50)]
    assert seeing.wire_state(moments, KPA) == "changes"


def test_a_stale_number_is_none() -> None:
    assert KPA.number(Told(99.0, "stale"), 100.0) is None
    assert KPA.number(Told(99.0, "saturated high"), 100.0) == pytest.approx(99.0)


def test_a_sensor_against_the_air_counts_from_the_air() -> None:
    assert Role("map", unit("psi"), 1000.0, gauge=True).number(Told(1.0, "good"), 90.0) == pytest.approx(96.894757)


# --- causes ---------------------------------------------------------------------------------------------------------


def test_every_cause_speaks_of_words_that_there_are() -> None:
    for cause in causes.CAUSES:
        assert cause.next
        assert cause.words
        for observation, likely in cause.shows.items():
            assert set(likely) <= set(causes.WORDS[observation]), (cause.key, observation)
            assert sum(likely.values()) <= 1.0 + 1e-9, (cause.key, observation)
            total = sum(ranking.likelihood(cause, observation, w) for w in causes.WORDS[observation])
            assert total == pytest.approx(1.0, abs=0.015), (cause.key, observation)


def test_what_is_seen_of_a_healthy_vehicle_raises_no_cause_of_wires() -> None:
    assert len({cause.key for cause in causes.CAUSES}) == len(causes.CAUSES)
    assert set(INSTALL_FAULTS) <= {cause.key for cause in causes.CAUSES}


def test_probabilities_are_those_of_bayes() -> None:
    found = ranking.ranked({"servo": "no"})
    by = {c.key: c.prior * ranking.likelihood(c, "servo", "no") for c in causes.CAUSES}
    assert sum(r.probability for r in found) == pytest.approx(1.0)
    assert found[0].cause.key == "servo_off"
    assert found[0].probability == pytest.approx(by["servo_off"] / sum(by.values()))


def test_a_cause_that_the_vehicle_cannot_have_is_not_named() -> None:
    hatchback = roles_of(load_plan(config_folder() / "market-hatchback.toml"))
    told = {r.cause.key for r in ranking.ranked({"mixture_wire": "silent"}, hatchback)}
    assert "mixture_open" in told
    assert told & {"divider", "line_silent"} == set()


@pytest.mark.parametrize(("feed", "said"), [(13.6, True), (9.0, False)])
def test_a_silent_unit_with_a_good_feed_and_ground_is_said_to_be_faulty_itself(feed: float, said: bool) -> None:
    e = Evidence(Roles(), {"battery": feed + 0.1, "feed": feed, "ground": 0.02, "unit_lives": False})
    e.observed |= {
        "feed_drop": "small", "ground_drop": "small", "mixture_wire": "silent", "warm_up": "blind", "unit_lives": "no",
    }  # fmt: skip
    first = ranking.lines(e)[0]
    assert first.startswith("most likely: the wideband's unit itself is faulty")
    assert (f"{feed} V stand on its feed and its ground loses 0.02 V" in first) is said
    assert ("second-hand" in first) is said


# --- the walk -------------------------------------------------------------------------------------------------------


def walk(folder: Path, eyes: Bare, typist: Typist | None, answers: dict[str, Any] | None = None) -> tuple[Any, str]:
    roles = Roles(pressure=Role("map", unit("kPa"), 1000.0, rails=(0.25, 4.75), band=2.0), buzzer=True)
    record, evidence = taken_up(folder, "van", "sensors", roles, anew=False)
    evidence.answers |= answers or {}
    told: list[str] = []
    try:
        Walk(record, evidence, eyes, told.append, typist).go()
    except StoppedError:
        told.append("stopped")
    return record, "\n".join(told)


GOOD = {
    "feed_key_off": 0.0, "battery": 12.4, "feed": 12.3, "ground": 0.02, "barometer": 100.0, "idle_steady": True,
    "pedal": True, "buzzer": True,
}  # fmt: skip


def test_a_stop_is_taken_up_where_it_was(tmp_path: Path) -> None:
    eyes = Bare(idle=33.0)
    walk(tmp_path, eyes, Typist("0.1", "12.4"))
    first, told = walk(tmp_path, eyes, Typist("12.3 V", "0,02"))
    assert told.endswith("stopped")
    assert list(first.steps) == ["key_off", "load"]
    assert eyes.watched == []
    second, _ = walk(tmp_path, eyes, Typist("", "100.0", "", "yes"))
    assert second.file == first.file
    assert list(second.steps) == ["key_off", "load", "rails", "sensors", "idle"]
    assert eyes.watched == ["key on", "idle"]
    third, _ = walk(tmp_path, Bare(idle=33.0), None, GOOD)
    assert third.ended
    assert json.loads(first.file.read_text())["answers"]["ground"] == 0.02
    assert walk(tmp_path, Bare(idle=33.0), None, GOOD)[0].file != first.file


def test_a_stop_between_two_steps_of_one_minute_watches_it_again(tmp_path: Path) -> None:
    walk(tmp_path, Bare(), Typist("0", "12.4", "12.3", "0", "", "99.8"))
    record = next((tmp_path / "inspections").glob("*.json"))
    kept = json.loads(record.read_text())
    del kept["steps"]["sensors"]
    record.write_text(json.dumps(kept))
    eyes = Bare()
    found, _ = walk(tmp_path, eyes, Typist(""))
    assert eyes.watched == ["key on"]
    assert found.steps["sensors"][0].verdict == "pass"


def test_what_was_only_skipped_is_asked_again(tmp_path: Path) -> None:
    first, _ = walk(tmp_path, Bare(), Typist("", "12.4"))
    assert [f.verdict for f in first.steps["key_off"]] == ["skipped"]
    second, _ = walk(tmp_path, Bare(), Typist("0.1"))
    assert [f.verdict for f in second.steps["key_off"]] == ["pass"]


def test_a_slip_of_the_pen_is_asked_again(tmp_path: Path) -> None:
    record, told = walk(tmp_path, Bare(), Typist("twelve", "0.2"))
    assert "type a number of V" in told
    assert record.steps["key_off"][0].figure == "0.2 V"


def test_nobody_drives_after_a_failure_nor_without_the_brake(tmp_path: Path) -> None:
    for number, wrong in enumerate(({"feed_key_off": 12.0}, {"pedal": None}, {"pedal": False})):
        answers = {k: v for k, v in (GOOD | wrong).items() if v is not None}
        eyes = Bare(idle=33.0)
        record, _ = walk(tmp_path / str(number), eyes, None, answers)
        assert "drive" not in eyes.watched
        assert [f.verdict for f in record.steps["drive"]] == ["skipped"]
        assert not record.complete


def test_what_was_not_looked_at_is_skipped_and_not_passed(tmp_path: Path) -> None:
    record, _ = walk(tmp_path, Bare(idle=33.0), None, {})
    assert [f.verdict for f in record.steps["load"]] == ["skipped", "skipped"]
    assert not record.complete


@pytest.mark.parametrize(
    ("answers", "step", "verdict"),
    [
        ({"feed": 11.95}, "load", "pass"), ({"feed": 11.85}, "load", "fail"),
        ({"ground": 0.1}, "load", "pass"), ({"ground": 0.12}, "load", "fail"), ({"ground": -0.12}, "load", "fail"),
        ({"feed_key_off": 0.9}, "key_off", "pass"), ({"feed_key_off": 1.1}, "key_off", "fail"),
        # The typed barometer within 1.5 kPa, the sensor within its band of 2.
        ({"barometer": 103.4}, "sensors", "pass"), ({"barometer": 103.6}, "sensors", "fail"),
    ],
)  # fmt: skip
def test_the_limits(answers: dict[str, float], step: str, verdict: str, tmp_path: Path) -> None:
    record, _ = walk(tmp_path, Bare(idle=33.0), None, GOOD | answers)
    worst = {f.verdict for f in record.steps[step]}
    assert ("fail" in worst) is (verdict == "fail")


def test_idle_is_held_to_the_stage_before_where_it_was_measured(tmp_path: Path) -> None:
    e = Evidence(Roles(pressure=KPA, idle_before=(30.0, 1.0)), figures={"air": 100.0})
    idle = next(s for s in STEPS if s.key == "idle")
    moments = [Moment(n / 25, {"map": Told(37.0, "good")}) for n in range(100)]
    assert idle.judge(e, moments)[0].verdict == "fail"
    e.roles = Roles(pressure=KPA)
    assert idle.judge(e, moments)[0].verdict == "pass"


def test_an_engine_that_stood_is_not_judged() -> None:
    e = Evidence(Roles(pressure=KPA, engine_speed=Role("rpm", unit("rpm"), unit("rpm").factor)), figures={"air": 100.0})
    told = {"map": Told(100.0, "good"), "rpm": Told(0.0, "good")}
    stood = [Moment(n / 25, told) for n in range(100)]
    for step in STEPS:
        if step.watch in ("idle", "blip"):
            assert [f.verdict for f in step.judge(e, stood)] == ["skipped"]
    # A line that is off while the engine turns is one.
    idles = [Moment(n / 25, told | {"rpm": Told(800.0, "good")}) for n in range(100)]
    assert next(s for s in STEPS if s.key == "idle").judge(e, idles)[0].verdict == "fail"


def test_a_record_that_is_none_is_told(tmp_path: Path) -> None:
    place = tmp_path / "inspections"
    place.mkdir()
    (place / "2026-11-28.json").write_text("[]")
    with pytest.raises(RecordError, match="move it away"):
        taken_up(tmp_path, "van", "sensors", Roles(), anew=False)
    assert taken_up(tmp_path, "van", "sensors", Roles(), anew=True)[0].steps == {}


@pytest.mark.parametrize(
    ("key", "answer"),
    [("feed", True), ("feed", 400), ("pedal", 1), ("barometer", 1013), ("ground", "nan"), ("buzzer", "maybe")],
)
def test_answers_that_cannot_be_are_refused(key: str, answer: object) -> None:
    with pytest.raises(QuestionError, match=key):
        BY_KEY[key].taken(answer)


def test_every_question_is_asked_by_a_step_or_is_a_next_measurement() -> None:
    asked = {q.key for step in STEPS for q in step.asks} | {"plug_5v", "plug_signal", "sensor_ground"}
    assert {q.key for q in ALL} == asked | {"unit_signal", "unit_lives"}


# --- report ---------------------------------------------------------------------------------------------------------


def test_the_report_needs_nothing_else_and_never_says_safe(tmp_path: Path) -> None:
    record, told = walk(tmp_path, Bare(idle=33.0), None, GOOD | {"feed": 0.0, "barometer": 80.0})
    page = html(record)
    assert re.search(r"\b(src|href|url|@import|<script)\b", page) is None
    assert re.search(r"\bsafe(ly)?\b", page + told + json.dumps(record.as_json()), re.IGNORECASE) is None
    for words in (
        "monitor, not protection", "Parked, brake on, out of gear", "ventilated", "fused at its source",
        "restraint, brake or steering", "qualified tuner", "the law allows", "no proof", "Most likely", "Also possible",
    ):  # fmt: skip
        assert words in page, words
    assert page.count("<tr") == 1 + len(record.findings)


def test_a_name_in_the_report_is_text(tmp_path: Path) -> None:
    record, _ = walk(tmp_path, Bare(idle=33.0), None, GOOD)
    record.vehicle = "<script>alert(1)</script>"
    assert "<script" not in html(record)


# --- the feed -------------------------------------------------------------------------------------------------------


async def test_it_watches_at_the_feed_of_the_daemon(tmp_path: Path) -> None:
    feed = Feed(tmp_path / "feed.sock", dict, list, dict)
    server = asyncio.create_task(feed.run())
    while not (tmp_path / "feed.sock").exists():
        await asyncio.sleep(0.01)
    eyes = LiveEyes(VAN, tmp_path / "feed.sock", ("map",))
    watched = asyncio.create_task(asyncio.to_thread(eyes.watch, "idle", 0.6, until_enter=False))
    for n in range(60):
        dark = Value(None, Quality.OUT_OF_RANGE, n, reason="0.02 V: shorted to ground or unplugged")
        feed.frame(Frame(n * 20_000_000, {"map": dark, "supply": Value(14.0, Quality.GOOD, n)}))
        await asyncio.sleep(0.02)
    moments = await watched
    server.cancel()
    assert len(moments) >= 5
    assert set(moments[0].values) == {"map"}
    assert seeing.wire_state(moments, KPA) == "at ground"


def test_without_a_daemon_it_says_how_to_start_one(tmp_path: Path) -> None:
    with pytest.raises(FeedError, match="start it in another terminal: cabcanary run"):
        LiveEyes(VAN, tmp_path / "none.sock", ()).watch("idle", 1.0, until_enter=False)


# --- the command ----------------------------------------------------------------------------------------------------


def test_the_roles_of_the_shipped_vehicles() -> None:
    van = roles_of(load_plan(VAN))
    assert van.witness is not None
    assert (van.witness.name, van.boosted, van.lamp, van.buzzer) == ("engine_map", True, True, True)
    hatchback = roles_of(load_plan(config_folder() / "market-hatchback.toml"))
    assert hatchback.mixture is not None
    assert (hatchback.supply, hatchback.witness, hatchback.mixture.analogue) == (None, None, True)
    # The data sheet's own limit of error, kPa.
    assert hatchback.pressure is not None
    assert hatchback.pressure.band == pytest.approx(2.5)


def test_on_the_bench_a_good_install_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(VAN), "--bench", "--json", "--folder", str(tmp_path)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["complete"]
    assert told["simulated"].startswith("the bench's vehicle")
    assert Path(told["report"]).read_text().startswith("<!doctype html>")


@pytest.mark.parametrize(
    ("vehicle", "fault"),
    [
        ("market-hatchback", "swapped"),
        ("harbour-pickup", "gauge_sensor"),
        ("bench-van", "line_off"),
        ("bench-van", "exhaust_leak"),
    ],
)
def test_on_the_bench_a_fault_is_named(
    vehicle: str, fault: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = str(config_folder() / f"{vehicle}.toml")
    assert main(["inspect", file, "--bench", "--fault", fault, "--folder", str(tmp_path)]) == 1
    out = capsys.readouterr().out
    words = next(c.words for c in causes.CAUSES if c.key == fault)
    assert f"most likely: {words}" in out
    assert "FAILED" in out


@pytest.mark.long
@pytest.mark.parametrize("fault", INSTALL_FAULTS)
def test_each_fault_of_the_bench_is_named_on_each_vehicle(fault: str, tmp_path: Path) -> None:
    for file in sorted(config_folder().glob("*.toml")):
        code = main(["inspect", str(file), "--bench", "--fault", fault, "--folder", str(tmp_path / file.stem)])
        records = list((tmp_path / file.stem).glob("inspections/*.json"))
        assert code == (1 if records else 2)
        for record in records:
            assert fault in [c["cause"] for c in json.loads(record.read_text())["causes"][:2]], file


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--fault", "no_feed"], "add --bench"),
        (["--bench", "--fault", "?"], "the faults are: no_feed"),
        (["--bench", "--fault", "swapped"], "it takes one by voltage"),
    ],
)
def test_what_cannot_be_is_told(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(VAN), *words]) == 2
    assert said in capsys.readouterr().err


def test_a_file_of_answers_with_a_slip_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "answers.toml"
    file.write_text("fed = 12.0\n")
    assert main(["inspect", str(VAN), "--answers", str(file)]) == 2
    assert "nobody asks 'fed'" in capsys.readouterr().err
