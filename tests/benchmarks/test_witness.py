"""What the second witness takes for an hour of driving, beside reading the same columns with pandas."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest
from witness_archive import archive, vehicle
from witness_engines import Pieces

from cabcanary.plan.plan import load_plan
from cabcanary.review.figures.columns import Columns
from cabcanary.review.list.recorded_drive import read_drive
from cabcanary.review.witness.drive_signals import signals_of
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
    assert len(found.findings) == 5
    assert rows == pytest.approx(ROWS, rel=0.05)
    # Were a drive opened twice, or looked at tick by tick in Python, it would be far more.
    assert worked_s < 60 * read_s
