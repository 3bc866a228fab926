"""200 drives as one data set: with one line each in DuckDB, Polars, pandas and Dask, the lines of the guide itself."""

from __future__ import annotations

import glob
import os
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import dask.dataframe
import duckdb
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.dataset
import pytest
from harness import command
from live_drive import Live
from small_van import RULES, SETTINGS, Wires

from cabcanary.plan.plan import load_plan
from cabcanary.recorder.archiver import archive_all
from cabcanary.store.manifest import drive_folder, manifest_json, read_manifests

GUIDE = Path(__file__).parents[2] / "daemon" / "cabcanary" / "store" / "ARCHIVE.md"
COUNT = 200


def lines() -> dict[str, str]:
    """The guide's one line for each library."""
    found = re.findall(r"```python\n(.+?)\n```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    return {re.split(r"\W", line)[0]: line for line in found}


def query() -> str:
    """The guide's own example in SQL."""
    (found,) = re.findall(r"```sql\n(.+?)\n```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    return found


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """200 drives of three months; two real ones, of different stages, under 200 names (the files are the same)."""
    home = tmp_path_factory.mktemp("archive")
    made = []
    for n, text in enumerate((SETTINGS, SETTINGS.split("[channels.boost_as_burnt]")[0] + _REST)):
        settings = home / f"settings{n}"
        settings.mkdir()
        (settings / "van.toml").write_text(text)
        (settings / "rules.toml").write_text(RULES if n == 0 else "")
        live = Live(load_plan(settings / "van.toml"), home / f"made{n}", Wires(n + 1))
        live.run(120, running=False)
        live.run(200, running=True)
        live.finish()
        archive_all(home / f"made{n}")
        ((path, manifest),), _ = read_manifests(home / f"made{n}")
        made.append((path.with_name(f"{manifest.drive}.parquet"), manifest))
    folder, rows = home / "van", 0
    for n in range(COUNT):
        samples, manifest = made[n % 2]
        day, drive = f"2026-{1 + n % 3:02d}-{1 + n // 3 % 28:02d}", f"drive{n:03d}"
        start, length_s = f"{day}T10:00:00.000Z", 3600.0
        like = manifest.model_copy(update={"drive": drive, "start": start, "length_s": length_s})
        target = drive_folder(folder, like.vehicle, like.start)
        target.mkdir(parents=True, exist_ok=True)
        os.link(samples, target / f"{drive}.parquet")
        (target / f"{drive}.events.jsonl").write_text("")
        (target / f"{drive}.manifest.json").write_bytes(manifest_json(like))
        rows += manifest.ticks
    return folder, rows


#: The second stage has no as-burnt channel and no fuel-cut mask: drives of one archive differ in their columns.
_REST = """\
[channels.engine_running]
derive = "engine_running"
supply = "supply"
pressure = "map"
lambda_channel = "lambda"
[drive]
ends_after = "1 s"
kept_before = "2 s"
"""


@pytest.fixture
def run(archive: tuple[Path, int], monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.chdir(archive[0])

    def run(name: str) -> Any:
        libraries = {"duckdb": duckdb, "polars": pl, "pandas": pd, "dask": dask, "pyarrow": pa, "glob": glob}
        return eval(lines()[name], libraries)

    return run


def test_the_guide_has_a_line_for_each() -> None:
    assert set(lines()) == {"duckdb", "polars", "pandas", "dask", "pyarrow"}


MONTHS = {"2026-01", "2026-02", "2026-03"}


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # Dask's own use of pandas
@pytest.mark.parametrize(
    ("name", "months"),
    [
        ("duckdb", lambda d: d.project("vehicle, month").distinct().fetchall()),
        ("polars", lambda d: d.select("vehicle", "month").unique().collect().rows()),
        ("pandas", lambda d: d[["vehicle", "month"]].astype(str).drop_duplicates().itertuples(index=False)),
        ("pyarrow", lambda d: zip(*d.to_table(columns=["vehicle", "month"]).to_pydict().values(), strict=True)),
        ("dask", lambda d: d[["vehicle", "month"]].compute().astype(str).itertuples(index=False)),
    ],
)
def test_each_line_gives_vehicle_and_month(run: Any, name: str, months: Any) -> None:
    assert {(str(v), str(m)) for v, m in months(run(name))} == {("test-van", m) for m in MONTHS}


def test_pyarrow(run: Any, archive: tuple[Path, int]) -> None:
    data = run("pyarrow")
    assert data.count_rows() == archive[1]
    assert {"boost", "boost_quality"} <= set(data.schema.names)


def test_the_query_of_the_guide_runs_as_it_is_written_and_not_without_its_quotes(
    archive: tuple[Path, int], run: Any
) -> None:
    found = {month: (vehicle, leanest) for vehicle, month, leanest, _ in duckdb.sql(query()).fetchall()}
    assert set(found) == MONTHS
    columns = ["lambda", "lambda_quality", "boost", "boost_quality", "month"]
    data = pd.read_parquet(sorted(map(str, archive[0].glob("drives/*/*/*.parquet"))), columns=columns)
    data = data[(data["lambda_quality"] == "good") & (data["boost_quality"] == "good") & (data["boost"] > 2)]
    for month, (vehicle, leanest) in found.items():
        assert vehicle == "test-van"
        assert leanest == data.loc[data["month"].astype(str) == month, "lambda"].max()
    with pytest.raises(duckdb.ParserException):
        duckdb.sql(query().replace('"lambda"', "lambda"))


def most_boost(data: Any) -> dict[str, float]:
    """The highest good boost of each drive, by DuckDB."""
    rows = data.filter("boost_quality = 'good'").aggregate("filename, max(boost)").fetchall()
    return {Path(name).stem: boost for name, boost in rows}


def test_duckdb(run: Any) -> None:
    found = most_boost(run("duckdb"))
    assert len(found) == COUNT
    assert all(boost is not None for boost in found.values())


def test_polars_says_the_same_as_duckdb(run: Any) -> None:
    data = run("polars").filter(pl.col("boost_quality") == "good")
    found = data.group_by("path").agg(pl.col("boost").max()).collect()
    assert {Path(name).stem: boost for name, boost in found.rows()} == most_boost(run("duckdb"))


def test_pandas(run: Any, archive: tuple[Path, int]) -> None:
    found = run("pandas")
    assert len(found) == archive[1]
    assert set(found["vehicle"].astype(str)) == {"test-van"}
    assert set(found["month"].astype(str)) == {"2026-01", "2026-02", "2026-03"}


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # Dask's own use of pandas
def test_dask(run: Any, archive: tuple[Path, int]) -> None:
    found = run("dask")
    assert found.npartitions >= 3
    assert len(found) == archive[1]
    most = pd.read_parquet(sorted(archive[0].glob("drives/*/*/*.parquet"))[:2], columns=["boost"])["boost"].max()
    assert found["boost"].max().compute() == most


def test_how_long_the_list_takes_beside_starting_python(
    archive: tuple[Path, int], capsys: pytest.CaptureFixture[str]
) -> None:
    def seconds(*words: str) -> tuple[float, str]:
        begun = time.perf_counter()
        done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=True)
        return time.perf_counter() - begun, done.stdout

    nothing = min(seconds(sys.executable, "-c", "")[0] for _ in range(3))
    took, printed = min(seconds(*command("drives", "--folder", str(archive[0]))) for _ in range(3))
    with capsys.disabled():
        print(f"\n  {COUNT} drives listed in {took:.2f} s, ×{took / nothing:.0f} an empty Python ({nothing:.3f} s)")
    assert len(printed.splitlines()) == COUNT + 1
