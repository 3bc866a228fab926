"""A recorded drive opens in the tools that engineers have, with its units and settings in the file."""

from __future__ import annotations

import json
import tomllib
from typing import TYPE_CHECKING, Any

import duckdb
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest

if TYPE_CHECKING:
    from long_drive import BenchDrive

pytestmark = pytest.mark.waits


#: The bench van's channels and their units, as its settings give them.
UNITS = {
    "time_s": "s",
    "lambda": "lambda",
    "map": "kPa",
    "supply": "V",
    "charge_temperature": "°C",
    "engine_speed": "rpm",
    "throttle": "%",
    "vehicle_speed": "km/h",
    "engine_map": "kPa",
    "coolant": "°C",
    "barometer": "kPa",
    "boost": "psi",
}
#: Raw readings stand beside the values, in the unit of the wire: the kernel's IIO ABI gives millivolts.
RAW_UNITS = {"map_raw": "mV", "supply_raw": "mV", "charge_temperature_raw": "mV", "lambda_raw": "lambda"}


@pytest.fixture(scope="module")
def samples(bench_drive: BenchDrive) -> str:
    return str(bench_drive.samples)


@pytest.fixture(scope="module")
def table(samples: str) -> pd.DataFrame:
    return pd.read_parquet(samples)


def polars_metadata(path: str) -> dict[str, str]:
    return pl.read_parquet_metadata(path)


def duckdb_metadata(path: str) -> dict[str, str]:
    rows = duckdb.sql(f"select key, value from parquet_kv_metadata('{path}')").fetchall()
    return {bytes(k).decode(): bytes(v).decode() for k, v in rows}


def pyarrow_metadata(path: str) -> dict[str, str]:
    return {k.decode(): v.decode() for k, v in pq.read_schema(path).metadata.items()}


@pytest.mark.parametrize("read", [polars_metadata, duckdb_metadata, pyarrow_metadata])
def test_units_settings_and_rules_are_in_the_file_for_every_reader(samples: str, read: Any) -> None:
    about = json.loads(read(samples)["cabcanary"])
    assert {name: about["units"][name] for name in UNITS} == UNITS
    assert {name: about["units"][name] for name in RAW_UNITS} == RAW_UNITS
    assert about["vehicle"] == "bench van"
    assert about["stage"] == "compressor, low boost"
    # The whole text of all files, so that the drive can be converted and judged again.
    assert tomllib.loads(about["settings"])["channels"]["map"]["curve"]["points"] == [[0.5, 20.0], [4.5, 250.0]]
    rules = [r["id"] for text in about["rules"].values() for r in tomllib.loads(text).get("rule", [])]
    assert {"lean_under_boost", "over_boost"} <= set(rules)
    assert tomllib.loads(about["rules"]["bench-van.toml"])["numbers"]["boost_that_counts"] == "2 psi"


def test_each_column_carries_its_unit(samples: str) -> None:
    schema = pq.read_schema(samples)
    for name, unit in {**UNITS, **RAW_UNITS}.items():
        assert schema.field(name).metadata[b"unit"].decode() == unit


def test_three_readers_see_the_same_numbers(samples: str, table: pd.DataFrame) -> None:
    polars = pl.read_parquet(samples)
    rows, peak = duckdb.sql(f"select count(*), max(boost) from '{samples}'").fetchall()[0]
    assert len(table) == polars.height == rows
    assert table["boost"].max() == polars["boost"].max() == peak
    assert table["lambda"].count() == polars["lambda"].count()
    words = duckdb.sql(f"select distinct lambda_quality from '{samples}'").fetchall()
    assert {w for (w,) in words} == set(table["lambda_quality"].unique()) == set(polars["lambda_quality"].unique())
    assert {"good", "warming", "stale"} <= {w for (w,) in words}


# The ranges are the bench van's: simulators/README.md for what its sensors show and the drive asks for, and
# common practice for the rest (12.5 V resting, 14.1 V charging; an idle near 750 rpm).
RANGES = {
    "map": (20.0, 40.0, 150.0, 250.0),
    "boost": (-13.0, -8.0, 9.0, 13.0),
    "supply": (8.0, 12.5, 13.5, 14.8),
    "engine_speed": (0.0, 50.0, 3000.0, 7000.0),
    "vehicle_speed": (0.0, 0.0, 60.0, 140.0),
    "throttle": (0.0, 5.0, 95.0, 100.0),
    "barometer": (100.0, 102.0, 100.0, 102.0),
    "charge_temperature": (0.0, 40.0, 25.0, 120.0),
    "engine_map": (10.0, 40.0, 115.0, 115.0),
    "coolant": (-10.0, 95.0, 40.0, 100.0),
}


@pytest.mark.parametrize("channel", RANGES)
def test_a_channel_holds_what_the_drive_was(table: pd.DataFrame, channel: str) -> None:
    lowest, low, high, highest = RANGES[channel]
    good = table.loc[table[f"{channel}_quality"] == "good", channel]
    assert lowest <= good.min() <= low
    assert high <= good.max() <= highest


def test_lambda_stays_within_the_sensors_ends_and_is_rich_in_the_clean_pull(table: pd.DataFrame) -> None:
    shown = table["lambda"].dropna()
    assert 0.65 <= shown.min() < 0.85
    assert shown.max() == 1.5
    # The table of commanded lambda: 0.82 from 2 psi on, 0.80 at 6 psi (simulators/README.md).
    pull = table[(table["boost"] > 5) & (table["boost"] < 7) & (table["lambda_quality"] == "good")]
    assert 0.79 <= pull["lambda"].median() <= 0.83


def test_time_runs_at_fifty_samples_a_second_and_never_back(table: pd.DataFrame) -> None:
    steps = table["time_s"].diff().dropna()
    assert table["time_s"].iloc[0] == 0
    assert steps.min() >= 0
    assert steps.median() == pytest.approx(0.02, abs=0.002)
    # 300 s of drive: from the kept seconds before the start to 5 s after the engine stood still.
    assert 285 <= table["time_s"].iloc[-1] <= 301


def test_the_raw_column_makes_the_value_again(samples: str, table: pd.DataFrame) -> None:
    # The kernel's IIO ABI: millivolts are (code + offset) * scale; 0.5 to 4.5 V are 20 to 250 kPa absolute.
    about = json.loads(pq.read_schema(samples).metadata[b"cabcanary"])["raw"]["map"]
    assert (about["unit"], about["offset"]) == ("mV", 0.0)
    scale = about["scale"]
    good = table[table["map_quality"] == "good"]
    again = 20 + (good["map_raw"] * scale / 1000 - 0.5) * 230 / 4
    assert (again - good["map"]).abs().max() < 1e-6
