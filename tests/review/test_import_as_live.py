"""A log comes in as the live path would have seen its wires; one's own exports keep what they say of their values."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest
from brought_in import bring
from live_drive import TICK_NS, Live
from small_van import RULES, SETTINGS, Wires, volts_of

from cabcanary.cli.main import main
from cabcanary.model import Quality
from cabcanary.plan.plan import Plan, load_plan
from cabcanary.recorder.archived_drive import ArchivedDrive
from cabcanary.recorder.archiver import archive_all
from cabcanary.review.exchange.log_import import with_settings
from cabcanary.store.manifest import read_manifests
from cabcanary.store.packed import pack, unpack

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cabcanary.model import Frame

#: A second sensor of the manifold's pressure, which must agree; a limit of what the mixture can be; a short patience.
MORE = (
    SETTINGS.replace("rails = [0.25, 4.75]", "rails = [0.25, 4.75]\nplausible = [15.0, 260.0]\nresolution = 0.001")
    + """\
[channels.engine_map]
source = "adc"
item = "voltage2"
unit = "kPa"
wire_unit = "V"
measures = "manifold_pressure"
curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }
rails = [0.25, 4.75]
[checks.pressures]
kind = "agree"
channel = "map"
witness = "engine_map"
within = 6.0
for_longer_than = "0.5 s"
"""
)


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    (tmp_path / "van.toml").write_text(MORE)
    (tmp_path / "rules.toml").write_text(RULES)
    return load_plan(tmp_path / "van.toml")


Told = tuple[float, float, float | None, float]


#: Faults of each wire: from which tick, up to which, and what it says then instead.
Fault = tuple[int, int, Callable[[int, float], float | None]]
MAP: list[Fault] = [
    (600, 610, lambda n, x: -8.0),  # a broken wire, below the rail
    (610, 620, lambda n, x: 275.0),  # a short, above it
    (700, 710, lambda n, x: 250.0),  # at the curve's end
    (710, 720, lambda n, x: 255.0),  # between end and rail
    (1100, 1110, lambda n, x: 12.0),  # no manifold is this empty
]
OTHER: list[Fault] = [
    (800, 900, lambda n, x: x - 20.0),  # contradicts the first
    (1000, 1005, lambda n, x: 40.0 if n % 2 else 160.0),  # no manifold fills this fast
]
MIXTURE: list[Fault] = [
    (400, 449, lambda n, x: None),  # silent for 0.98 s under boost
    (1200, 1230, lambda n, x: min(1.5, 0.82 + 0.05 * (n - 1200))),  # a pump that dies
    (1400, 1420, lambda n, x: 1.5),  # a wire that breaks
    (1600, 2800, lambda n, x: 0.81),  # a wideband that hangs
    (3000, 3400, lambda n, x: 0.65),  # at the rich end for longer than an engine burns
]


def said(faults: list[Fault], n: int, value: float) -> float | None:
    return next((says(n, value) for begin, end, says in faults if begin <= n < end), value)


def told(seed: int) -> Iterator[Told]:
    """Tick by tick kPa, kPa of the other sensor, lambda (None: the wire is silent), V: with every fault in turn."""
    chance = random.Random(seed)
    for n in range(4000):
        kpa = 100.0 if n < 150 else 160.0 + chance.uniform(-2, 2)
        other, mixture = kpa + chance.uniform(-1, 1), 0.82 + chance.uniform(-0.02, 0.02)
        shown = said(MAP, n, kpa), said(OTHER, n, other)
        assert shown[0] is not None
        assert shown[1] is not None
        yield shown[0], shown[1], said(MIXTURE, n, mixture), 14.0 if n >= 150 else 12.4


def wire_mv(kpa: float) -> float:
    return max(0.0, volts_of(kpa))


def driven(plan: Plan, folder: Path, seed: int) -> tuple[list[Frame], list[str], Path]:
    """The frames and alerts of the live path, and the log that another program would have written beside it."""
    live = Live(plan, folder, Wires(seed))
    rows = ["time_s,map [kPa],engine_map [kPa],lambda [lambda],supply [V]"]
    for n, (kpa, other, mixture, volts) in enumerate(told(seed)):
        live.now_ns += TICK_NS
        live.wires.put("adc", "voltage0", wire_mv(kpa), live.now_ns)
        live.wires.put("adc", "voltage2", wire_mv(other), live.now_ns)
        live.wires.put("adc", "voltage1", volts / 4 * 1000, live.now_ns)
        if mixture is not None:
            live.wires.put("wideband", "lambda", mixture, live.now_ns)
        live.step()
        cells = [f"{n * 0.02:.2f}", repr(kpa), repr(other), "" if mixture is None else repr(mixture), repr(volts)]
        rows.append(",".join(cells))
    file = folder.parent / "log.csv"
    file.write_text("\n".join(rows) + "\n")
    return live.frames, [c.alert for c in live.changes if c.active], file


def alerts_of(plan: Plan, frames: list[Frame]) -> list[str]:
    engine = plan.engine()
    return [c.alert for f in frames for c in engine.step(f) if c.active]


def same(ours: list[Frame], live: list[Frame], names: list[str]) -> set[Quality]:
    """Hold two drives against each other, and say which qualities were seen."""
    seen = set()
    assert len(ours) == len(live)
    for n, (a, b) in enumerate(zip(ours, live, strict=True)):
        for name in names:
            x, y = a.values[name], b.values[name]
            assert x.quality is y.quality, (n, name, x, y)
            assert (x.value is None) == (y.value is None), (n, name, x, y)
            if y.value is not None:
                assert x.value == pytest.approx(y.value, abs=1e-6), (n, name)
                assert x.uncertainty == pytest.approx(y.uncertainty, abs=1e-9), (n, name)
            seen.add(y.quality)
    return seen


def test_an_imported_log_is_judged_as_the_live_path_judged_its_wires(plan: Plan, tmp_path: Path) -> None:
    live, alerts, file = driven(plan, tmp_path / "live", 3)
    bring(file, tmp_path / "in", "--config", tmp_path / "van.toml")
    ((path, manifest),), _ = read_manifests(tmp_path / "in")
    ours = list(ArchivedDrive(path.with_name(f"{manifest.drive}.parquet")).kept_frames())
    seen = same(ours, live, list(plan.channel_units))
    # Every verdict that can be made of a number was among them.
    assert seen >= set(Quality) - {Quality.WARMING}
    assert alerts_of(plan, ours) == alerts
    assert {"cannot_see_lambda", "cannot_see_map", "lean_under_boost"} <= set(alerts)


def test_a_log_without_settings_is_judged_the_same_once_they_are_named(plan: Plan, tmp_path: Path) -> None:
    live, alerts, file = driven(plan, tmp_path / "live", 4)
    bring(file, tmp_path / "bare")
    ((path, manifest),), _ = read_manifests(tmp_path / "bare")
    with with_settings(path.with_name(f"{manifest.drive}.parquet"), plan) as samples:
        ours = list(ArchivedDrive(samples).kept_frames())
    same(ours, live, list(plan.channel_units))
    assert alerts_of(plan, ours) == alerts


@pytest.mark.parametrize("cells", [True, False])
def test_a_gap_longer_than_a_channel_may_be_silent_is_heard(plan: Plan, tmp_path: Path, *, cells: bool) -> None:
    # 0.98 s without lambda under boost, stale_after is 0.15 s: cells without numbers, or no rows at all.
    file = tmp_path / "log.csv"
    rows = ["time_s,map [kPa],engine_map [kPa],lambda [lambda],supply [V]"]
    for n, (kpa, other, mixture, volts) in enumerate(told(5)):
        if n >= 550 or (mixture is None and not cells):
            continue
        rows.append(f"{n * 0.02:.2f},{kpa!r},{other!r},{'' if mixture is None else repr(mixture)},{volts}")
    file.write_text("\n".join(rows) + "\n")
    words, table, manifest = bring(file, tmp_path / "in", "--config", tmp_path / "van.toml")
    # 49 ticks of 20 ms were silent.
    assert ("49 ticks stand in gaps of the log" in words) is not cells
    assert (len(table), manifest.ticks) == (550, 550)
    quality = table["lambda_quality"].cast(pl.String).to_list()
    # The last reading is that of tick 399, and up to 0.14 s it is fresh; at 0.16 s it is not.
    assert quality[390:407] == ["good"] * 17
    assert quality[407:449] == ["stale"] * 42
    assert quality[449:460] == ["good"] * 11
    (samples,) = (tmp_path / "in").glob("drives/*/*/*.parquet")
    assert "cannot_see_lambda" in alerts_of(plan, list(ArchivedDrive(samples).kept_frames()))


@pytest.fixture
def own(plan: Plan, tmp_path: Path) -> Path:
    """A state folder with a drive of one's own in which every quality is."""
    driven(plan, tmp_path / "live", 6)
    live = Live(plan, tmp_path / "own", Wires(6))
    for kpa, other, mixture, volts in told(6):
        live.now_ns += TICK_NS
        live.wires.put("adc", "voltage0", wire_mv(kpa), live.now_ns)
        live.wires.put("adc", "voltage2", wire_mv(other), live.now_ns)
        live.wires.put("adc", "voltage1", volts / 4 * 1000, live.now_ns)
        if mixture is not None:
            live.wires.put("wideband", "lambda", mixture, live.now_ns)
        live.step()
    live.finish()
    archive_all(tmp_path / "own")
    return tmp_path / "own"


@pytest.mark.parametrize("settings", [False, True])
@pytest.mark.parametrize("to", ["csv", "parquet", "mdf4"])
def test_qualities_and_uncertainties_survive_the_way_out_and_in(
    own: Path, tmp_path: Path, to: str, *, settings: bool
) -> None:
    output = tmp_path / f"out.{'mf4' if to == 'mdf4' else to}"
    assert main(["export", "last", "--to", to, "--folder", str(own), "--output", str(output)]) == 0
    _, table, _ = bring(output, tmp_path / "in", *(["--config", tmp_path / "van.toml"] if settings else []))
    (samples,) = own.glob("drives/*/*/*.parquet")
    before = pl.read_parquet(samples)
    seen: set[str] = set()
    names = [n for n in table.columns if f"{n}_quality" in table.columns]
    assert {"lambda", "map", "engine_map", "supply", "boost", "boost_as_burnt", "air_pressure"} <= set(names)
    for name in names:
        words = before[f"{name}_quality"].cast(pl.String).to_list()
        assert table[f"{name}_quality"].cast(pl.String).to_list() == words, name
        assert table[f"{name}_uncertainty"].to_list() == pytest.approx(before[f"{name}_uncertainty"].to_list()), name
        usable = [w in ("good", "saturated high", "saturated low", "within") for w in words]
        shown = [(a, b) for a, b, u in zip(table[name], before[name], usable, strict=True) if u]
        assert all(a == b for a, b in shown), name
        seen |= set(words)
    assert {"good", "within", "stale", "saturated high", "out of range", "implausible", "stuck", "absent"} <= seen


def test_marks_of_rows_come_back_as_they_went() -> None:
    chance = np.random.default_rng(1)
    for rows in (0, 1, 7, 8, 9, 15_001):
        marks = chance.random(rows) < 0.3
        assert unpack(pack(marks), rows).tolist() == marks.tolist()
    with pytest.raises(ValueError, match="not of 100"):
        unpack(pack(marks), 100)
    with pytest.raises(ValueError, match="no packed marks"):
        unpack("AAAA", 8)


def test_a_log_without_settings_says_where_its_readings_were_in_little_room(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    rows = [f"{n * 0.02:.2f},{100 + n % 7},{80 + n % 5 if n % 25 == 0 else ''}" for n in range(20_000)]
    file.write_text("\n".join(["time_s,map [kPa],coolant [°C]", *rows]) + "\n")
    bring(file, tmp_path / "in")
    (samples,) = (tmp_path / "in").glob("drives/*/*/*.parquet")
    assert len(pq.read_schema(samples).metadata[b"cabcanary"]) < 3000
