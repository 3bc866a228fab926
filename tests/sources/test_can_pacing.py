"""When a vehicle is asked what, and when it is left to sleep: without I/O, time passed in."""

from itertools import pairwise
from types import SimpleNamespace

import pytest

from cabcanary.clock import NS_PER_S
from cabcanary.processes.status import Backoff
from cabcanary.sources.can import obd_schedule
from cabcanary.sources.can.obd_ecu import NoAnswerError
from cabcanary.sources.can.obd_poller import Courtesy, Poller

pytestmark = pytest.mark.waits


S = NS_PER_S


def drive(poller: Poller, seconds: float, answer_s: float) -> dict[int, int]:
    """Let a poller ask a control unit that takes `answer_s` for each answer; how often each PID was asked."""
    now, count = 0, dict.fromkeys(poller.active, 0)
    while now < seconds * S:
        pids = poller.due(now)
        if not pids:
            due = poller.next_due_ns()
            assert due is not None
            assert due > now
            now = due
            continue
        (pid,) = pids
        poller.asked(pid, now)
        count[pid] += 1
        now += round(answer_s * S)
    return count


def test_every_item_comes_at_the_rate_that_is_wanted():
    poller = Poller({"rpm": 10.0, "speed": 2.0, "coolant_temperature": 0.5})
    assert poller.start({0x0C, 0x0D, 0x05}, 0) == []
    assert drive(poller, 20, 0.01) == {0x0C: 200, 0x0D: 40, 0x05: 10}


def test_a_slow_control_unit_slows_every_item_by_a_like_share_and_starves_none():
    poller = Poller({"rpm": 20.0, "map": 20.0, "coolant_temperature": 1.0})
    poller.start({0x0C, 0x0B, 0x05}, 0)
    count = drive(poller, 60, 0.1)  # 41 questions a second wanted, 10 possible
    assert sum(count.values()) == 600
    assert count[0x05] >= 10
    assert abs(count[0x0C] - count[0x0B]) <= 1


def test_two_items_of_one_pid_share_its_questions_at_the_higher_rate():
    poller = Poller({"oxygen_1_voltage": 1.0, "oxygen_1_trim": 5.0})
    poller.start({0x14}, 0)
    assert drive(poller, 10, 0.01) == {0x14: 50}


def test_what_the_vehicle_lacks_is_named_and_never_asked():
    poller = Poller({"rpm": 10.0, "oil_temperature": 1.0})
    assert poller.start({0x0C}, 0) == ["oil_temperature"]
    assert poller.active == (0x0C,)


def test_turns_lost_to_a_stall_are_not_made_up_for():
    poller = Poller({"rpm": 10.0})
    poller.start({0x0C}, 0)
    poller.asked(0x0C, 0)
    poller.asked(0x0C, 60 * S)
    asked = 0
    for tick in range(100):
        if poller.due(60 * S + tick * S // 100):
            poller.asked(0x0C, 60 * S + tick * S // 100)
            asked += 1
    assert asked <= 11


def test_due_pids_share_a_request_up_to_its_limit_the_most_overdue_first():
    poller = Poller({"rpm": 10.0, "map": 10.0, "speed": 5.0, "throttle": 1.0})
    poller.start({0x0C, 0x0B, 0x0D, 0x11}, 0)
    for pid in (0x0C, 0x0B, 0x0D, 0x11):
        poller.asked(pid, 0)
    assert poller.due(S // 10 - 1, 6) == ()
    assert set(poller.due(S // 10, 6)) == {0x0C, 0x0B}
    poller.asked(0x0C, S // 10)
    assert poller.due(S // 4, 2)[0] == 0x0B  # one and a half of its periods late
    assert len(poller.due(2 * S, 3)) == 3


def test_answers_of_two_possible_lengths_never_share_a_request():
    # SAE J1979: 06 to 09 may carry a second byte, so two of them in one answer could be cut in two ways.
    poller = Poller({"short_trim_1": 1.0, "long_trim_1": 1.0, "short_trim_2": 1.0, "rpm": 1.0})
    poller.start({0x06, 0x07, 0x08, 0x0C}, 0)
    group = poller.due(0, 6)
    assert len(group) == 2
    assert 0x0C in group


def test_waits_between_attempts_grow_to_the_cap_and_start_over():
    backoff = Backoff(0.5, 10.0)
    longest = [backoff.next_s(1.0) for _ in range(12)]
    assert longest[:5] == [0.5, 1.0, 2.0, 4.0, 8.0]
    assert set(longest[5:]) == {10.0}
    backoff.reset()
    assert 0 < backoff.next_s(0.0) <= 0.5


# --- letting a vehicle sleep: all requests end within 10 s of ignition off ----------------------------


class Asker:
    """Asks whenever it may, five times a second, and writes down when it did."""

    def __init__(self):
        self.courtesy = Courtesy(0)
        self.now_s, self.asked = 0.0, []

    def run(self, seconds, *, answers=False, traffic=False):
        for _ in range(round(seconds * 5)):
            now = round(self.now_s * S)
            if traffic:
                self.courtesy.heard(now)
            if self.courtesy.may_ask(now):
                self.asked.append(round(self.now_s, 1))
                self.courtesy.asked(now)
                if answers:
                    self.courtesy.answered(now)
            self.now_s = round(self.now_s + 0.2, 1)
        return self

    def since(self, seconds):
        return [t for t in self.asked if t >= seconds]

    def switch(self, on):
        self.courtesy.switched(on, round(self.now_s * S))


def test_an_engine_computer_that_answers_is_asked_freely():
    assert len(Asker().run(60, answers=True).asked) == 300


def test_ten_seconds_after_the_ignition_went_off_nothing_is_asked_whatever_still_answers():
    asker = Asker()
    asker.switch(True)
    asker.run(20, answers=True, traffic=True)
    asker.switch(False)
    asker.run(3600, answers=True, traffic=True)
    assert asker.since(20)
    assert asker.since(30) == []
    asker.switch(True)
    at = asker.now_s
    asker.run(1, answers=True)
    assert asker.since(at)[0] == at


def test_an_ignition_that_drops_while_the_starter_turns_interrupts_nothing():
    asker = Asker()
    asker.switch(True)
    asker.run(10, answers=True)
    asker.switch(False)
    asker.run(2, answers=True)
    asker.switch(True)
    asker.run(8, answers=True)
    assert len(asker.asked) == 100


def test_a_silent_engine_on_a_bus_that_talks_is_probed_every_ten_seconds():
    asker = Asker().run(30, answers=True, traffic=True)
    asker.run(100, traffic=True)
    probes = asker.since(40)
    assert 8 <= len(probes) <= 9
    assert min(round(b - a, 1) for a, b in pairwise(probes)) >= 10


def test_a_bus_that_has_fallen_asleep_is_left_alone_until_it_talks():
    asker = Asker().run(30, answers=True, traffic=True)
    asker.run(3600)
    assert asker.since(40) == []
    at = asker.now_s
    asker.run(1, traffic=True)
    assert asker.since(at) == [at]


def test_the_ignition_wakes_a_bus_that_is_left_alone_and_traffic_does_not():
    asker = Asker()
    asker.switch(False)
    asker.run(100)
    asker.run(100, traffic=True)
    assert asker.since(3) == []
    asker.switch(True)
    at = asker.now_s
    asker.run(1)
    assert asker.since(at)[0] == at


def test_where_neither_ignition_nor_traffic_can_be_known_two_probes_a_minute_find_out():
    asker = Asker().run(610)
    probes = asker.since(10)
    assert 19 <= len(probes) <= 20
    assert min(round(b - a, 1) for a, b in pairwise(probes)) >= 30


def test_a_frame_that_comes_and_goes_is_answered_with_one_probe_and_makes_no_bus_a_talking_one():
    asker = Asker().run(11)
    asker.run(0.2, traffic=True)
    asker.run(40)
    assert len(asker.since(11)) == 2  # one for the frame, 10 s after the last; one 30 s later, as nothing is known


def test_a_probe_that_brought_errors_is_not_repeated_for_half_a_minute():
    courtesy = Courtesy(0)
    courtesy.asked(0)
    courtesy.unwelcome(0)
    assert not courtesy.may_ask(29 * S)
    assert courtesy.may_ask(30 * S)


# --- a key that turns while it waits ------------------------------------------------------------------


class HandClock:
    """A clock that a test sets."""

    def __init__(self):
        self.ns = 0

    def now_ns(self):
        return self.ns

    def real_until(self, deadline_ns):
        return max(0.0, (deadline_ns - self.ns) / S)

    def for_wires(self):
        return self


class DeafVehicle:
    """A bus on which nobody answers, and the times at which somebody asked."""

    def __init__(self, monkeypatch):
        self.clock, self.asked = HandClock(), []
        self.guard = SimpleNamespace(ignition=None, alive=lambda: None)
        monkeypatch.setattr(obd_schedule, "Ecu", lambda *_, **__: SimpleNamespace(find=self._find, on_pending=None))
        # The longest waits of all.
        monkeypatch.setattr(obd_schedule.random, "random", lambda: 1.0)
        output = SimpleNamespace(status=lambda *_: True, missing=lambda *_: None)
        self.polling = obd_schedule.Polling({"rpm": 10.0}, 1, self.clock, output, self.guard)
        link = SimpleNamespace(
            frames=1, hears_errors=lambda: False, listen_only=lambda _: None, want=lambda *_, **__: None, run=self._run
        )
        broadcast = SimpleNamespace(heard_traffic=lambda: False, frames_wanted=None)
        self.polling.connect(link, broadcast, extended=False)

    def _find(self):
        self.asked.append(round(self.clock.ns / S, 3))
        raise NoAnswerError

    def _run(self, seconds):
        self.clock.ns += max(1, round(seconds * S))

    def until(self, seconds):
        while self.clock.ns < seconds * S:
            self.polling.step()
        self.clock.ns = round(seconds * S)


@pytest.mark.parametrize("before", [None, False])
def test_when_the_ignition_goes_on_the_bus_is_asked_at_once_and_its_waits_begin_anew(monkeypatch, before):
    vehicle = DeafVehicle(monkeypatch)
    vehicle.until(2.0)
    vehicle.guard.ignition = before
    # Asked at 0, and after 0.25, 0.5, 1 and 2 s more: not due again before 3.75 s.
    vehicle.until(2.1)
    assert vehicle.asked == [0.0, 0.25, 0.75, 1.75]
    vehicle.guard.ignition = True
    vehicle.until(2.9)
    assert vehicle.asked[4:] == [2.1, 2.35, 2.85]


def test_an_ignition_that_only_stays_on_hurries_nothing(monkeypatch):
    vehicle = DeafVehicle(monkeypatch)
    vehicle.guard.ignition = True
    vehicle.until(3.7)
    assert vehicle.asked == [0.0, 0.25, 0.75, 1.75]
