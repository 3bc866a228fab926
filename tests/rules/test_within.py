"""An interval may feed a rule: known where all of it agrees; where it is too wide, that is news and no siren."""

import pytest

from cabcanary.model import Priority, Quality, Value

OVER = """
[[rule]]
id = "over_boost"
priority = "warning"
say = "Boost too high"
do = "Lift off gently"
when = "{when}"
blind_delay = "0.2 s"
blind_urgent_when = "boost > 1 psi"
blind_delay_otherwise = "8 s"
"""


def within(low, high, reason="last seen with the engine standing"):
    return Value((low + high) / 2, Quality.WITHIN, 0, (high - low) / 4, reason)


def over(when="boost > 8 psi"):
    return OVER.format(when=when)


@pytest.mark.parametrize(
    ("when", "interval", "sounds"),
    [
        ("boost > 8 psi", (8.1, 11.0), True),
        ("boost > 8 psi", (7.9, 11.0), False),
        ("boost < 2 psi", (0.0, 1.9), True),
        ("boost < 2 psi", (0.0, 2.1), False),
        # It is no wider for being asked whether it is possible or certain: there is nothing outside. What straddles
        # the limit is possible and not certain.
        ("certain boost > 8 psi", (8.1, 11.0), True),
        ("certain boost > 8 psi", (7.9, 11.0), False),
        ("not certain boost > 8 psi", (7.9, 11.0), True),
        ("not certain boost > 8 psi", (8.1, 11.0), False),
        ("possible boost > 8 psi", (7.9, 11.0), True),
        ("possible boost > 8 psi", (5.0, 7.9), False),
        ("boost + 1 psi > 8 psi", (7.1, 11.0), True),
        ("lowest(boost, 0.1 s) > 8 psi", (8.1, 11.0), True),
        ("abs(boost) > 2 psi", (-3.0, 1.0), False),
    ],
)
def test_a_comparison_is_known_where_the_whole_interval_agrees(cab, when, interval, sounds):
    van = cab(over(when))
    van.hold(200, boost=within(*interval))
    assert (van.state("over_boost") == "active, unacknowledged") is sounds


def test_a_rate_is_not_made_unknown_by_what_is_the_same_at_both_ends(cab):
    # 10 psi/s, whatever the air: an error of the same size at both ends drops out.
    van = cab(over("rate(boost, 0.1 s) > 8 psi/s"))
    for n in range(10):
        van.tick(boost=within(2.0 + 0.2 * n, 6.0 + 0.2 * n))
    assert van.state("over_boost") == "active, unacknowledged"


def test_a_state_that_may_be_either_is_none(cab):
    van = cab(over("mask"))
    assert [c for c in van.tick(mask=within(0.0, 1.0)) if not c.blind] == []


def test_an_alert_says_the_interval_and_no_precision_that_there_is_not(cab):
    van = cab(over())
    (change,) = van.tick(boost=within(8.2, 9.9))
    assert change.figures == "boost 8.2 to 9.9 psi (likely above 8 psi)"


def test_an_interval_that_is_too_wide_is_a_caution_after_the_patient_delay(cab):
    van = cab(over())
    van.hold(1000, boost=5, barometer=100)
    told = van.hold(20_000, boost=within(6.0, 10.0), barometer=within(85.0, 105.0))
    # 8 s and no urgent delay, though boost was last known to be above 1 psi; the root is the air's pressure.
    assert told == [(7980, "cannot_see_barometer", "active, unacknowledged")]
    alert = van.engine.asking(van.now_ns)[0]
    assert alert.priority is Priority.CAUTION
    assert (alert.say, alert.do) == ("Barometer unsure", "Stop once, engine off, key on")


def test_it_ends_once_the_air_is_known_again(cab):
    van = cab(over())
    van.hold(10_000, boost=within(6.0, 10.0), barometer=within(85.0, 105.0))
    assert van.hold(6000, boost=5, barometer=100)[-1][1:] == ("cannot_see_barometer", "normal")


def unsure_and_sure(van):
    """The interval too wide for 10 s, then known for 6 s; what was told, and how many tried to be heard."""
    van.hold(10_000, boost=within(6.0, 10.0), barometer=within(85.0, 105.0))
    heard = [a.alert for a in van.engine.asking(van.now_ns)]
    van.hold(6000, boost=5, barometer=100)
    return heard


def test_what_comes_and_goes_with_every_hill_is_told_once(cab):
    van, other = cab(over()), cab(over())
    assert unsure_and_sure(van) == ["cannot_see_barometer"]
    assert unsure_and_sure(van) == []
    assert van.state("cannot_see_barometer") == "normal"
    other.engine.restore(van.engine.state())
    assert unsure_and_sure(other) == []


def test_what_has_been_told_once_still_stands_where_one_looks(cab):
    van = cab(over())
    unsure_and_sure(van)
    van.hold(10_000, boost=within(6.0, 10.0), barometer=within(85.0, 105.0))
    assert van.state("cannot_see_barometer") == "active, acknowledged"


def test_a_sensor_that_dies_is_heard_after_it_was_only_unsure(cab):
    van = cab(over())
    unsure_and_sure(van)
    assert van.hold(1000, boost=None, barometer=None)[0][1:] == ("cannot_see_barometer", "active, unacknowledged")


def test_a_drive_an_hour_later_is_told_of_it_again(cab):
    van = cab(over())
    unsure_and_sure(van)
    for _ in range(60):
        van.now_ns += 60_000_000_000
        van.tick(boost=5, barometer=100)
    assert unsure_and_sure(van) == ["cannot_see_barometer"]


def test_a_sensor_that_dies_beside_an_unsure_one_is_heard_at_once(cab):
    van = cab(over())
    van.hold(1000, boost=5)
    van.hold(4000, boost=within(6.0, 10.0), barometer=within(85.0, 105.0))
    told = van.hold(1000, boost=None, map=None)
    assert told[0][0] <= 200
    assert told[0][1] == "cannot_see_map"
    assert van.engine.asking(van.now_ns)[0].priority is Priority.WARNING


def test_what_is_only_unsure_waits_its_own_time_behind_a_sensor_that_died(cab):
    van = cab(over())
    van.hold(1000, boost=5)
    assert van.hold(1000, boost=None, map=None)[0][1] == "cannot_see_map"
    told = van.hold(20_000, boost=within(6.0, 10.0), map=135, barometer=within(85.0, 105.0))
    raised = [t for t in told if t[1] == "cannot_see_barometer"]
    assert len(raised) == 1
    assert raised[0][0] > 7000


def test_a_caution_that_stands_goes_on_over_a_saved_state(cab):
    van, other = cab(over()), cab(over())
    van.hold(10_000, boost=within(6.0, 10.0), barometer=within(85.0, 105.0))
    other.engine.restore(van.engine.state())
    assert other.engine.asking(1)[0].say == "Barometer unsure"


def test_an_example_of_a_rule_may_give_an_interval(cab):
    from cabcanary.rules.examples import ExampleError, run_example
    from cabcanary.settings.rule_schema import ExampleSpec

    rule, units = cab(over()).rules[0], {"boost": "psi"}

    def play(*signal):
        spec = ExampleSpec.model_validate({"name": "a", "signal": list(signal), "length": "1.5 s"})
        return run_example(rule, spec, units, None)

    told = play("0 s: boost = 5 psi", "1 s: boost = within 8.2 psi to 9 psi")
    assert told.sounded == (1.0,)
    assert play("0 s: boost = 5 psi", "1 s: boost = within 7.8 psi to 62 kPa").sounded == ()
    for bad in ("within 8 psi", "within 8 psi to 9 V", "within 8 psi to 9 psi ± 1"):
        with pytest.raises(ExampleError):
            play(f"0 s: boost = {bad}")
