"""A drive is the time that the engine runs, short stops included."""

import pytest

from cabcanary.model import Frame, Quality, Value
from cabcanary.recorder.detect import DriveDetector
from cabcanary.settings.schema import Drive

S = 1_000_000_000
RUNS, STANDS = Value(1.0, Quality.GOOD, 0), Value(0.0, Quality.GOOD, 0)
UNKNOWN = Value(None, Quality.ABSENT, 0)


@pytest.fixture
def detector():
    return DriveDetector(Drive.model_validate({"running": "engine", "ends_after": "5 s"}))


def at(detector, seconds, value):
    return detector.step(Frame(round(seconds * S), {"engine": value}))


def test_a_drive_starts_with_the_engine(detector):
    assert [at(detector, t, v) for t, v in enumerate([UNKNOWN, STANDS, RUNS, RUNS])] == [None, None, "start", None]


def test_a_drive_ends_when_the_engine_has_stood_for_long_enough(detector):
    at(detector, 0, RUNS)
    assert at(detector, 10, STANDS) is None
    assert at(detector, 14.9, STANDS) is None
    assert at(detector, 15, STANDS) == "end"
    assert at(detector, 30, STANDS) is None


def test_a_stall_and_a_restart_are_one_drive(detector):
    at(detector, 0, RUNS)
    assert [at(detector, 10 + t, STANDS) for t in range(5)] == [None] * 5
    assert at(detector, 14.8, RUNS) is None
    assert [at(detector, 15 + t, STANDS) for t in range(6)] == [None] * 5 + ["end"]


def test_a_bus_that_dies_does_not_end_the_recording(detector):
    at(detector, 0, RUNS)
    assert [at(detector, t, UNKNOWN) for t in range(1, 1000)] == [None] * 999
    assert detector.under_way


def test_not_knowing_starts_no_drive(detector):
    assert [at(detector, t, UNKNOWN) for t in range(100)] == [None] * 100


def test_a_value_that_is_not_good_is_not_knowing(detector):
    assert at(detector, 0, Value(1.0, Quality.STALE, 0)) is None
    at(detector, 1, RUNS)
    assert [at(detector, 2 + t, Value(0.0, Quality.STALE, 0)) for t in range(60)] == [None] * 60


def test_with_an_ignition_a_drive_is_the_time_that_it_is_on():
    detector = DriveDetector(Drive.model_validate({"ignition": "key", "ends_after": "5 s"}))

    def at(seconds, key):
        value = Value(key, Quality.GOOD if key is not None else Quality.ABSENT, 0)
        # The engine may stand: it is the key that counts.
        return detector.step(Frame(round(seconds * S), {"key": value, "engine_running": STANDS}))

    assert [at(0, None), at(1, 0.0), at(2, 1.0), at(3, 1.0)] == [None, None, "start", None]
    assert [at(10, 0.0), at(12, 1.0), at(20, 0.0), at(25, 0.0)] == [None, None, None, "end"]


def test_the_next_start_is_another_drive(detector):
    at(detector, 0, RUNS)
    at(detector, 1, STANDS)
    assert at(detector, 6, STANDS) == "end"
    assert at(detector, 7, RUNS) == "start"
