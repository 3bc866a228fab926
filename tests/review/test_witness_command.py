"""`cabcanary witness`: archives of whole vehicles in, sentences and JSON out; whoever lacks a sensor is told so."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from witness_archive import archive, vehicle
from witness_engines import Faults, Pieces, Tables

from cabcanary.cli.main import main

if TYPE_CHECKING:
    from pathlib import Path

QUESTIONS = (
    "compressor and belt", "the charge's heat", "leak at idle", "is the wideband telling the truth",
    "what shifts the mixture", "is the mixture under boost what air over fuel says", "the wideband's timing",
    "how much has been seen",
)  # fmt: skip


def asked(config: Path, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, Any]:
    assert main(["witness", str(config), *more, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    return {f["question"]: f for f in found["findings"]} | {"all": found}


def test_the_same_is_found_in_an_archive_as_was_driven(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = vehicle(tmp_path, "bench-van", metered=True)
    van = Pieces(np.random.default_rng(1), kind="displacement", weather=0.2)
    before = [van.drive() for _ in range(7)]
    judged = [van.drive(Faults(slip=0.10, leak_mm2=6.0, pressured=0.12)) for _ in range(3)]
    archive(config, [*before, *judged])
    found = asked(config, capsys)
    assert tuple(f for f in found if f != "all") == QUESTIONS
    assert len(found["all"]["judged"]) == 3
    assert len(found["all"]["before"]) == 7
    belt, leak = found[QUESTIONS[0]], found[QUESTIONS[2]]
    low, high = belt["estimates"]["slip_percent"]["interval"]
    assert belt["verdict"] == "seen"
    assert low <= 10.0 <= high
    low, high = leak["estimates"]["area_mm2"]["interval"]
    assert (leak["verdict"], leak["by"]) == ("seen", "trims")
    assert low <= 6.0 <= high
    assert found[QUESTIONS[4]]["cause"] == "air let in"
    low, high = found[QUESTIONS[5]]["estimates"]["moved_percent"]["interval"]
    assert found[QUESTIONS[5]]["verdict"] == "seen"
    # What a hole lets out under boost was metered and not burnt: a little less is left of 12.
    assert low <= 11.0 <= high
    cells = found[QUESTIONS[7]]["cells"]
    assert cells
    assert sum(c["seconds"] for c in cells) > 10.0
    # The review of the stage stands on the same, by steps of boost over all engine speeds.
    main(["stage", str(config), "review", "--json"])
    reviewed = json.loads(capsys.readouterr().out)
    assert any("beyond it with probability" in c["figure"] for c in reviewed["criteria"])
    # For a person: a sentence each, intervals, and never that anything is safe.
    assert main(["witness", str(config)]) == 0
    words = capsys.readouterr().out
    assert all(question in words for question in QUESTIONS)
    assert "Knock is not estimated" in words
    assert "safe" not in words.lower()
    assert "leanest sustained" in words
    assert "nothing above" in words


def test_drives_that_are_named_are_held_against_those_before_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = vehicle(tmp_path, "bench-van")
    van = Tables(np.random.default_rng(2), kind="displacement", metering="speed_density", weather=0.2)
    files = archive(config, [van.drive() for _ in range(6)])
    found = asked(config, capsys, files[4].stem)["all"]
    assert found["judged"] == [files[4].stem]
    assert found["before"] == [f.stem for f in files[:4]]


def test_a_new_stages_idle_is_held_against_the_stage_before(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = vehicle(tmp_path, "bench-van")
    van = Pieces(np.random.default_rng(3), kind="displacement", metering="speed_density", weather=0.1)
    archive(config, [van.drive() for _ in range(6)], stage="plumbing")
    archive(config, [van.drive(Faults(leak_mm2=15.0)) for _ in range(3)], first_day=10)
    found = asked(config, capsys)
    leak = found["leak at idle"]
    low, high = leak["estimates"]["area_mm2"]["interval"]
    assert leak["verdict"] == "seen"
    assert low <= 15.0 <= high
    # The belt is the new stage's own: nothing before it had one.
    assert found["compressor and belt"]["verdict"] == "can't tell"


@pytest.mark.parametrize("name", ["market-hatchback", "hill-estate", "harbour-pickup"])
def test_a_vehicle_that_lacks_sensors_is_told_what_it_would_take(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = vehicle(tmp_path, name)
    van = Pieces(np.random.default_rng(4), metering="speed_density")
    archive(config, [van.drive() for _ in range(5)])
    found = asked(config, capsys)
    assert found["all"]["unread"] == []
    for question in QUESTIONS[:7] if name == "market-hatchback" else QUESTIONS[3:7]:
        assert found[question]["verdict"] == "can't tell", question
        assert found[question]["needs"], question
        assert found[question]["words"].startswith("I can't tell: "), question
    # Mixture and boost it has.
    assert found[QUESTIONS[7]]["cells"]


def test_without_drives_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = vehicle(tmp_path, "market-hatchback")
    assert main(["witness", str(config)]) == 1
    assert "drive first" in capsys.readouterr().err
    assert main(["witness", str(config), "nothing"]) == 1


def test_a_drive_that_cannot_be_read_costs_that_drive_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = vehicle(tmp_path, "bench-van")
    van = Pieces(np.random.default_rng(5), kind="displacement", metering="speed_density")
    files = archive(config, [van.drive() for _ in range(6)])
    files[0].write_bytes(b"nothing")
    found = asked(config, capsys)["all"]
    assert len(found["unread"]) == 1
    assert files[0].stem in found["unread"][0]
