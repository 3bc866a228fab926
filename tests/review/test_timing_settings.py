"""What was learnt of the wideband's timing goes into the settings after a yes; until then a wrong one cries wolf."""

from __future__ import annotations

import json
import tomllib
from typing import TYPE_CHECKING

import numpy as np
import pytest
from gas_engines import Cascade, Diffusing, GasVehicle
from level_one import TICK_NS, Wires, save
from witness_archive import archive_ticks, vehicle

from cabcanary.cli.main import main
from cabcanary.plan.plan import load_plan
from cabcanary.review.witness import timing_settings
from cabcanary.review.witness.lifts import GasSignals, lifts_of
from cabcanary.review.witness.timing import timing
from cabcanary.settings.replacing import ChangedMeanwhileError

if TYPE_CHECKING:
    from pathlib import Path


def channels(config: Path) -> dict:
    return tomllib.loads(config.read_text(encoding="utf-8"))["channels"]


def driven(config: Path, van: GasVehicle) -> None:
    archive_ticks(config, [van.drive(6)[0] for _ in range(6)])


def test_it_is_written_after_a_yes_and_nothing_else_changes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    config = vehicle(tmp_path, "bench-van")
    van = Cascade(np.random.default_rng(1))
    # Far from what the settings say: 2.2 L and 80 ms.
    van.volume_m3, van.whole_s = 4.8e-3, 0.22
    driven(config, van)
    before = config.read_text(encoding="utf-8")
    monkeypatch.setattr("builtins.input", lambda _: "no")
    assert main(["witness", str(config), "--timing", "--write"]) == 1
    assert "nothing was written" in capsys.readouterr().out
    assert config.read_text(encoding="utf-8") == before
    assert main(["witness", str(config), "--timing", "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["findings"]
    proposed = {p["key"]: p["wanted"] for p in told["proposed"]}
    assert {"channels.boost_as_burnt.pipe.volume", "channels.fuel_cut_gas.pipe.dead_time"} <= set(proposed)
    monkeypatch.setattr("builtins.input", lambda _: "yes")
    assert main(["witness", str(config), "--timing", "--write"]) == 0
    assert f"wrote {config}" in capsys.readouterr().out
    after = channels(config)
    old = tomllib.loads(before)["channels"]
    for key, wanted in proposed.items():
        at, was = after, old
        *path, last = key.split(".")[1:]
        for part in path:
            at, was = at[part], was[part]
        assert at.pop(last) == wanted
        was.pop(last, None)
    assert after == old
    # Comments stay, and the settings hold.
    assert config.read_text(encoding="utf-8").count("#") == before.count("#")
    spec = load_plan(config).settings.channels["boost_as_burnt"]
    assert spec.pipe.volume == pytest.approx(float(proposed["channels.boost_as_burnt.pipe.volume"].split()[0]) / 1000)
    # Once it is there nothing is left to write.
    assert main(["witness", str(config), "--timing", "--write", "--yes"]) == 0
    assert "contradict nothing" in capsys.readouterr().out


def test_the_vehicle_with_the_least_learns_one_delay(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = vehicle(tmp_path, "market-hatchback")
    driven(config, Diffusing(np.random.default_rng(2)))
    assert main(["witness", str(config), "--timing", "--write", "--yes", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    (told,) = found["findings"]
    low, high = (1000 * x for x in told["estimates"]["delay_s"]["interval"])
    assert found["written"] is bool(told["proposed"])
    for name in ("boost_as_burnt", "fuel_cut_gas"):
        assert low <= float(channels(config)[name]["transport_delay"].split()[0]) <= high


@pytest.mark.parametrize("options", [["--write"], ["--timing", "--yes"], ["--timing", "--write", "--json"]])
def test_options_that_do_not_go_together_are_refused(
    options: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = vehicle(tmp_path, "market-hatchback")
    assert main(["witness", str(config), *options]) == 2
    assert "add --" in capsys.readouterr().err


def test_settings_that_changed_meanwhile_are_not_overwritten(tmp_path: Path) -> None:
    config = vehicle(tmp_path, "market-hatchback")
    plan = load_plan(config)
    config.write_text(plan.settings_text + "\n# an owner's hand\n", encoding="utf-8")
    with pytest.raises(ChangedMeanwhileError, match="run the same again"):
        timing_settings.write(plan, plan.settings_text)
    assert "an owner's hand" in config.read_text(encoding="utf-8")


# --- rules with a wrong timing ----------------------------------------------------------------------------------------

#: What is true of the vehicle below, s: way of the gas and a sensor of first order in 1/lambda.
DELAY_S, RESPONSE_S = 0.24, 0.16


class Road:
    """A road of pulls with a rich mixture, half of them let off to a cruise, half lifted to a fuel cut and back to
    boost; as a tick gives it: manifold pressure in kPa, mixture."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        kpa, burnt = [np.full(100, 101.0), np.full(400, 40.0)], [np.full(100, np.inf), np.full(400, 1.0)]
        for n in range(14):
            pull, rest = int(rng.integers(120, 200)), int(rng.integers(90, 160))
            kpa += [np.full(150, 60.0), np.full(pull, 145.0), np.full(rest, 24.0 if n % 2 else 62.0)]
            burnt += [np.full(150, 1.0), np.full(pull, 0.82), np.full(rest, np.inf if n % 2 else 1.0)]
            if n % 2:
                # Straight back to boost: the gas of the cut is still on its way.
                kpa.append(np.full(100, 145.0))
                burnt.append(np.full(100, 0.82))
            else:
                kpa += [np.full(90, 24.0), np.full(150, 75.0)]
                burnt += [np.full(90, np.inf), np.full(150, 1.0)]
        lags = np.concatenate(kpa)
        self.kpa = np.empty(len(lags))
        state = lags[0]
        for k, wanted in enumerate(lags.tolist()):
            state += (wanted - state) * 0.3
            self.kpa[k] = state
        inverse = 1.0 / np.concatenate(burnt)
        felt, self.mixture = 0.0, np.empty(len(inverse))
        late = round(DELAY_S / 0.02)
        for k in range(len(inverse)):
            felt += (inverse[max(0, k - late)] - felt) * (1.0 - np.exp(-0.02 / RESPONSE_S))
            self.mixture[k] = min(1.5, 1.0 / max(felt, 1e-3))


def ride(config: Path, seed: int) -> tuple[list[str], GasSignals]:
    """The settings' own channels and rules over such a road, in which nothing is wrong: what sounded, what was seen."""
    plan, road, wires, told, seen = load_plan(config), Road(seed), Wires(), [], []
    pipeline, engine = plan.pipeline(), plan.engine()
    for k, (kpa, mixture) in enumerate(zip(road.kpa.tolist(), road.mixture.tolist(), strict=True)):
        wires.set(kpa, mixture, k * TICK_NS)
        frame = pipeline.step(dict(wires.newest), k * TICK_NS)
        told += [c.alert for c in engine.step(frame) if c.sounds]
        values = [frame.values[n].value for n in ("lambda", "map")]
        seen.append([np.nan if v is None else v for v in values])
    mixture, kpa = np.array(seen, dtype=float).T
    return told, GasSignals(f"road {seed}", 0.02 * np.arange(len(kpa)), mixture, kpa, np.full(len(kpa), np.nan))


@pytest.mark.parametrize("wrong", [0.5, 2.0])
def test_a_timing_that_is_wrong_by_two_costs_false_alerts_for_no_longer_than_the_first_drives(
    wrong: float, tmp_path: Path
) -> None:
    config = save(tmp_path)
    text = config.read_text(encoding="utf-8")
    delay = f'transport_delay = "{1000 * DELAY_S * wrong:.0f} ms"\n'
    text = text.replace(
        "ends = [0.65, 1.50]\n", f'ends = [0.65, 1.50]\nresponse_time = "{1000 * RESPONSE_S * wrong:.0f} ms"\n'
    )
    text = text.replace('derive = "as_burnt"\n', f'derive = "as_burnt"\n{delay}')
    text = text.replace('derive = "fuel_cut_gas"\n', f'derive = "fuel_cut_gas"\n{delay}')
    config.write_text(text, encoding="utf-8")
    first = [ride(config, seed) for seed in (1, 2)]
    false = sum(len(told) for told, _ in first)
    plan = load_plan(config)
    told, wanted = timing([], [lifts_of(seen) for _, seen in first], plan.settings)
    assert told.estimates["delay_s"].low < DELAY_S < told.estimates["delay_s"].high
    timing_settings.write(plan, timing_settings.new_text(plan, wanted))
    after = [ride(config, seed)[0] for seed in range(3, 7)]
    print(f"timing x {wrong}: {false} false alerts in the first two drives, {sum(map(len, after))} in the next four")
    assert false > 0
    assert after == [[], [], [], []]
