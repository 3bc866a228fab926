"""The drive without wires: the same van, the daemon's own readings, quickly, and what was true."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from cabcanary.model import Quality
from cabcanary.plan.plan import load_plan
from cabcanary_bench.corpus import corpus_grade
from cabcanary_bench.corpus.corpus import Sound
from cabcanary_bench.drives import labels
from cabcanary_bench.drives.scenario import FIRST_DRIVE, Phase, Scenario
from cabcanary_bench.fast.fast import OBD_RATES, Recording, drive
from cabcanary_bench.faults.circumstances import Circumstance, CircumstanceKind
from cabcanary_bench.faults.faults import Fault, FaultKind

if TYPE_CHECKING:
    from .conftest import Moment

CONFIG = Path(__file__).parents[2] / "config" / "bench-van.toml"
NS = 1_000_000_000


def short(*faults: Fault, circumstances: tuple[Circumstance, ...] = (), length_s: float = 60.0) -> Scenario:
    """Key, starter, then the first seconds of the WLTC trace."""
    return Scenario(
        "short",
        length_s,
        (
            Phase("key on", 0.0, 2.0, 0, hold=True),
            Phase("start", 2.0, 4.0, 0, hold=True, crank=True),
            Phase("drive", 4.0, length_s, 0),
        ),
        faults=faults,
        circumstances=circumstances,
    )


@pytest.fixture(scope="module")
def recording() -> Recording:
    return drive(FIRST_DRIVE, seed=1)


def alerts(recording: Recording, run: int = 0) -> list[tuple[float, str]]:
    """What the daemon's own pipeline and rules raise on it, with the time of the drive."""
    plan = load_plan(CONFIG)
    pipeline, engine = plan.pipeline(), plan.engine()
    return [
        (recording.drive_s(now_ns), change.alert)
        for newest, now_ns in recording.ticks(run)
        for change in engine.step(pipeline.step(newest, now_ns))
        if change.active and "unacknowledged" in change.state
    ]


def test_the_first_drive_sounds_as_it_does_over_the_wires(recording: Recording) -> None:
    # The scenario's own promises: lean from 169 s, over-boost from 195 s, no wideband from 222 s, and nothing else.
    raised = alerts(recording)
    assert [alert for _, alert in raised] == ["lean_under_boost", "over_boost", "cannot_see_lambda"]
    for (time_s, _), start_s in zip(raised, (169.0, 195.0, 222.0), strict=True):
        assert start_s < time_s < start_s + 1.0


@pytest.mark.parametrize(
    ("column", "scale"), [("map_kpa", 101.325), ("rpm", 4700.0), ("speed_km_h", 97.4), ("charge_c", 80.0)]
)
def test_larger_substeps_change_the_drive_by_less_than_one_percent(
    recording: Recording, first_drive: list[Moment], column: str, scale: float
) -> None:
    # Of the range of each; 99 of 100 moments, because where the throttle snaps a time step shows as a height.
    fine = np.array([getattr(m.truth, column) for m in first_drive[1::2]])
    coarse = recording.truth[column]
    assert len(fine) == len(coarse) == 15_000
    assert np.percentile(np.abs(fine - coarse), 99) < 0.01 * scale


def test_the_mixture_is_the_same_too(recording: Recording, first_drive: list[Moment]) -> None:
    fine = np.array([m.truth.lambda_cylinder for m in first_drive[1::2]])
    coarse = recording.truth["lambda_cylinder"]
    both = np.isfinite(fine) & np.isfinite(coarse) & (recording.truth["boost_kpa"] > 7)
    assert np.count_nonzero(both) > 2000
    assert np.percentile(np.abs(fine[both] - coarse[both]) / fine[both], 99) < 0.01
    assert np.count_nonzero(np.isfinite(fine) != np.isfinite(coarse)) < 15


def test_readings_come_at_their_sources_rates(recording: Recording) -> None:
    on_s = 290.0
    for channel in ("voltage0", "voltage1", "voltage2"):
        assert len(recording.wires["adc", channel].times_ns) == 15_000
    # 50 lines a second, but for 19 s of silence.
    assert len(recording.wires["wideband", "lambda"].times_ns) == pytest.approx((on_s - 19) * 50, rel=0.01)
    for item, rate in OBD_RATES.items():
        numbers = np.count_nonzero(recording.wires["engine", item].why == 0)
        assert numbers == pytest.approx(rate * on_s, rel=0.02, abs=2), item


def test_no_wire_knows_the_time_of_the_tick_or_of_another(recording: Recording) -> None:
    def phase(source: str, item: str) -> float:
        times = recording.wires[source, item].times_ns
        return float(np.median(times % (NS // 50))) / NS

    assert abs(phase("adc", "voltage0") - phase("wideband", "lambda")) > 0.0001
    for wire in recording.wires.values():
        assert np.all(np.diff(wire.times_ns) > 0)
    gaps = np.diff(recording.wires["wideband", "lambda"].times_ns[:500]) / NS
    assert 0.017 < gaps.min() < 0.0199 < 0.0201 < gaps.max() < 0.023


def test_readings_are_in_the_unit_of_the_wire(recording: Recording) -> None:
    # Millivolts in steps of 0.1875, lambda with three digits, OBD in its own units.
    counts = recording.wires["adc", "voltage0"].values / 0.1875
    assert np.allclose(counts, np.round(counts))
    shown = recording.wires["wideband", "lambda"]
    numbers = shown.values[shown.why == 0]
    assert np.allclose(numbers, np.round(numbers, 3))
    rpm = recording.wires["engine", "rpm"].values
    assert np.all((rpm * 4)[np.isfinite(rpm)] % 1 == 0)
    assert np.nanmax(recording.wires["engine", "map"].values) == 115.0  # the factory sensor's ceiling


def test_while_it_heats_the_wideband_says_so(recording: Recording) -> None:
    shown = recording.wires["wideband", "lambda"]
    quality, words = recording.reasons[shown.why[10]]
    assert (quality, words) == (Quality.WARMING, "the sensor reports 'heating'")
    assert math.isnan(shown.values[10])


def test_with_the_key_off_the_engine_computer_is_missed_and_the_wideband_silent(recording: Recording) -> None:
    rpm = recording.wires["engine", "rpm"]
    assert recording.reasons[rpm.why[-1]] == (Quality.ABSENT, "no answer from the engine computer")
    assert 290.0 < recording.drive_s(int(rpm.times_ns[-1])) < 291.0
    assert recording.drive_s(int(recording.wires["wideband", "lambda"].times_ns[-1])) < 290.1


def test_columns_hold_what_the_ticks_hold(recording: Recording) -> None:
    values, ages = recording.at_ticks("wideband", "lambda")
    assert len(values) == 15_000
    for n, (newest, now_ns) in enumerate(recording.ticks()):
        reading = newest.get(("wideband", "lambda"))
        if reading is None:
            assert ages[n] > 1e18
        elif reading.value is None:
            assert math.isnan(values[n])
        else:
            assert (values[n], ages[n]) == (reading.value, now_ns - reading.time_ns)


def test_labels_tell_onsets_in_the_cylinder_and_at_the_sensor(recording: Recording) -> None:
    lean, over_boost, silent = recording.labels
    assert (lean.kind, lean.expects, lean.start_s, lean.end_s, lean.severity) == (
        "lean_mixture",
        "lean",
        169,
        172,
        0.16,
    )
    assert lean.must_be_found
    # It shows, and at 0.24 is not severe enough for any van and hill that it must be found.
    assert over_boost.onset_sensor_s is not None
    assert not over_boost.must_be_found
    assert silent.must_be_found
    assert lean.onset_cylinder_s is not None
    assert lean.onset_sensor_s is not None
    # The sensor's response and the gas on its way: less than a quarter of a second under load.
    assert 169.0 < lean.onset_cylinder_s < lean.onset_sensor_s < lean.onset_cylinder_s + 0.25
    assert silent.onset_sensor_s == pytest.approx(222.0, abs=0.03)


def test_a_fault_that_never_showed_need_not_be_found() -> None:
    # Lean by a third, at idle and in town, is not lean under boost.
    label = drive(short(Fault(FaultKind.LEAN_MIXTURE, 20.0, 50.0, 0.3)), 1).labels[0]
    assert label.onset_sensor_s is None
    assert not label.must_be_found


def test_ordinary_things_have_labels_that_are_no_faults() -> None:
    wet = Circumstance(CircumstanceKind.WET_BELT, 10.0, 20.0)
    (label,) = drive(short(circumstances=(wet,), length_s=20.0), 1).labels
    assert (label.kind, label.is_fault, label.must_be_found, label.expects) == ("wet_belt", False, False, "silent")


def test_boost_above_the_limit_without_a_fault_is_labelled_and_no_false_alarm() -> None:
    truth = {"time_s": np.arange(5.0), "boost_kpa": np.array([40.0, 60.0, 60.0, 40.0, 60.0])}
    moments = labels._above_the_limit(truth, labels.Limits(((2.0, 0.9),), 8.0))  # 8 psi are 55.2 kPa (NIST SP 811)
    assert [(m.start_s, m.end_s, m.is_fault, m.must_be_found) for m in moments] == [
        (1.0, 2.0, False, False),
        (4.0, 4.0, False, False),
    ]
    heard = Sound(1.5, "over_boost", "warning")
    assert corpus_grade._is_right(heard, moments)
    assert not corpus_grade._is_right(heard, ())


def test_a_wideband_whose_feed_breaks_down_is_rightly_not_seen() -> None:
    words = "the supply breaks down"
    dip = labels.Label("brown_out", "ordinary", words, False, 9.0, 9.4, 1.0, "silent", False, None, None)
    assert corpus_grade._is_right(Sound(9.2, "cannot_see_lambda", "warning"), [dip])
    assert not corpus_grade._is_right(Sound(9.2, "lean_under_boost", "warning"), [dip])
    assert not corpus_grade._is_right(Sound(30.0, "cannot_see_lambda", "warning"), [dip])
    # It warms up again, which is no warning, and takes no minute.
    assert corpus_grade._is_right(Sound(30.0, "cannot_see_lambda", "caution"), [dip])
    assert not corpus_grade._is_right(Sound(75.0, "cannot_see_lambda", "caution"), [dip])


def test_the_same_seed_gives_the_same_drive_and_another_another() -> None:
    def lines(seed: int) -> list[float]:
        return drive(short(length_s=30.0), seed).wires["wideband", "lambda"].values[-200:].tolist()

    assert lines(1) == lines(1)
    assert lines(1) != lines(2)


def test_a_converter_that_hangs_is_missed_and_one_that_freezes_repeats() -> None:
    hung = drive(short(Fault(FaultKind.CONVERTER_HUNG, 20.0, 25.0)), 1)
    wire = hung.wires["adc", "voltage0"]
    at = [hung.drive_s(int(t)) for t in wire.times_ns[wire.why > 0]]
    assert len(at) == 1
    assert 20.1 < at[0] < 20.25
    assert not np.any((wire.times_ns > wire.times_ns[wire.why > 0][0]) & (wire.times_ns < wire.times_ns[0] + 24 * NS))
    frozen = drive(short(Fault(FaultKind.CONVERTER_FROZEN, 20.0, 25.0)), 1)
    wire = frozen.wires["adc", "voltage0"]
    inside = np.array([20.05 < frozen.drive_s(int(t)) < 25.0 for t in wire.times_ns])
    assert len(set(wire.values[inside].tolist())) == 1
    assert np.count_nonzero(inside) > 240


def test_a_disturbed_line_loses_its_share_and_an_unplugged_one_all() -> None:
    noisy = drive(short(Fault(FaultKind.SERIAL_NOISE, 30.0, 50.0, 0.5)), 1)
    times = np.array([noisy.drive_s(int(t)) for t in noisy.wires["wideband", "lambda"].times_ns])
    assert np.count_nonzero((times > 30) & (times < 50)) == pytest.approx(500, rel=0.15)
    out = drive(short(Fault(FaultKind.WIDEBAND_UNPLUGGED, 30.0, 40.0)), 1)
    wire = out.wires["wideband", "lambda"]
    times = np.array([out.drive_s(int(t)) for t in wire.times_ns])
    lost = (times > 30.03) & (times < 40.9)
    assert not np.any(lost)
    assert [out.reasons[why][1] for why in wire.why[(times > 29.99) & (times < 41) & (wire.why > 0)]] == [
        "the port is gone"
    ]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (FaultKind.CAN_SILENT, "no answer from the engine computer"),
        (FaultKind.ADAPTER_UNPLUGGED, "the CAN adapter is lost"),
    ],
)
def test_the_engine_computer_goes_and_comes_back(kind: FaultKind, words: str) -> None:
    gone = drive(short(Fault(kind, 20.0, 30.0)), 1)
    wire = gone.wires["engine", "rpm"]
    times = np.array([gone.drive_s(int(t)) for t in wire.times_ns])
    inside = (times > 19.99) & (times < 30.0)
    assert [gone.reasons[why][1] for why in wire.why[inside] if why] == [words]
    back = times[(times > 30.0) & (wire.why == 0)][0]
    assert 30.2 < back < 32.1


def test_a_brown_out_splits_the_drive_in_two_runs() -> None:
    dip = Circumstance(CircumstanceKind.BROWN_OUT, 20.0, 20.4)
    recording = drive(short(circumstances=(dip,)), 1)
    (first, second) = recording.runs
    assert first[0] == 0
    assert first[1] * 0.02 == pytest.approx(20.0, abs=0.2)
    # The computer needs twenty seconds to be up again.
    assert second[0] * 0.02 == pytest.approx(40.3, abs=0.3)
    newest, now_ns = next(recording.ticks(1))
    assert all(now_ns - reading.time_ns < NS for reading in newest.values())
    assert alerts(recording, 1) == []
