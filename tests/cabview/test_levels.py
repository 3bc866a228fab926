"""However far away one looks, no extreme and no moment without sight is lost; and from near every tick is there."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from three_hours import BLIND_AT, NAMES, SPIKE, SPIKE_AT, TICK_NS, three_hours

from cabcanary.cabview.levels import LEAF, DriveLevels, View, as_json
from cabcanary.cabview.trust import Trust
from cabcanary.model import USABLE, Quality

#: Longer than two blocks of a file as they are read, and no multiple of a leaf.
TICKS = 61_003
TICK_S = TICK_NS / 1e9


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return three_hours(tmp_path_factory.mktemp("levels"), TICKS)


@pytest.fixture(scope="module")
def levels(samples: Path) -> DriveLevels:
    return DriveLevels(samples)


def odd_drive(path: Path, times_s: list[float], qualities: list[Quality], doubt: float = 0.0) -> DriveLevels:
    """A drive of one channel that counts its ticks, written without the program's own writer."""
    count = len(times_s)
    table = pa.table(
        {
            "tick_ns": pa.array([round(t * 1e9) for t in times_s]),
            "x": pa.array([float(n) for n in range(count)]),
            "x_quality": pa.array([q.words for q in qualities]).dictionary_encode(),
            "x_uncertainty": pa.array([doubt] * count),
        }
    )
    pq.write_table(table, path, row_group_size=100)
    return DriveLevels(path)


@pytest.mark.parametrize("seed", range(12))
def test_every_view_holds_the_extremes_of_all_that_it_shows(seed: int, levels: DriveLevels, samples: Path) -> None:
    chance = random.Random(seed)
    table = pq.read_table(samples, columns=["c0", "c1", "c1_quality"])
    for _ in range(6):
        span = TICKS * TICK_S * 10 ** chance.uniform(-3, 0)
        from_s = chance.uniform(0, TICKS * TICK_S - span)
        view = levels.view(["c0", "c1"], from_s, from_s + span, chance.choice([50, 400, 3000]))
        first, last = math.ceil(from_s / TICK_S), math.floor((from_s + span) / TICK_S)
        for name in ("c0", "c1"):
            points = view.channels[name]
            truth = table[name].to_numpy()[first : last + 1].copy()
            if name == "c1" and first <= BLIND_AT <= last:
                truth[BLIND_AT - first] = np.nan
                assert points.trust.max() == Trust.STALE
            # The view may reach a group further to each side, and never less far.
            assert np.nanmin(points.lowest) <= np.nanmin(truth)
            assert np.nanmax(points.highest) >= np.nanmax(truth)
            group_s = view.ticks * TICK_S
            wide = table[name].to_numpy()[max(0, first - 2 * view.ticks) : last + 2 * view.ticks]
            assert np.nanmin(points.lowest) >= wide.min()
            assert np.nanmax(points.highest) <= wide.max()
            assert view.time_s[0] <= from_s + group_s
            assert view.time_s[-1] >= from_s + span - group_s


def test_a_single_tick_among_all_is_seen_from_farthest_away(levels: DriveLevels) -> None:
    for points in (10, 100, 1000, 5000):
        view = levels.view(["c0", "c1"], 0.0, TICKS * TICK_S, points)
        assert view.channels["c0"].highest.max() == SPIKE
        at = view.time_s[int(view.channels["c0"].highest.argmax())]
        assert abs(at - SPIKE_AT * TICK_S) <= view.ticks * TICK_S
        assert (view.channels["c1"].trust == Trust.STALE).sum() == 1
        assert len(view.time_s) <= points * 1.1 + 2


def test_from_near_every_tick_is_there_with_its_very_value(levels: DriveLevels, samples: Path) -> None:
    truth = pq.read_table(samples, columns=["c5"])["c5"].to_numpy()
    # Across the border of two row groups.
    view = levels.view(["c5"], 14_990 * TICK_S, 15_010 * TICK_S, 1000)
    assert view.ticks == 1
    first = round(view.time_s[0] / TICK_S)
    assert np.array_equal(view.channels["c5"].highest, truth[first : first + len(view.time_s)])
    assert np.array_equal(view.channels["c5"].lowest, view.channels["c5"].highest)
    assert len(view.time_s) in (21, 22, 23)


def test_groups_lie_still_when_a_plot_is_moved(levels: DriveLevels) -> None:
    def inner(view: View) -> set[tuple[float, float]]:
        return set(zip(view.time_s[2:-2].tolist(), view.channels["c0"].highest[2:-2].tolist(), strict=True))

    for span, points in ((40.0, 300), (600.0, 300)):
        here, there = (inner(levels.view(["c0"], s, s + span, points)) for s in (100.0, 100.0 + span / 7))
        assert len(here & there) > 0.7 * len(here)


def test_the_band_reaches_two_standard_uncertainties_and_is_left_out_where_there_is_none(tmp_path: Path) -> None:
    good = [Quality.GOOD] * 50
    view = odd_drive(tmp_path / "a.parquet", [n / 50 for n in range(50)], good, 0.25).view(["x"], 0, 1, 100)
    assert (view.channels["x"].high - view.channels["x"].highest).tolist() == [0.5] * 50
    told = as_json(view)["channels"]["x"]
    assert (told["low"][3], told["high"][3], "min" in told, "trust" in told) == (2.5, 3.5, False, False)
    view = odd_drive(tmp_path / "b.parquet", [n / 50 for n in range(50)], good).view(["x"], 0, 1, 100)
    assert set(as_json(view)["channels"]["x"]) == {"max"}


def test_only_what_may_feed_a_rule_is_a_value(tmp_path: Path) -> None:
    drive = odd_drive(tmp_path / "q.parquet", [n / 50 for n in range(len(Quality))], sorted(Quality))
    told = as_json(drive.view(["x"], 0, 1, 100))["channels"]["x"]
    assert [told["max"][n] is not None for n in range(len(Quality))] == [q in USABLE for q in sorted(Quality)]


def test_a_gap_in_the_ticks_is_a_gap_in_the_line(tmp_path: Path) -> None:
    times = [n / 50 for n in range(100)] + [10 + n / 50 for n in range(100)]
    drive = odd_drive(tmp_path / "g.parquet", times, [Quality.GOOD] * 200)
    for points in (1000, 60, 12):
        view = drive.view(["x"], 0.0, 12.0, points)
        blank = np.flatnonzero(np.isnan(view.channels["x"].highest))
        if view.ticks < LEAF:
            assert [round(float(t)) for t in view.time_s[blank]] == [6]
            assert view.channels["x"].trust[blank].tolist() == [Trust.STALE]
        assert np.all(np.diff(view.time_s) > 0)


@pytest.mark.parametrize("count", [0, 1, 15, 16, 17])
def test_a_drive_of_hardly_any_ticks_is_shown_too(count: int, tmp_path: Path) -> None:
    drive = odd_drive(tmp_path / "s.parquet", [n / 50 for n in range(count)], [Quality.GOOD] * count)
    for points in (10, 1000):
        view = drive.view(["x"], -1.0, 1.0, points)
        assert len(view.time_s) == (count if view.ticks == 1 else -(-count // view.ticks))
        assert np.nanmax(view.channels["x"].highest, initial=0) == max(0, count - 1)
    assert as_json(drive.view([], 0.0, 1.0, 10))["channels"] == {}


def test_what_is_kept_in_memory_is_bounded_however_many_channels_are_looked_at(
    samples: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cabcanary.cabview.levels._LEAVES_KEPT", 3)
    monkeypatch.setattr("cabcanary.cabview.levels._BLOCKS_KEPT", 2)
    drive = DriveLevels(samples)
    for name in NAMES[:6]:
        for from_s, to_s in ((0.0, 1e4), (10.0, 20.0), (900.0, 910.0)):
            drive.view([name], from_s, to_s, 1000)
    assert list(drive._leaves) == NAMES[3:6]
    assert [name for name, _ in drive._read] == [NAMES[5]] * 2
    # The one that was looked at last stays longest.
    drive.view([NAMES[3]], 0.0, 1e4, 100)
    drive.view([NAMES[0]], 0.0, 1e4, 100)
    assert list(drive._leaves) == [NAMES[5], NAMES[3], NAMES[0]]


def test_beyond_the_ends_there_is_nothing_and_no_error(levels: DriveLevels) -> None:
    for from_s, to_s in ((-100.0, -50.0), (1e6, 2e6), (-1e9, 1e9)):
        view = levels.view(NAMES[:2], from_s, to_s, 100)
        assert len(view.time_s) == len(view.channels["c0"].highest)
