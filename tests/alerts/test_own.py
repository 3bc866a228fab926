"""The monitor's alerts about its own parts: told once, acknowledged like any other, gone when the part works again."""

from cabcanary.alerts.own import OwnAlerts
from cabcanary.model import OUTPUT_LOST, WATCHER_LOST, Priority

S = 1_000_000_000
BUZZER = {OUTPUT_LOST: {"buzzer": "fails: OSError: [Errno 5] Input/output error"}}


def held(own, seconds, lost, begin=0):
    """These losses for some seconds, in ticks of 20 ms: (seconds, alert, state) of each change."""
    ticks = range(begin, begin + round(seconds * S) + 1, S // 50)
    return [(c.time_ns / S, c.alert, c.state) for t in ticks for c in own.step(t, lost)]


def test_a_lost_output_is_an_alert_after_a_second_and_says_which_and_why():
    own = OwnAlerts()
    assert held(own, 10, BUZZER) == [(1.0, OUTPUT_LOST, "active, unacknowledged")]
    (change,) = own.asking(10 * S)
    assert (change.say, change.priority, change.sounds) == ("No buzzer any more", Priority.CAUTION, True)
    assert change.figures == "buzzer: fails: OSError: [Errno 5] Input/output error"


def test_a_pin_that_fails_for_a_moment_is_none():
    own = OwnAlerts()
    assert held(own, 0.9, BUZZER) == []
    assert held(own, 10, {OUTPUT_LOST: {}}, S) == []
    assert held(own, 0.9, BUZZER, 12 * S) == []


def test_acknowledged_it_is_quiet_and_it_goes_when_the_part_works_again():
    own = OwnAlerts()
    held(own, 2, BUZZER)
    (change,) = own.acknowledge(2 * S)
    assert (change.state, change.sounds) == ("active, acknowledged", False)
    assert own.acknowledge(2 * S) == []
    assert held(own, 10, BUZZER, 2 * S) == []
    assert held(own, 1, {}, 13 * S) == [(13.0, OUTPUT_LOST, "normal")]
    assert own.asking(14 * S) == []


def test_another_loss_asks_again_though_the_first_was_acknowledged():
    own = OwnAlerts()
    held(own, 2, BUZZER)
    own.acknowledge(2 * S)
    both = {OUTPUT_LOST: {**BUZZER[OUTPUT_LOST], "lamp": "fails"}}
    assert held(own, 2, both, 3 * S) == [(4.0, OUTPUT_LOST, "active, unacknowledged")]
    assert own.asking(5 * S)[0].say == "Buzzer and lamp are lost"


def test_a_watcher_that_has_died_is_an_alert_of_its_own():
    own = OwnAlerts()
    lost = {**BUZZER, WATCHER_LOST: {"watcher": "nobody takes the heartbeat"}}
    assert [alert for _, alert, _ in held(own, 2, lost)] == [OUTPUT_LOST, WATCHER_LOST]
    assert len(own.acknowledge(2 * S)) == 2
