"""Every figure of a report is what pandas works out from the same Parquet file, masks and all, without our code."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from brought_in import cabcanary
from reported_drive import NAME, Recording, eventful

from cabcanary.review.figures.drive_figures import figures_of
from cabcanary.review.list.recorded_drive import read_drive
from cabcanary.review.report.report import make_report
from cabcanary.store.manifest import read_manifests

if TYPE_CHECKING:
    from pathlib import Path

VEHICLES = ("bench-van", "market-hatchback", "harbour-pickup", "hill-estate")
SVG = "{http://www.w3.org/2000/svg}"
#: 0.3 s at 50 Hz, both ends counted; what a number is rounded to in a report.
LASTED, NEAR = 16, 6e-5


class Seen:
    """One vehicle's drive: its report, and its channels as pandas reads them."""

    def __init__(self, vehicle: str, home: Path) -> None:
        drive = eventful(Recording(vehicle, home / "settings")).archive(home / "state")
        self.samples, self.folder = drive.samples, drive.folder
        report = make_report(drive.samples)
        self.told: dict[str, Any] = report.figures
        self.page = ET.fromstring(report.html)
        self.frame = pd.read_parquet(drive.samples)
        self.s = self.frame["time_s"]
        self.step = self.s.diff().fillna(0.0).clip(upper=0.2)

    def good(self, name: str, *more: str) -> pd.Series:
        if name not in self.frame:
            return pd.Series(np.nan, index=self.frame.index)
        return self.frame[name].where(self.frame[f"{name}_quality"].isin(["good", *more]))

    def seconds(self, rows: pd.Series) -> float:
        return float(self.step[rows].sum())

    @property
    def running(self) -> pd.Series:
        return self.good("engine_running") == 1.0

    @property
    def masked(self) -> pd.Series:
        """config/rules/mixture.toml, lean_under_boost: fuel_cut_gas; or the manifold falls by more than 200 kPa/s over
        0.1 s, for less than 40 % of the last 1.5 s; no drive here comes near its limiter."""
        cut = self.frame["fuel_cut_gas"] == 1.0
        falls = (self.good("map") - self.good("map").shift(5)) / 0.1 < -200.0
        return cut | (falls & (falls.rolling(76, min_periods=1).mean() < 0.4))

    @property
    def proved(self) -> pd.Series:
        """Boost as burnt that is certain: of an interval its lower end."""
        burnt, doubt = self.frame["boost_as_burnt"], self.frame["boost_as_burnt_uncertainty"]
        quality = self.frame["boost_as_burnt_quality"]
        within = (burnt - 2 * doubt).where(quality == "within")
        return burnt.where(quality.isin(["good", "saturated high"])).fillna(within)

    def named(self, name: str) -> ET.Element:
        (found,) = self.page.findall(f".//{SVG}circle[@data-name='{name}']")
        return found


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Seen]:
    return {v: Seen(v, tmp_path_factory.mktemp(v)) for v in VEHICLES}


@pytest.fixture(params=VEHICLES)
def seen(request: pytest.FixtureRequest, drives: dict[str, Seen]) -> Seen:
    return drives[request.param]


# --- the opening ----------------------------------------------------------------------------------------------------


def test_for_how_long_it_was_driven_and_above_each_step(seen: Seen) -> None:
    told = seen.told["seen"]
    assert told["length_s"] == pytest.approx(seen.s.iloc[-1], abs=1e-3)
    assert told["running_s"] == pytest.approx(seen.seconds(seen.running), abs=0.01)
    likely = seen.good("boost", "within", "saturated high")
    doubt = 2 * seen.frame["boost_uncertainty"]
    assert len(told["above"]) >= 4
    for step in told["above"]:
        psi = step["boost_psi"]
        assert step["seconds"] == pytest.approx(seen.seconds(likely > psi), abs=0.01)
        assert step["sure_s"] == pytest.approx(seen.seconds(likely - doubt > psi), abs=0.01)
        assert step["at_most_s"] == pytest.approx(seen.seconds(likely + doubt > psi), abs=0.01)
    assert told["above"][0]["seconds"] > 5.0


def test_the_most_boost_and_the_leanest_mixture_that_lasted(seen: Seen) -> None:
    told = seen.told["seen"]
    boost = seen.good("boost", "within", "saturated high")
    assert told["highest_boost_psi"] == pytest.approx(boost.rolling(LASTED).min().max(), abs=NEAR)
    lean = seen.good("lambda", "saturated high").where(~seen.masked & (seen.proved >= 2.0))
    lasted = lean.rolling(LASTED).min()
    assert told["leanest_under_boost"] == pytest.approx(lasted.max(), abs=NEAR)
    at = (seen.s - told["leanest_at_s"]).abs().idxmin()
    assert lean[at] == pytest.approx(lasted.max(), abs=NEAR)
    assert told["leanest_at_boost_psi"] == pytest.approx(seen.proved[at], abs=1e-4)
    # A weak pump: lambda 0.95 where 0.82 is wanted.
    assert told["leanest_under_boost"] == pytest.approx(0.95, abs=0.01)


def test_what_could_not_be_seen(seen: Seen) -> None:
    told = seen.told["not_seen"]
    burnt = seen.good("boost_as_burnt", "within")
    boosted = (seen.good("map", "saturated high") > 120.0) | (burnt > 2.0)
    blind = burnt.isna() | seen.good("lambda", "saturated high", "saturated low").isna()
    assert told["boosted_s"] == pytest.approx(seen.seconds(boosted), abs=0.01)
    assert told["blind_under_boost_s"] == pytest.approx(seen.seconds(boosted & blind), abs=0.01) != 0.0
    assert {n["channel"] for n in told["not_good"]} >= {"lambda"}
    for channel in told["not_good"]:
        quality = seen.frame[f"{channel['channel']}_quality"].astype(str)
        assert channel["seconds"] == {
            q: pytest.approx(seen.seconds(quality == q), abs=0.01) for q in quality[quality != "good"].unique()
        }
        assert channel["with_boost_s"] == pytest.approx(seen.seconds((quality != "good") & boosted), abs=0.01)


def test_the_list_the_stage_review_and_the_report_have_one_figure(seen: Seen) -> None:
    ((_, manifest),), _ = read_manifests(seen.folder)
    figures, told = figures_of(read_drive(seen.samples)), seen.told["seen"]
    assert figures.leanest is not None
    assert manifest.leanest_under_boost == round(told["leanest_under_boost"], 4) == round(figures.leanest.mixture, 4)
    assert manifest.leanest_at_boost == round(told["leanest_at_boost_psi"], 3)
    assert [a["alert"] for a in told and seen.told["sounded"]["alerts"]][:1] == [manifest.alerts[0].alert]


def test_the_manifold_at_a_warm_idle(drives: dict[str, Seen]) -> None:
    seen = drives["bench-van"]
    rows = seen.running & (seen.good("vehicle_speed") < 1.0) & (seen.good("throttle") < 4.0)
    rows &= (seen.good("engine_speed") < 1400.0) & ~(seen.good("coolant") < 70.0)
    rows &= ~(seen.good("lambda", "saturated high", "saturated low") > 1.25)
    assert seen.told["seen"]["idle_kpa"] == pytest.approx(seen.good("map")[rows].median(), abs=1e-4)


# --- the parts ------------------------------------------------------------------------------------------------------


def rows_of_cells(seen: Seen) -> pd.Series:
    return seen.good("lambda").notna() & ~seen.masked & seen.running


def against(seen: Seen, cells: list[dict[str, Any]], by: pd.Series, along: pd.Series, names: tuple[str, str]) -> None:
    """Hold cells against a group by of pandas; `by` and `along` hold the words of each row's cell, or nothing."""
    frame = pd.DataFrame({"by": by, "along": along, "x": seen.good("lambda"), "s": seen.s, "step": seen.step})
    frame["u"] = 2 * seen.frame["lambda_uncertainty"]
    frame = frame[rows_of_cells(seen) & frame["by"].notna() & frame["along"].notna()]
    told = {(c[names[0]], c[names[1]]): c for c in cells}
    wanted = {k: g for k, g in frame.groupby(["by", "along"]) if g["step"].sum() >= 0.5}
    assert told.keys() == wanted.keys()
    assert len(told) >= 3
    for key, g in wanted.items():
        cell, visit = told[key], (g["s"].diff() > 2.0).cumsum()
        assert cell["ticks"] == len(g)
        assert cell["seconds"] == pytest.approx(g["step"].sum(), abs=0.01)
        assert cell["lambda"] == pytest.approx(g["x"].mean(), abs=2e-5)
        assert cell["spread"] == pytest.approx(g["x"].std(), abs=2e-5)
        assert cell["visits"] == visit.nunique()
        means = g["x"].groupby(visit).mean()
        if len(means) == 1:
            assert cell["within"] is None
            continue
        # 95 %: what the data sheet leaves open, and Student's t over the visits.
        wide = scipy.stats.t.ppf(0.975, len(means) - 1) * means.std() / np.sqrt(len(means))
        assert cell["within"] == pytest.approx(g["u"].mean() + wide, rel=1e-3, abs=2e-5)


def test_the_points_of_mixture_against_boost(seen: Seen) -> None:
    told = seen.told["mixture"]
    burnt, mixture = seen.good("boost_as_burnt", "within"), seen.good("lambda", "saturated high", "saturated low")
    rows = burnt.notna() & mixture.notna() & (burnt > -3.0) & seen.running
    assert told["ticks"] == int(rows.sum())
    assert told["masked"] == int((rows & seen.masked).sum()) > 0
    assert told["judged"] == told["ticks"] - told["masked"]
    assert 0 < told["drawn"] <= told["ticks"]


def test_cells_by_boost_and_seconds_into_the_pull(seen: Seen) -> None:
    burnt = seen.good("boost_as_burnt", "within")
    pull = burnt > 2.0
    begun = seen.s.where(pull & ~pull.shift(fill_value=False)).ffill()
    into = (seen.s - begun).where(pull)
    ends = [0, 1, 2, 3, 5, 8, np.inf]
    labels = ["0 to 1 s", "1 to 2 s", "2 to 3 s", "3 to 5 s", "5 to 8 s", "from 8 s"]
    along = pd.cut(into, ends, right=False, labels=labels).astype("object")
    by = (burnt // 2).map(lambda n: f"{2 * n:.0f} to {2 * n + 2:.0f}", na_action="ignore")
    against(seen, seen.told["into_pulls"]["cells"], by, along, ("boost, psi", "seconds into the pull"))


def test_cells_over_engine_speed_and_pressure(seen: Seen) -> None:
    if "engine_speed" not in seen.frame:
        assert "no channel for engine speed" in seen.told["by_speed"]["sentences"][0]
        return
    pressure = seen.good("boost_as_burnt", "within") * 6.894757 + seen.good("air_pressure", "within")
    by = (pressure // 20).map(lambda n: f"{20 * n:.0f} to {20 * n + 20:.0f}", na_action="ignore")
    speed = seen.good("engine_speed") // 500
    along = speed.map(lambda n: f"{500 * n:.0f} to {500 * n + 500:.0f}", na_action="ignore")
    names = ("pressure, kPa absolute", "engine speed, rpm")
    against(seen, seen.told["by_speed"]["cells"], by, along, names)


def test_charge_temperature_in_each_pull(seen: Seen) -> None:
    told = seen.told["charge"]
    if "charge_temperature" not in seen.frame:
        assert "no channel charge_temperature" in told["sentences"][0]
        return
    boost, warm = seen.good("boost", "within"), seen.good("charge_temperature")
    pull = boost > 2.0
    number = (pull & ~pull.shift(fill_value=False)).cumsum().where(pull)
    wanted = []
    for _, rows in seen.s.groupby(number):
        after = seen.s.between(rows.iloc[0], rows.iloc[-1] + 3.0 + 1e-9)
        if rows.iloc[-1] - rows.iloc[0] >= 1.0:
            first = warm[rows.index[0]]
            wanted.append((rows.iloc[0], boost[rows.index].mean(), warm[after].max() - first))
    assert len(wanted) >= 4
    found = [(p["at_s"], p["boost_psi"], p["rise_k"]) for p in told["pulls"]]
    assert found == [pytest.approx(w, abs=0.006) for w in wanted]


def test_the_supply_while_the_engine_ran(seen: Seen) -> None:
    told = seen.told["supply"]
    if "supply" not in seen.frame:
        assert "no channel for its supply" in told["sentences"][0]
        return
    volts = seen.good("supply")[seen.running & (seen.s > 30.0)].dropna()
    assert told["lowest_v"] == pytest.approx(volts.min(), abs=1e-4)
    assert told["highest_v"] == pytest.approx(volts.max(), abs=1e-4)
    assert told["middle_v"] == pytest.approx(volts.median(), abs=1e-4)


def plot_of(page: ET.Element, key: str) -> ET.Element:
    (found,) = [s for s in page.iter(f"{SVG}svg") if (s.get("aria-labelledby") or "").startswith(f"{key}-")]
    return found


def minus(text: str | None) -> float:
    return float((text or "").replace("−", "-"))


#: config/rules/bench-van.toml, tables.ceiling: psi and lambda.
CEILING = ([-1, 0, 2, 5, 8, 12], [1.06, 1.04, 0.88, 0.86, 0.85, 0.83])


def test_an_alert_is_drawn_with_its_limit_before_and_after(drives: dict[str, Seen]) -> None:
    seen = drives["bench-van"]
    found = [(n, a) for n, a in enumerate(seen.told["alert_plots"]["drawn"], 1) if a["alert"] == "lean_under_boost"]
    assert len(found) == 3
    ceiling = pd.Series(np.interp(seen.good("boost_as_burnt"), *CEILING), index=seen.s.index)
    mixture = seen.good("lambda", "saturated high", "saturated low")
    for _, alert in found:
        assert alert["shown"] == "mixture"
        shown = seen.s.between(alert["at_s"] - 10.0, alert["at_s"] + 10.0 - 1e-9)
        past = seen.seconds(shown & (mixture > ceiling) & ~seen.masked)
        assert alert["past_limit_s"] == pytest.approx(past, abs=0.05)
    number, alert = found[0]
    assert alert["past_limit_s"] > 2.0
    plot = plot_of(seen.page, f"alert-{number}")
    # Its own ticks say which place means what.
    texts = list(plot.iter(f"{SVG}text"))
    heights = [(float(t.attrib["y"]) - 4, minus(t.text)) for t in texts if t.get("class") == "tick end"]
    places = [(float(t.attrib["x"]), minus(t.text)) for t in texts if t.get("class") == "tick middle"]
    (y1, v1), (y2, v2) = heights[0], heights[-1]
    (x1, t1), (x2, t2) = places[0], places[-1]
    for kind, values in (("measured", mixture), ("limit", ceiling)):
        drawn = set().union(*(points(p) for p in plot.iter(f"{SVG}path") if p.get("class") == kind))
        assert len(drawn) > 50
        for x, y in drawn:
            at = (seen.s - (alert["at_s"] + t1 + (float(x) - x1) * (t2 - t1) / (x2 - x1))).abs().idxmin()
            value = v1 + (float(y) - y1) * (v2 - v1) / (y2 - y1)
            # A tenth of a unit either way: 4 ms of time, within which a ramp goes on.
            near = values[at - 2 : at + 2]
            assert near.min() - 0.003 <= value <= near.max() + 0.003


# --- what is named is drawn -----------------------------------------------------------------------------------------


def points(path: ET.Element) -> set[tuple[str, str]]:
    return {(x, y) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path.get("d", ""))}


def test_every_extreme_that_is_named_is_a_point_of_its_plot(seen: Seen) -> None:
    names = {c.get("data-name") for c in seen.page.findall(f".//{SVG}circle[@data-name]")}
    assert names == {"leanest", "boost"} | ({"supply"} & set(seen.frame)) | (
        {"rise"} if "charge_temperature" in seen.frame else set()
    )
    wanted = {
        "leanest": ("dot", seen.told["seen"]["leanest_under_boost"]),
        "boost": ("measured", seen.told["seen"]["highest_boost_psi"]),
        "supply": ("dot", seen.told["supply"].get("lowest_v")),
        "rise": ("mean", max((p["rise_k"] for p in seen.told["charge"].get("pulls", [])), default=None)),
    }
    for name in names:
        kind, value = wanted[str(name)]
        circle = seen.named(str(name))
        assert float(circle.get("data-y", "nan")) == pytest.approx(value, abs=6e-4)
        (plot,) = [s for s in seen.page.iter(f"{SVG}svg") if circle in list(s)]
        drawn = set().union(*(points(p) for p in plot.iter(f"{SVG}path") if p.get("class") == kind))
        assert (circle.get("cx"), circle.get("cy")) in drawn


def test_masked_points_are_rings_and_the_ceiling_is_a_named_line(drives: dict[str, Seen]) -> None:
    page = drives["bench-van"].page
    plot = plot_of(page, "boost")
    kinds = [p.get("class") for p in plot.iter(f"{SVG}path")]
    assert kinds[kinds.index("ring") + 1] == "hole"
    assert "limit" in kinds
    assert "ceiling" in [t.text for t in plot.iter(f"{SVG}text")]


def test_another_program_gets_the_same_figures(drives: dict[str, Seen], tmp_path: Path) -> None:
    import json

    seen = drives["bench-van"]
    code, out, err = cabcanary("report", NAME, "--folder", seen.folder, "--json", "-o", tmp_path / "a.html")
    assert (code, err) == (0, "")
    told = json.loads(out)
    assert told.pop("file") == str(tmp_path / "a.html")
    assert told == json.loads(json.dumps(seen.told))
