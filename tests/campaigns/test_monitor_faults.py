"""The campaign of faults in the monitor's own surroundings: one program, one table, the whole daemon on simulated
wires.

Each fault comes at a random moment of a cruise. Told in its time, or quiet where it costs nothing; the watch goes on,
an over-boost later in the same drive is heard, and nothing but the last second is lost. `long` takes each fault twenty
times on both vehicles; FAULT_TRIALS, FAULT_SEED and FAULT_NAMES choose otherwise.
"""

from __future__ import annotations

import os
import random
import re
import shutil
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import pytest
from harness import Ride, wait_for
from monitor_faults import FAULTS, Fault, Trial, journal_reaches, told_within

from cabcanary.clock import NS_PER_S
from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.paths import config_folder

pytestmark = pytest.mark.waits

#: A cruise of the first drive, and from when on its over-boost is heard; s.
_CRUISE_S, _OVER_BOOST_S = (150.0, 160.0), 193.0
#: The fault comes no sooner than so long after the drive has begun: what is younger than the last second may be lost.
_RECORDED_S = 1.5
#: A quiet fault is watched for so long, s of the clock.
_WATCHED_S = 3.0
#: All that a kill may cost.
_LAST_S = 1.0
#: In the ordinary run: one that is told, one that is quiet, one that stops the daemon.
_SAMPLE = ("converter is gone", "a client floods questions", "daemon killed")


class Row(NamedTuple):
    """What came of one trial."""

    verdict: str
    after_s: float | None
    wrong: str


def least(folder: Path) -> Path:
    """The vehicle with the least on it, on the bench van's wires: a wideband by serial line and a pressure, no bus."""
    van = (folder / "bench-van.toml").read_text(encoding="utf-8")
    text = (folder / "market-hatchback.toml").read_text(encoding="utf-8")

    def table(name: str, of: str) -> str:
        found = re.search(rf"^\[{re.escape(name)}\].*?(?=^\[|\Z)", of, re.MULTILINE | re.DOTALL)
        assert found is not None, name
        return found.group()

    text = text.replace(table("channels.lambda", text), table("channels.lambda", van))
    text = text.replace("[sources.computer]", table("sources.wideband", van) + "[sources.computer]")
    file = folder / "least.toml"
    file.write_text(re.sub(r"wideband = \{[^}]*\}.*\n", "", text), encoding="utf-8")
    return file


VEHICLES = ("bench van", "least")


def trial(fault: Fault, vehicle: str, seed: int, folder: Path) -> Row:
    """One drive with one fault at a random moment."""
    chance = random.Random(f"{fault.name} {vehicle} {seed}")
    config = folder / "config"
    shutil.copytree(config_folder(), config)
    file = config / "bench-van.toml" if vehicle == "bench van" else least(config)
    driven = Ride(folder / "drive", FIRST_DRIVE, 5.0, file)
    beside = Trial(driven, chance)
    try:
        driven.begin_with(
            ("adc", "wideband", "engine") if vehicle == "bench van" else ("adc", "wideband"), _CRUISE_S[0]
        )
        driven.event("drive", "started")
        driven.until(driven.rig.now_s + _RECORDED_S + chance.uniform(0.0, _CRUISE_S[1] - _CRUISE_S[0]))
        seen, since_s = len(driven.told.events), driven.rig.now_s
        fault.put(beside)
        verdict, after_s = told_within(driven, fault, seen, since_s) if fault.told else ("quiet", None)
        wrong = _stopped(driven, fault) if fault.stops else _goes_on(driven, fault, beside, seen)
    finally:
        beside.close()
        driven.close()
    return Row(verdict, after_s, wrong)


def _stopped(driven: Ride, fault: Fault) -> str:
    """The process has gone, and all but the last second is on the card."""
    assert driven.rig.daemon is not None
    driven.rig.daemon.wait(30)
    wait_for("the feed's end", lambda: driven.told.lost)
    last_ns = driven.told.frames[-1]["t"]
    lost_s = (last_ns - journal_reaches(driven.folder)) / NS_PER_S
    return "" if lost_s <= _LAST_S else f"{lost_s:.2f} s lost"


def _goes_on(driven: Ride, fault: Fault, beside: Trial, seen: int) -> str:
    """It watches through it, is well again afterwards, and hears an over-boost later on."""
    begun_s = driven.rig.now_s
    driven.until(begun_s + _WATCHED_S)
    if fault.heals is not None:
        fault.heals(beside)
    for process in beside.processes:
        process.kill()
    wrong = [e["text"] for e in driven.told.events[seen:] if e["kind"] == "helper" and e["what"] == "fault"]
    if driven.told.lost:
        return "; ".join([*wrong, "the feed has ended"])
    if not _spoils_the_pressure(fault):
        driven.until(_OVER_BOOST_S)
        driven.raised("over_boost")
    code = driven.stop()
    return "; ".join(wrong + ([f"exit code {code}"] if code else []))


def _spoils_the_pressure(fault: Fault) -> bool:
    """What heals by a person alone, or takes the listener's own connection."""
    return fault.heals is None and fault.name.startswith(("a voltage", "rules are gone"))


def _chosen(fault: Fault, vehicle: str) -> bool:
    return vehicle == "bench van" or not fault.bus


def _run(names: tuple[str, ...], trials: int, seed: int, folder: Path) -> list[str]:
    """Run, print the table, and return what went wrong."""
    bad, found = [], Counter[str]()
    for fault in FAULTS:
        if names and fault.name not in names:
            continue
        for vehicle in (v for v in VEHICLES if _chosen(fault, v)):
            rows = []
            for n in range(trials):
                at = folder / f"{len(list(folder.iterdir()))}"
                at.mkdir()
                rows.append(trial(fault, vehicle, seed + n, at))
                shutil.rmtree(at)
            verdicts = Counter(r.verdict for r in rows)
            found.update(verdicts)
            delays = [r.after_s for r in rows if r.after_s is not None]
            worst = f"at most {max(delays):5.1f} s" if delays else ""
            wrong = sorted({r.wrong for r in rows if r.wrong})
            print(f"  {fault.name:<42} {vehicle:<10} {dict(verdicts)!s:<24} {worst} {'; '.join(wrong)}", flush=True)
            bad += [
                f"{fault.name} on {vehicle}: {r.verdict} {r.wrong}"
                for r in rows
                if r.verdict in ("late", "missed") or r.wrong
            ]
    print(f"  of {found.total()}: {dict(found)}; {len(bad)} wrong")
    return bad


def test_there_are_sixty_kinds_and_no_two_of_one_name() -> None:
    assert len(FAULTS) >= 58
    assert len({f.name for f in FAULTS}) == len(FAULTS)


@pytest.mark.timeout(600)
def test_a_sample_of_faults_is_told_in_time_and_costs_no_more_than_the_last_second(tmp_path: Path) -> None:
    assert _run(_SAMPLE, 1, 1, tmp_path) == []


@pytest.mark.long
@pytest.mark.timeout(0)
def test_every_fault_is_told_in_time_and_costs_no_more_than_the_last_second(tmp_path: Path) -> None:
    names = tuple(n for n in os.environ.get("FAULT_NAMES", "").split(",") if n)
    trials, seed = int(os.environ.get("FAULT_TRIALS", "20")), int(os.environ.get("FAULT_SEED", "1"))
    assert _run(names, trials, seed, tmp_path) == []
