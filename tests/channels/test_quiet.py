"""For how long a signal has been still, told from steps worked out by hand: 50 readings a second, a band of 0.6."""

import itertools
import json

import pytest

from cabcanary.channels.quiet import Quiet

TICK_NS = 20_000_000
S = 1_000_000_000


class Signal:
    def __init__(self):
        self.quiet, self.now_ns = Quiet(0.6, 5.0), S

    def hold(self, seconds, number):
        """For how long it has been still at the end, in s."""
        for _ in range(round(seconds * 50)):
            self.now_ns += TICK_NS
            still_ns = self.quiet.step(number, self.now_ns)
        return still_ns / S


def test_what_stays_within_its_band_is_one_spell():
    signal = Signal()
    assert signal.hold(3, 100.0) == pytest.approx(3.0, abs=0.03)
    assert signal.hold(3, 100.5) == pytest.approx(6.0, abs=0.03)
    assert not signal.quiet.moved


def test_a_signal_that_never_rests_is_never_still():
    # 1 a second: through the band in 0.6 s, and no spell that began later is through it later than another 0.6 s.
    signal = Signal()
    assert max(signal.hold(0.02, 100.0 + n * 0.02) for n in range(500)) < 1.2
    assert signal.quiet.moved


def test_a_rest_counts_from_where_it_was_reached_and_not_from_where_noise_ended_it():
    signal = Signal()
    signal.hold(0.3, 99.6)
    signal.hold(4.0, 100.0)
    # 99.6 to 100.3 is more than the band; since half a second into it, it was 100.0 to 100.3.
    assert signal.hold(1.5, 100.3) == pytest.approx(5.3, abs=0.05)


def test_and_again():
    signal = Signal()
    signal.hold(0.3, 100.0)
    signal.hold(2.2, 100.3)
    assert signal.hold(2.0, 100.7) == pytest.approx(4.0, abs=0.1)
    # That spell ends too, and the next one began when the smoothed signal had come to 100.6.
    assert signal.hold(1.5, 101.1) == pytest.approx(3.2, abs=0.2)


def test_a_change_that_no_spell_holds_begins_all_anew():
    signal = Signal()
    signal.hold(3, 100.0)
    still_s = [signal.hold(0.02, 100.7) for _ in range(50)]
    assert min(still_s) == 0.0
    assert [s for s in still_s[still_s.index(0.0) :] if s > 1.0] == []
    assert all(later > before for before, later in itertools.pairwise(still_s[: still_s.index(0.0)]))


@pytest.mark.parametrize("ends", [None, 110.0])
def test_nothing_from_before_a_gap_or_a_leap_counts(ends):
    signal = Signal()
    signal.hold(3, 100.0)
    signal.hold(0.02, ends)
    signal.hold(0.4, 100.0)
    assert signal.hold(0.5, 100.7) < 0.95


def test_a_saved_state_goes_on_as_if_never_stopped():
    signal, other = Signal(), Signal()
    signal.hold(0.3, 99.6)
    signal.hold(4.0, 100.0)
    other.quiet.restore(json.loads(json.dumps(signal.quiet.state())))
    other.now_ns = signal.now_ns
    assert other.hold(1.5, 100.3) == signal.hold(1.5, 100.3)


def test_a_state_of_an_older_version_has_no_second_spell():
    signal = Signal()
    signal.hold(3, 100.0)
    other = Signal()
    other.quiet.restore(signal.quiet.state()[:4])
    other.now_ns = signal.now_ns
    assert other.hold(1, 100.0) == pytest.approx(4.0, abs=0.03)
