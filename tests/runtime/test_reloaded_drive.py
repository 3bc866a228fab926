"""Other settings in mid-drive: what stood goes on, what is gone ends, no tick is lost, and each drive can be played."""

from __future__ import annotations

from pathlib import Path

import pytest
from live_drive import TICK_NS, Live
from small_van import RULES, SETTINGS, Wires, volts_of

from cabcanary.model import Priority, Quality
from cabcanary.plan.plan import Plan, load_plan
from cabcanary.recorder.journal_drive import Drive

HIGHER = ("boost > 8 psi", "boost > 20 psi")


def plan_of(folder: Path, *changes: tuple[str, str], settings: str = SETTINGS) -> Plan:
    rules = RULES
    for old, new in changes:
        assert old in rules
        rules = rules.replace(old, new)
    folder.mkdir(exist_ok=True)
    (folder / "van.toml").write_text(f'{settings}\n[daemon]\nfolder = "{folder}"\n')
    (folder / "rules.toml").write_text(rules)
    return load_plan(folder / "van.toml")


@pytest.fixture
def live(tmp_path: Path) -> Live:
    made = Live(plan_of(tmp_path), tmp_path, Wires(3))
    made.key_off(200)
    made.idle(200)
    return made


def hold(live: Live, kpa: float, ticks: int, lambda_: float = 0.8) -> None:
    """The engine held at a manifold pressure."""
    for _ in range(ticks):
        live.now_ns += TICK_NS
        live.wires.put("adc", "voltage0", volts_of(kpa), live.now_ns)
        live.wires.put("adc", "voltage1", 3500.0, live.now_ns)
        live.wires.put("wideband", "lambda", lambda_, live.now_ns)
        live.step()


def states(live: Live, alert: str) -> list[str]:
    return [c.state for c in live.changes if c.alert == alert]


def test_what_stands_goes_on_without_a_word(live: Live, tmp_path: Path) -> None:
    hold(live, 190.0, 50)
    live.engine.acknowledge(live.now_ns + 1)
    before = states(live, "over_boost")
    live.reload(plan_of(tmp_path))
    hold(live, 190.0, 50)
    assert states(live, "over_boost") == before == ["active, unacknowledged"]
    assert live.engine.alerts["over_boost"].acknowledged


def test_a_timer_goes_on_where_it_was(live: Live, tmp_path: Path) -> None:
    # Lean needs 0.12 s: half of it under the old settings, the rest under the new.
    hold(live, 150.0, 50)
    hold(live, 150.0, 8, lambda_=1.0)
    began = next(t for t, s in live.states.items() if s[1]["rules"]["lean_under_boost"]["memory"]["on_ns"] > 0)
    live.reload(plan_of(tmp_path))
    hold(live, 150.0, 10, lambda_=1.0)
    (raised,) = [c for c in live.changes if c.alert == "lean_under_boost"]
    assert raised.time_ns - began <= 120_000_000


def test_a_limit_that_is_raised_ends_what_is_below_it(live: Live, tmp_path: Path) -> None:
    hold(live, 190.0, 50)
    live.reload(plan_of(tmp_path, HIGHER))
    hold(live, 190.0, 50)
    assert states(live, "over_boost") == ["active, unacknowledged", "normal"]


def test_a_limit_that_is_lowered_is_heard_at_the_next_tick(live: Live, tmp_path: Path) -> None:
    hold(live, 140.0, 50)
    live.reload(plan_of(tmp_path, ("boost > 8 psi", "boost > 4 psi")))
    hold(live, 140.0, 1)
    assert states(live, "over_boost") == ["active, unacknowledged"]


def test_a_rule_that_goes_takes_its_alert_along(live: Live, tmp_path: Path) -> None:
    hold(live, 190.0, 50)
    live.reload(plan_of(tmp_path, ('id = "over_boost"', 'id = "too_much"')))
    assert states(live, "over_boost")[-1] == "normal"
    hold(live, 190.0, 1)
    assert states(live, "too_much") == ["active, unacknowledged"]


def test_a_rule_out_of_service_leaves_nothing_standing(live: Live, tmp_path: Path) -> None:
    hold(live, 190.0, 50)
    out = 'id = "over_boost"\nout_of_service = "sensor at the workshop"'
    live.reload(plan_of(tmp_path, ('id = "over_boost"', out)))
    assert states(live, "over_boost")[-1] == "normal"


def test_blindness_of_a_channel_that_goes_ends(live: Live, tmp_path: Path) -> None:
    hold(live, 150.0, 50)
    live.wires.newest.pop(("wideband", "lambda"))
    for _ in range(50):
        live.now_ns += TICK_NS
        live.wires.put("adc", "voltage0", volts_of(150.0), live.now_ns)
        live.wires.put("adc", "voltage1", 3500.0, live.now_ns)
        live.step()
    assert states(live, "cannot_see_lambda") == ["active, unacknowledged"]
    settings = SETTINGS.replace("[channels.lambda]", "[channels.mixture]")
    assert settings.count("lambda_channel") == 1
    settings = settings.replace('lambda_channel = "lambda"\n', "")
    settings = settings.replace("[channels.fuel_cut_gas]\n", '[channels.fuel_cut_gas]\nlambda_channel = "mixture"\n')
    settings = settings.replace('of = "boost"\n', 'of = "boost"\nlambda_channel = "mixture"\n')
    live.reload(plan_of(tmp_path, ("lambda > 0.88 deadband 0.01", "mixture > 0.88 deadband 0.01"), settings=settings))
    assert states(live, "cannot_see_lambda")[-1] == "normal"


@pytest.fixture
def knowing(tmp_path: Path) -> Live:
    """One that has stood with the key on, so that the air's pressure has been seen: 98 kPa."""
    made = Live(plan_of(tmp_path), tmp_path, Wires(3))
    for _ in range(300):
        made.now_ns += TICK_NS
        made.wires.put("adc", "voltage0", volts_of(98.0), made.now_ns)
        made.wires.put("adc", "voltage1", 3100.0, made.now_ns)
        made.wires.put("wideband", "lambda", 1.5, made.now_ns, Quality.SATURATED_HIGH)
        made.step()
    made.idle(200)
    assert made.frames[-1].values["air_pressure"].value == pytest.approx(98.0, abs=0.5)
    return made


def dark(live: Live, ticks: int, kpa: float | None = 150.0) -> None:
    """The mixture is dark; without a pressure, that as well."""
    live.wires.newest.pop(("wideband", "lambda"), None)
    for _ in range(ticks):
        live.now_ns += TICK_NS
        live.wires.put("adc", "voltage0", 20.0 if kpa is None else volts_of(kpa), live.now_ns)
        live.wires.put("adc", "voltage1", 3500.0, live.now_ns)
        live.step()


def test_blindness_that_a_person_has_taken_note_of_is_not_told_anew(live: Live, tmp_path: Path) -> None:
    hold(live, 150.0, 50)
    dark(live, 50)
    live.engine.acknowledge(live.now_ns + 1)
    live.reload(plan_of(tmp_path))
    dark(live, 50)
    assert states(live, "cannot_see_lambda") == ["active, unacknowledged"]
    assert live.engine.alerts["cannot_see_lambda"].acknowledged


def test_channels_go_on_with_what_they_know(knowing: Live, tmp_path: Path) -> None:
    hold(knowing, 150.0, 50)
    known = knowing.frames[-1].values["air_pressure"]
    knowing.reload(plan_of(tmp_path, HIGHER))
    hold(knowing, 150.0, 1)
    now = knowing.frames[-1].values["air_pressure"]
    assert (now.value, now.quality) == (pytest.approx(known.value, abs=0.1), known.quality)
    assert now.uncertainty == pytest.approx(known.uncertainty, abs=0.1)


def test_a_channel_whose_settings_change_keeps_what_it_has_learnt(knowing: Live, tmp_path: Path) -> None:
    hold(knowing, 150.0, 50)
    known = knowing.frames[-1].values["air_pressure"]
    other = SETTINGS.replace(
        'pressure = "map"\nsupply = "supply"\n[channels.boost]', 'pressure = "map"\n[channels.boost]'
    )
    assert other != SETTINGS
    knowing.reload(plan_of(tmp_path, settings=other))
    hold(knowing, 150.0, 1)
    now = knowing.frames[-1].values["air_pressure"]
    # Unlearnt it would be anywhere between the roads' lowest and highest air, 88 ± 9 kPa.
    assert now.value == pytest.approx(known.value, abs=0.5)
    assert now.uncertainty < 3.0


def test_a_suppression_that_has_lasted_goes_on(tmp_path: Path) -> None:
    lasts = ('suppress_when = "fuel_cut_gas"', 'suppress_when = "time_in(boost > 4 psi) > 1 s"')
    live = Live(plan_of(tmp_path, lasts), tmp_path, Wires(3))
    live.key_off(200)
    live.idle(200)
    hold(live, 150.0, 100)
    live.reload(plan_of(tmp_path, lasts, HIGHER))
    hold(live, 150.0, 20, lambda_=1.0)
    assert states(live, "lean_under_boost") == ["suppressed"]


def test_what_was_urgent_stays_urgent_where_nothing_is_seen_any_more(tmp_path: Path) -> None:
    patient = (
        'blind_delay = "0.2 s"',
        'blind_delay = "0.2 s"\nblind_urgent_when = "boost > 1 psi"\nblind_delay_otherwise = "8 s"',
    )
    # Where the rule of boost is as blind, its sensor would be blamed alone.
    slow = ('id = "over_boost"', 'id = "over_boost"\nblind_delay = "20 s"')
    live = Live(plan_of(tmp_path, patient, slow), tmp_path, Wires(3))
    live.key_off(200)
    live.idle(200)
    hold(live, 150.0, 50)
    dark(live, 3, None)
    live.reload(plan_of(tmp_path, patient, slow, HIGHER))
    dark(live, 40, None)
    assert [c.alert for c in live.changes if c.sounds and c.blind]


def test_a_sensor_that_warms_is_not_given_its_time_anew(live: Live, tmp_path: Path) -> None:
    def warming(ticks: int) -> None:
        for _ in range(ticks):
            live.now_ns += TICK_NS
            live.wires.put("adc", "voltage0", volts_of(150.0), live.now_ns)
            live.wires.put("adc", "voltage1", 3500.0, live.now_ns)
            live.wires.put("wideband", "lambda", None, live.now_ns, Quality.WARMING)
            live.step()

    # A sensor warms for up to 90 s (common practice, no source), and is as good as dead after that.
    warming(round(88.0e9 / TICK_NS))
    assert {c.priority for c in live.changes if c.alert == "cannot_see_lambda"} == {Priority.CAUTION}
    live.reload(plan_of(tmp_path, HIGHER))
    warming(round(3.0e9 / TICK_NS))
    assert [c.priority for c in live.changes if c.alert == "cannot_see_lambda"][-1] is Priority.WARNING


def test_what_was_urgent_by_another_number_is_asked_anew(tmp_path: Path) -> None:
    # With a pressure sensor that is dark nobody knows whether this engine boosts beyond the new number.
    first = ('id = "lean_under_boost"', 'id = "lean_under_boost"\nblind_urgent_when = "boost > urgent_from"')
    patient = ('blind_delay = "0.2 s"', 'blind_delay = "0.2 s"\nblind_delay_otherwise = "8 s"')
    slow = ('id = "over_boost"', 'id = "over_boost"\nblind_delay = "20 s"')

    def numbered(psi: str) -> tuple[str, str]:
        return ('[[rule]]\nid = "lean', f'[numbers]\nurgent_from = "{psi} psi"\n[[rule]]\nid = "lean')

    live = Live(plan_of(tmp_path, first, patient, slow, numbered("1")), tmp_path, Wires(3))
    live.key_off(200)
    live.idle(200)
    hold(live, 150.0, 50)
    dark(live, 3, None)
    live.reload(plan_of(tmp_path, first, patient, slow, numbered("20")))
    dark(live, 40, None)
    assert not [c.alert for c in live.changes if c.sounds and c.blind]


def test_a_drive_goes_on_where_nobody_knows_whether_the_engine_runs(live: Live, tmp_path: Path) -> None:
    hold(live, 150.0, 50)
    assert live.recorder.drive is not None
    live.wires.newest.clear()
    live.reload(plan_of(tmp_path))
    for _ in range(5):
        live.now_ns += TICK_NS
        live.step()
    assert live.frames[-1].values["engine_running"].value is None
    assert live.recorder.drive is not None


def test_each_part_of_the_drive_plays_as_it_was_and_no_tick_is_lost(tmp_path: Path) -> None:
    live = Live(plan_of(tmp_path), tmp_path, Wires(5))
    live.key_off(150)
    live.idle(150)
    live.run(700, running=True)
    live.reload(plan_of(tmp_path, ("boost > 8 psi", "boost > 6 psi")))
    live.run(700, running=True)
    live.finish()
    parts = [Drive(p.read_bytes()) for p in (tmp_path / "journal").glob("*.ccj")]
    parts.sort(key=lambda d: d.header["begun"])
    assert len(parts) == 2
    assert "boost > 8 psi" in str(parts[0].header["rules"])
    assert "boost > 6 psi" in str(parts[1].header["rules"])
    played = [(c.time_ns, c.alert, c.state) for part in parts for c in changes_of(part)]
    begun = parts[0].header["begun"]
    assert played == [(c.time_ns, c.alert, c.state) for c in live.changes if c.time_ns >= begun]
    frames = [f.time_ns for part in parts for f in part.frames(part.plan())]
    assert frames == [f.time_ns for f in live.frames if f.time_ns >= begun]


def changes_of(drive: Drive) -> list:
    plan = drive.plan()
    engine = plan.engine()
    engine.restore(drive.header["rules_state"])
    return [change for frame in drive.frames(plan) for change in engine.step(frame)]
