"""What a backtest takes, beside the live path, and beside one rule of it in Polars and in DuckDB on the same files.

The drive-hour: the bench van on country roads, 24 channels at 50 Hz, as its archive keeps it. Some minutes are
driven, and the middle of them comes over and over until an hour is full. Processor time; nothing here can fail by time.
"""

import os
import time

import duckdb
import polars as pl
import pytest
from archived_drive import archived, bench_plan
from stretched_drive import stretched

from cabcanary.model import Frame, Quality, Value
from cabcanary.review.backtest.backtest import backtest
from cabcanary.review.backtest.parallel import run_here
from cabcanary.review.backtest.results import Task
from cabcanary.review.backtest.rule_choice import RuleSource
from cabcanary_bench.drives.generator import DriveKind, ordinary

pytestmark = pytest.mark.in_time


MINUTES, HOUR = 7.0, 180_000
DRIVES, SAMPLE = 200, 40
#: Lean under boost without its refinements, in the units of the archive; the ceiling as in the bench van's rules.
LEAN_SQL = """
select count(*) from read_parquet('{path}')
where boost_as_burnt > 2 and boost_as_burnt_quality = 'good' and lambda_quality in ('good', 'saturated high')
and "lambda" > case when boost_as_burnt < 5 then 0.88 - 0.02 * (boost_as_burnt - 2) / 3
                    when boost_as_burnt < 8 then 0.86 - 0.01 * (boost_as_burnt - 5) / 3 else 0.85 end
"""
LEAN_RULE = """
[tables.ceiling]
of = "psi"
gives = "lambda"
points = [[2, 0.88], [5, 0.86], [8, 0.85]]

[[rule]]
id = "lean"
priority = "warning"
say = "Lean under boost"
do = "Lift off gently"
when = "boost_as_burnt > 2 psi and lambda > ceiling(boost_as_burnt)"
"""


@pytest.fixture(scope="module")
def hour(tmp_path_factory):
    """An hour as the archive has it."""
    folder = tmp_path_factory.mktemp("hour")
    driven = archived(folder, ordinary(1, DriveKind.COUNTRY, minutes=MINUTES), 1)
    return stretched(driven.samples, folder / "hour.parquet", HOUR)


def best_of(rounds, work):
    """The least processor time of some rounds, in ms."""
    found = []
    for _ in range(rounds):
        begin = time.process_time()
        work()
        found.append(time.process_time() - begin)
    return min(found) * 1000


def live(path, rows=3000):
    """The scalar engine over the frames of a minute; milliseconds an hour."""
    plan = bench_plan()
    engine, table = plan.engine(), pl.read_parquet(path, n_rows=rows)
    words = {q.words: q for q in Quality}
    columns = {n: (table[n].to_list(), [words[w] for w in table[f"{n}_quality"].to_list()]) for n in plan.channel_units}
    frames = [
        Frame(t, {n: Value(v[row], q[row], t) for n, (v, q) in columns.items()})
        for row, t in enumerate(table["tick_ns"].to_list())
    ]
    begin = time.process_time()
    for frame in frames:
        engine.step(frame)
    return (time.process_time() - begin) * 1000 * 180_000 / rows


def polars_lean(path):
    """The lean rule in Polars, on one core."""
    boost = pl.col("boost_as_burnt")
    ceiling = (
        pl.when(boost < 5).then(0.88 - 0.02 * (boost - 2) / 3)
        .when(boost < 8).then(0.86 - 0.01 * (boost - 5) / 3).otherwise(0.85)
    )  # fmt: skip
    sees = (pl.col("boost_as_burnt_quality") == "good") & pl.col("lambda_quality").is_in(["good", "saturated high"])
    lean = sees & (boost > 2) & (pl.col("lambda") > ceiling)
    return pl.scan_parquet(path).select(lean.sum()).collect().item()


def test_what_a_backtest_of_a_drive_hour_takes(hour, capsys):
    full, only = Task(str(hour), RuleSource()), RuleSource("lean", (("lean.toml", LEAN_RULE),))
    result = backtest(full)
    lean = backtest(Task(str(hour), only, misses=False))
    database = duckdb.connect()
    database.execute("set threads to 1")
    rows = {
        "all shipped rules, reading included": best_of(
            7, lambda: backtest(Task(str(hour), RuleSource(), misses=False))
        ),
        "all shipped rules and their closest misses": best_of(7, lambda: backtest(full)),
        "the lean rule alone": best_of(7, lambda: backtest(Task(str(hour), only, misses=False))),
        "the lean rule's condition in Polars": best_of(7, lambda: polars_lean(hour)),
        "the lean rule's condition in DuckDB": best_of(
            7, lambda: database.execute(LEAN_SQL.format(path=hour)).fetchone()
        ),
        "all shipped rules, live, frames made already": live(hour),
    }
    with capsys.disabled():
        print(f"\n  one drive-hour: {result.ticks} ticks, {len(bench_plan().channel_units)} channels, processor time")
        for name, spent in rows.items():
            print(f"  {name:<46} {spent:9.1f} ms   ×{3.6e6 / spent:9.0f} real time")
    assert result.ticks == 180_000
    # All three look at the same rows: so many ticks are lean.
    found = database.execute(LEAN_SQL.format(path=hour)).fetchone()
    assert (polars_lean(hour),) == found
    assert bool(found[0]) == any(a.alert == "lean" for a in lean.after.alarms)


@pytest.mark.parametrize("drives", [SAMPLE, pytest.param(DRIVES, marks=pytest.mark.long)])
def test_how_many_drives_spread_over_two_cores(drives, hour, tmp_path, capsys):
    for n in range(drives):
        os.link(hour, tmp_path / f"{n:03d}.parquet")
    tasks = [Task(str(p), RuleSource(), misses=False) for p in sorted(tmp_path.iterdir())]

    def wall(workers):
        begin = time.monotonic()
        found = list(run_here(tasks, workers))
        return time.monotonic() - begin, len(found)

    (one, counted), (two, again) = wall(1), wall(2)
    with capsys.disabled():
        print(f"\n  {drives} drive-hours: one process {one:.1f} s, two {two:.1f} s: {one / two:.2f} times as fast")
    assert counted == again == drives
