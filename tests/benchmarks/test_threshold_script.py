"""The mixture watched by a few lines of one's own, beside the rules: false leans in ordinary driving of the bench van.

What people write first: lambda above a limit while there is boost. Both see the very same channels, tick by tick.
"""

from __future__ import annotations

import numpy as np
import pytest

from cabcanary.plan.plan import plan_in_stage
from cabcanary.rules.whole_drive import WholeDrive
from cabcanary_bench.corpus.corpus import Job, driven_of, scenario_of
from cabcanary_bench.corpus.corpus_run import bench_baselines
from cabcanary_bench.drives.generator import DriveKind
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.paths import config_folder

#: Name, boost from which it looks (psi), lambda above which it is lean, and for how many ticks of 20 ms.
SCRIPTS = (
    ("lambda > 0.90 above 0 psi", 0.0, 0.90, 1),
    ("lambda > 0.90 above 1 psi", 1.0, 0.90, 1),
    ("lambda > 0.90 above 2 psi", 2.0, 0.90, 1),
    ("the same for 0.1 s", 2.0, 0.90, 5),
    ("the same for 0.2 s", 2.0, 0.90, 10),
)
#: Less than this between two is one, s.
_APART_S = 2.0
KINDS = (DriveKind.HILL, DriveKind.TOWN, DriveKind.TOWING, DriveKind.COUNTRY)


def alarms(lean: np.ndarray, ticks: int) -> int:
    """How often it would have sounded: so many ticks on end, and two seconds after the last one."""
    count, run, last = 0, 0, -1e9
    for n, now in enumerate(lean.tolist()):
        run = run + 1 if now else 0
        if run >= ticks:
            count += n / 50 - last > _APART_S
            last = n / 50
    return count


@pytest.mark.parametrize("drives", [1, pytest.param(24, marks=pytest.mark.long)])
def test_a_script_by_hand_cries_wolf(drives: int) -> None:
    plan = plan_in_stage(config_folder() / "bench-van.toml", None, bench_baselines())
    false, ours, hours = dict.fromkeys((name for name, *_ in SCRIPTS), 0), 0, 0.0
    for n in range(drives):
        scenario, _ = scenario_of(Job(4_000_100 + n, kind=KINDS[n % len(KINDS)], minutes=15.0 if drives > 1 else 6.0))
        driven = driven_of(drive(scenario, 4_000_100 + n), None, plan)
        hours += driven.hours
        for run in driven.runs:
            boost, mixture = run.columns["boost"].values, run.columns["lambda"].values
            for name, psi, limit, ticks in SCRIPTS:
                with np.errstate(invalid="ignore"):
                    false[name] += alarms((boost > psi) & (mixture > limit), ticks)
            whole = WholeDrive(run, plan.pipeline().roots(), plan.channel_units, plan.running)
            ours += sum(c.sounds and c.alert == "lean_under_boost" for c in whole.run(plan.rules.rules))
    print(f"\n  {hours:.1f} h of ordinary driving, {drives} drives: false leans, and in 100 h")
    for name, count in {**false, "lean_under_boost": ours}.items():
        print(f"  {name:<28}{count:>5}  {100 * count / hours:>7.0f}")
    # A ratio of the two, never a time: whatever the drives are, the script sounds and the rule does not.
    assert ours == 0
    assert min(false.values()) > 0
