"""What the report of a drive-hour takes, beside reading the same file with pandas, and how large its page is.

The hour: the bench's first drive, with a lean pull, an over-boost and a silent wideband, over and over with its alerts.
"""

from __future__ import annotations

import json
import subprocess
import time

import pandas as pd
import pytest
from archived_drive import archived
from harness import command
from stretched_drive import stretched

from cabcanary.review.report.report import make_report
from cabcanary_bench.drives.scenario import FIRST_DRIVE

pytestmark = pytest.mark.in_time

HOUR, BEGINS, LEFT_OUT = 180_000, 1_500, 1_500
#: So large a page still goes as an attachment everywhere.
LARGEST = 3_000_000


@pytest.fixture(scope="module")
def hour(tmp_path_factory):
    """An hour with its events: each turn of the drive has its alerts again."""
    folder = tmp_path_factory.mktemp("hour")
    driven = archived(folder, FIRST_DRIVE, 1)
    ticks = int(pd.read_parquet(driven.samples, columns=["tick_ns"]).size)
    turn_ns = (ticks - BEGINS - LEFT_OUT) * 20_000_000
    lines = driven.samples.with_suffix(".events.jsonl").read_text(encoding="utf-8").splitlines()
    alerts = [e for e in map(json.loads, lines) if e["kind"] == "alert"]
    hour = stretched(driven.samples, folder / "hour.parquet", HOUR, BEGINS, LEFT_OUT)
    every = [e | {"t": e["t"] + n * turn_ns} for n in range(HOUR // (ticks - BEGINS - LEFT_OUT)) for e in alerts]
    hour.with_suffix(".events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in every), encoding="utf-8")
    return hour


def test_the_page_of_an_hour_is_made_soon_and_small_enough_to_be_sent(hour, tmp_path):
    begin = time.perf_counter()
    report = make_report(hour)
    made_s = time.perf_counter() - begin
    begin = time.perf_counter()
    rows = len(pd.read_parquet(hour))
    read_s = time.perf_counter() - begin
    begin = time.perf_counter()
    subprocess.run(command("report", str(hour), "-o", str(tmp_path / "hour.html")), check=True, stdout=subprocess.PIPE)
    whole_s = time.perf_counter() - begin
    size, alerts = len(report.html.encode()), len(report.figures["sounded"]["alerts"])
    beside = f"{made_s / read_s:.1f} times reading it with pandas"
    print(f"\n  {rows / HOUR:.1f} h with {alerts} alerts: {beside}, {size / 1e6:.2f} MB")
    print(f"  {made_s:.2f} s, and with the start of the program {whole_s:.2f} s")
    assert rows == HOUR
    assert alerts >= 30
    assert size < LARGEST
    assert (tmp_path / "hour.html").stat().st_size == size
