"""What is normal in a vehicle is learnt from its good drives, after each of them."""

import json
import shutil
import subprocess
import sys

import pytest
from small_drive import small_drive

from cabcanary.review.rules import learning
from cabcanary.store.baselines import read_baselines
from cabcanary.store.manifest import MANIFEST_ENDING, AlertCount, Manifest, drive_folder, manifest_json

RULES = """
[baselines.idle_low]
of = "map"
when = "coolant > 60 °C"
take = "low"
learn = true
at_least = "10 s"

[baselines.by_hand]
of = "coolant"
when = "coolant > 60 °C"
at_least = "10 s"

[[rule]]
id = "leak"
priority = "caution"
say = "Leak"
do = "Have it looked at"
when = "map > baseline(idle_low, 90 kPa) + 30 kPa"
"""


class House:
    """A daemon's folder to which drives are added as the archiver adds them."""

    def __init__(self, folder):
        self.folder, self.made = folder, 0
        self.plan = None

    def drive(self, kpa, *alerts, stage="low boost"):
        self.made += 1
        apart = self.folder.parent / f"drive{self.made}"
        apart.mkdir()
        driven = small_drive(apart, RULES, 30, lambda _s: {"lambda": 1.0, "map": kpa, "coolant": 85.0})
        start, name = f"2026-01-{self.made:02}T10:00:00Z", f"202601{self.made:02}T100000Z-0001"
        place = drive_folder(self.folder, "small van", start)
        place.mkdir(parents=True, exist_ok=True)
        shutil.copy(driven.samples, place / f"{name}.parquet")
        told = [AlertCount(alert=a, priority=p, count=1, first_s=1.0) for a, p in alerts]
        manifest = Manifest(
            drive=name, vehicle="small van", stage=stage, start=start, length_s=30.0, ticks=1500, recovered=False,
            lost_blocks=0, lost_ticks=0, software="0", alerts=told,
        )  # fmt: skip
        (place / f"{name}{MANIFEST_ENDING}").write_bytes(manifest_json(manifest))
        settings = driven.plan.settings
        daemon = settings.daemon.model_copy(update={"folder": self.folder})
        self.plan = driven.plan
        object.__setattr__(self.plan, "settings", settings.model_copy(update={"daemon": daemon}))

    def learn(self):
        return {b.name: b.points[0][1] for b in learning.learn(self.plan)}


@pytest.fixture
def house(tmp_path):
    (tmp_path / "state").mkdir()
    return House(tmp_path / "state")


def test_after_a_good_drive_its_normal_is_kept_and_the_next_start_has_it(house):
    house.drive(34.0)
    # 0.115 kPa of noise: all but 0.5 % of a normal one lie above 2.58 of it below the middle.
    assert house.learn() == {"idle_low": pytest.approx(34.0 - 0.30, abs=0.06)}
    kept = read_baselines(house.folder).of_stage("low boost")
    assert set(kept) == {"idle_low"}, "what is measured by hand is not learnt"


def test_what_has_not_changed_is_not_written_again(house):
    house.drive(34.0)
    house.learn()
    file = house.folder / "baselines.json"
    before = file.stat().st_mtime_ns
    house.drive(34.0)
    assert house.learn() == {}
    assert file.stat().st_mtime_ns == before


@pytest.mark.parametrize(("alert", "counts"), [("leak", False), ("not_watched", True), ("limits_not_confirmed", True)])
def test_a_drive_in_which_something_was_wrong_is_no_measure(house, alert, counts):
    house.drive(34.0)
    house.drive(20.0, (alert, "caution"))
    (low,) = house.learn().values()
    assert (low < 25) is counts


def test_another_stage_is_another_normal(house):
    house.drive(34.0)
    house.drive(20.0, stage="more boost")
    assert house.learn() == {"idle_low": pytest.approx(33.7, abs=0.1)}


def test_only_the_last_drives_count(house, monkeypatch):
    monkeypatch.setattr(learning, "MOST_DRIVES", 2)
    for kpa in (20.0, 34.0, 34.0):
        house.drive(kpa)
    assert house.learn() == {"idle_low": pytest.approx(33.7, abs=0.1)}


def test_a_drive_that_cannot_be_read_does_not_keep_the_others_from_being_learnt(house):
    house.drive(34.0)
    house.drive(34.0)
    broken = next((house.folder / "drives").rglob("*02T*.parquet"))
    broken.write_bytes(b"not parquet")
    assert set(house.learn()) == {"idle_low"}


def test_settings_that_cannot_be_read_are_said_and_end_with_1(tmp_path):
    given = json.dumps({"config": str(tmp_path / "none.toml")}) + "\n"
    command = [sys.executable, "-m", "cabcanary.review.rules.learning"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        # The daemon keeps this end open for as long as it lives.
        process.stdin.write(given)
        process.stdin.flush()
        said = process.stdout.read()
        assert process.wait(60) == 1
    assert json.loads(said)["failed"] == "learning"
