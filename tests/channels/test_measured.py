"""One wire's readings -> a value and how far to trust it."""

import pytest

from cabcanary import units
from cabcanary.channels.measured import Measured
from cabcanary.model import Quality, Reading, Value
from cabcanary.settings.sensors import MeasuredChannel

MS = 1_000_000
MILLIVOLT = units.unit("mV")


class Alone:
    """A channel that refers to no other."""

    def __init__(self, measured):
        self.measured = measured

    def step(self, reading, now_ns):
        return self.measured.step(reading, {}, now_ns)

    def state(self):
        return self.measured.state()

    def restore(self, state):
        self.measured.restore(state)


def channel(wire=MILLIVOLT, **written):
    spec = MeasuredChannel.model_validate({"source": "adc", "item": "voltage0", **written})
    return Alone(Measured("it", spec, wire, {}, live=False))


def reading(value, time_ns=0, **more):
    return Reading("adc", "voltage0", value, time_ns, **more)


@pytest.fixture
def pressure():
    return channel(
        unit="kPa",
        wire_unit="V",
        curve={"kind": "linear", "points": [[0.5, 20.0], [4.5, 250.0]]},
        rails=[0.25, 4.75],
        plausible=[25.0, 240.0],
        stale_after="300 ms",
    )


@pytest.mark.parametrize(
    ("millivolts", "words"),
    [
        (20.0, "0.02 V: shorted to ground or unplugged"),
        (0.0, "0.00 V: shorted to ground or unplugged"),
        (4990.0, "4.99 V: shorted to its supply or ground lost"),
    ],
)
def test_a_wire_at_its_rail_is_a_fault_and_no_reading(pressure, millivolts, words):
    value = pressure.step(reading(millivolts), 0)
    assert (value.value, value.quality, value.reason) == (None, Quality.OUT_OF_RANGE, words)


def test_a_falsely_rich_wideband_of_a_grounded_wire_is_blindness():
    # A linear 0 to 5 V output has no live zero: a grounded wire would read as the rich end (common practice).
    wideband = channel(
        measures="lambda",
        unit="lambda",
        wire_unit="V",
        curve={"kind": "linear", "points": [[0.0, 0.5], [5.0, 1.5]]},
        rails=[0.1, 4.9],
    )
    assert wideband.step(reading(2500.0), 0).value == pytest.approx(1.0)
    assert wideband.step(reading(3.0, 10 * MS), 10 * MS).quality is Quality.OUT_OF_RANGE


def test_between_curve_and_rail_the_value_is_at_the_end_of_its_range(pressure):
    value = pressure.step(reading(450.0), 0)
    # The sensor ends at 20 kPa, below what is plausible here; the end of the curve itself is no fault.
    assert value.value == 20.0
    above = channel(unit="kPa", wire_unit="V", curve={"kind": "linear", "points": [[0.5, 20.0], [4.5, 250.0]]})
    assert above.step(reading(4600.0), 0)[:2] == (250.0, Quality.SATURATED_HIGH)


def test_what_cannot_be_true_is_implausible(pressure):
    value = pressure.step(reading(550.0), 0)
    assert value.quality is Quality.IMPLAUSIBLE
    assert "cannot be true" in value.reason


def test_a_reading_that_is_too_old_is_stale_and_says_for_how_long(pressure):
    fresh = reading(2500.0, 1000 * MS)
    assert pressure.step(fresh, 1300 * MS).quality is Quality.GOOD
    stale = pressure.step(fresh, 1301 * MS)
    assert stale.quality is Quality.STALE
    assert "nothing new from adc for over 0.3 s" in stale.reason
    assert pressure.step(reading(2500.0, 1400 * MS), 1401 * MS).quality is Quality.GOOD


def test_a_wire_that_never_spoke_is_absent(pressure):
    assert pressure.step(None, 5).quality is Quality.ABSENT


def test_a_sensor_that_warms_up_says_so_and_gives_no_number(pressure):
    value = pressure.step(reading(None, quality=Quality.WARMING, reason="status=heating"), 0)
    assert value[:2] == (None, Quality.WARMING)
    assert value.reason == "status=heating"


def test_no_number_is_never_good(pressure):
    assert pressure.step(reading(None), 0).quality is Quality.ABSENT


def test_the_divider_is_undone():
    # 30 kohm over 10 kohm takes a full battery's 12.6 V (common practice, at rest) down to 3.15 V.
    supply = channel(unit="V", divider=4.0)
    assert supply.step(reading(3150.0), 0).value == pytest.approx(12.6)


def test_rails_are_seen_at_the_sensor_and_not_behind_the_divider():
    # 5 V sensor behind 1:2, so that a 3.3 V converter can take it.
    halved = channel(
        unit="kPa",
        wire_unit="V",
        divider=2.0,
        curve={"kind": "linear", "points": [[0.5, 20.0], [4.5, 250.0]]},
        rails=[0.25, 4.75],
    )
    assert halved.step(reading(1250.0), 0).value == pytest.approx(135.0)
    assert halved.step(reading(120.0, 1), 1).reason.startswith("0.24 V: shorted")


def test_a_wire_that_speaks_the_channels_dimension_is_converted():
    # 1 bar is 14.503774 psi: NIST SP 811, appendix B.
    assert channel(units.unit("bar"), unit="psi").step(reading(1.0), 0).value == pytest.approx(14.503774, abs=1e-6)
    # 212 °F is 100 °C: the definition of the Fahrenheit scale in NIST SP 811, B.7.
    assert channel(units.unit("°F"), unit="°C").step(reading(212.0), 0).value == pytest.approx(100.0)


def test_a_number_with_ends_is_at_least_and_at_most_there():
    given = channel(units.unit("lambda"), unit="lambda", ends=[0.65, 1.50])
    assert given.step(reading(1.0), 0)[:2] == (1.0, Quality.GOOD)
    assert given.step(reading(1.50, 1), 1)[:2] == (1.50, Quality.SATURATED_HIGH)
    assert given.step(reading(1.499, 2), 2)[:2] == (1.50, Quality.SATURATED_HIGH)
    assert given.step(reading(0.60, 3), 3)[:2] == (0.65, Quality.SATURATED_LOW)


FASTER = {"fastest": 5.0, "stuck_after": "1 h"}  # lambda a second, and readings 20 ms apart: 0.1 a reading


def run(subject, *numbers):
    """Readings 20 ms apart; what the last one was taken for."""
    for n, number in enumerate(numbers):
        value = subject.step(reading(number, n * 20 * MS), n * 20 * MS)
    return value.quality


def test_a_wideband_that_runs_lean_faster_than_its_limit_is_lean():
    wideband = channel(
        units.unit("lambda"), measures="lambda", unit="lambda", ends=[0.65, 1.50], response_time="80 ms", health=FASTER
    )
    assert run(wideband, 0.85, 0.85, 0.85, 0.85, 1.05) is Quality.IMPLAUSIBLE
    # On its way it is in doubt; at the end a dying fuel pump must sound.
    assert run(wideband, 0.85, 0.85, 0.85, 0.85, 1.05, 1.30, 1.50) is Quality.SATURATED_HIGH


@pytest.mark.parametrize(
    ("more", "numbers"),
    [
        ({"measures": "lambda", "unit": "lambda"}, (0.95, 0.95, 0.95, 0.95, 0.80, 0.65)),  # rich
        ({"measures": "pressure", "unit": "kPa"}, (0.85, 0.85, 0.85, 0.85, 1.05, 1.30, 1.50)),
        ({"measures": "pressure", "unit": "kPa"}, (0.95, 0.95, 0.95, 0.95, 0.80, 0.65)),
    ],
)
def test_no_other_end_is_believed_of_a_wire_that_jumps(more, numbers):
    spec = {"ends": [0.65, 1.50], "response_time": "80 ms", "health": FASTER} | more
    assert run(channel(units.unit(more["unit"]), **spec), *numbers) is Quality.IMPLAUSIBLE


@pytest.mark.parametrize("volts", [0.0, -0.1])
def test_a_sensor_whose_measured_supply_is_not_above_zero_is_no_reading(volts):
    # Its share of nothing is no pressure, and no division by zero either.
    written = {
        "source": "adc",
        "item": "voltage0",
        "unit": "kPa",
        "wire_unit": "V",
        "curve": {"kind": "linear", "points": [[0.5, 20.0], [4.5, 250.0]]},
        "ratiometric": {"nominal": "5 V", "measured": "rail"},
    }
    measured = Measured("it", MeasuredChannel.model_validate(written), MILLIVOLT, {"rail": "V"}, live=False)
    around = {"rail": Value(volts, Quality.GOOD, 0)}
    value = measured.step(reading(2500.0), around, 0)
    assert (value.value, value.quality, value.reason) == (None, Quality.ABSENT, "rail is not above zero")
    # 2.5 V of 5 V is half of the span from 20 to 250 kPa.
    fine = measured.step(reading(2500.0, 1), {"rail": Value(5.0, Quality.GOOD, 1)}, 1)
    assert (fine.value, fine.quality) == (pytest.approx(135.0), Quality.GOOD)


def test_a_reading_that_is_looked_at_twice_counts_once():
    # A line every 50 ms, looked at every 10: too few in 80 ms to tell a ramp from a jump.
    wideband = channel(units.unit("lambda"), measures="lambda", unit="lambda", ends=[0.65, 1.50], response_time="80 ms")
    for n in range(50):
        wideband.step(reading(0.85, n // 5 * 50 * MS), n * 10 * MS)
    value = wideband.step(reading(1.50, 500 * MS), 500 * MS)
    assert (value.quality, value.reason) == (Quality.SATURATED_HIGH, "lean, or wire broken")


def test_whoever_goes_on_from_a_saved_state_does_not_judge_a_reading_twice():
    def wideband():
        return channel(units.unit("lambda"), measures="lambda", unit="lambda", ends=[0.65, 1.50])

    first, second = wideband(), wideband()
    end = reading(1.50, 0)
    before = first.step(end, 0)
    second.restore(first.state())
    assert second.step(end, 20 * MS) == first.step(end, 20 * MS) == before


def test_volts_do_not_become_pressure_without_a_curve():
    with pytest.raises(units.UnitError, match="a curve must say how"):
        channel(unit="kPa")


def test_a_wire_unit_of_another_kind_is_refused():
    with pytest.raises(units.UnitError, match="wire_unit"):
        channel(unit="kPa", wire_unit="psi", curve={"kind": "linear", "points": [[0.5, 20.0], [4.5, 250.0]]})
