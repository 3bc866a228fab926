"""What the second witness takes for an hour of driving, beside reading the same columns with pandas."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest
from gas_engines import Cascade
from witness_archive import archive, archive_ticks, vehicle
from witness_engines import Pieces

from cabcanary.plan.plan import load_plan
from cabcanary.review.figures.columns import Columns
from cabcanary.review.list.recorded_drive import read_drive
from cabcanary.review.witness.drive_signals import signals_of
from cabcanary.review.witness.lifts import GasSignals
from cabcanary.review.witness.witness import witnessed

pytestmark = pytest.mark.in_time

#: An hour in all, at the tick of a daemon.
DRIVES, ROWS = 6, 180_000


def test_an_hour_is_worked_through_soon(tmp_path):
    config = vehicle(tmp_path, "bench-van", metered=True)
    van = Pieces(np.random.default_rng(1), kind="displacement", idle_s=90.0)
    files = archive(config, [van.drive() for _ in range(DRIVES)], each=70)
    rows = sum(len(pd.read_parquet(f, columns=["tick_ns"])) for f in files)
    plan = load_plan(config)
    begin, worked = time.perf_counter(), time.process_time()
    found = witnessed(plan)
    whole_s, worked_s = time.perf_counter() - begin, time.process_time() - worked
    begin = time.perf_counter()
    for file in files:
        signals_of(Columns(read_drive(file)))
    opened_s = time.perf_counter() - begin
    begin = time.process_time()
    for file in files:
        pd.read_parquet(file)
    read_s = time.process_time() - begin
    print(f"\n  {rows / ROWS:.2f} h in {DRIVES} drives: {whole_s:.2f} s, opening {opened_s:.2f} s")
    print(f"  {worked_s:.2f} s of the processor, {worked_s / read_s:.1f} times what reading all with pandas takes")
    assert len(found.findings) == 8
    assert rows == pytest.approx(ROWS, rel=0.05)
    # Were a drive opened twice, or looked at tick by tick in Python, it would be far more.
    assert worked_s < 60 * read_s


def test_an_hour_full_of_fuel_cuts_is_worked_through_soon(tmp_path):
    config = vehicle(tmp_path, "bench-van")
    van = Cascade(np.random.default_rng(2))
    # Twenty cuts in ten minutes, and the road in between.
    drives = []
    for _ in range(DRIVES):
        cuts = van.drive(20)[0]
        road = np.arange(0.0, 600.0 - float(cuts.seconds[-1]), 0.02)
        still = [np.full(len(road), v) for v in (1.0, 60.0, 2200.0)]
        columns = [np.concatenate((a, b)) for a, b in zip(cuts[2:], still, strict=True)]
        seconds = np.arange(len(columns[0])) / 50
        drives.append(GasSignals(cuts.drive, seconds, *columns))
    archive_ticks(config, drives)
    plan = load_plan(config)
    begin, worked = time.perf_counter(), time.process_time()
    found = witnessed(plan)
    whole_s, worked_s = time.perf_counter() - begin, time.process_time() - worked
    begin = time.process_time()
    for file in sorted((tmp_path / "state").rglob("*.parquet")):
        pd.read_parquet(file)
    read_s = time.process_time() - begin
    told = next(f for f in found.findings if f.name == "the wideband's timing")
    print(f"\n  {told.figures['fuel_cuts']} fuel cuts in an hour: {whole_s:.2f} s, {worked_s:.2f} s of the processor")
    print(f"  {worked_s / read_s:.1f} times what reading all with pandas takes")
    assert worked_s < 60 * read_s
