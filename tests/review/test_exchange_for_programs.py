"""What export, import, reconvert and listen tell a program: one object, with what the words for a person say."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from archived_drive import archived
from brought_in import cabcanary

from cabcanary.cli.listening import as_json
from cabcanary.store.manifest import read_manifests
from cabcanary_bench.drives.scenario_files import find_scenario

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("van")
    archived(made, find_scenario("over-boost"), seed=1)
    return made


def told(*words: object) -> dict[str, Any]:
    code, out, err = cabcanary(*words, "--json")
    assert (code, err) == (0, "")
    assert out.count("\n") == 1
    answer: dict[str, Any] = json.loads(out)
    return answer


def test_an_export_names_its_files_and_its_drive(folder: Path, tmp_path: Path) -> None:
    (path, manifest), *_ = read_manifests(folder)[0]
    answer = told("export", "last", "--folder", folder, "--output", tmp_path / "drive.csv")
    assert (answer["drive"], answer["format"]) == (manifest.drive, "csv")
    assert str(tmp_path / "drive.csv") in answer["files"]
    assert sorted(answer["files"]) == sorted(map(str, tmp_path.iterdir()))
    assert path.exists()


def test_an_import_says_what_became_of_the_log(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time_s,map [kPa],lambda [lambda]\n" + "".join(f"{n / 10},{100 + n},0.9\n" for n in range(50)))
    words = ("import", log, "--vehicle", "van", "--folder", tmp_path / "van", "--start", "2026-11-25T08:30:00Z")
    answer = told(*words)
    assert (answer["channels"], answer["dated"], answer["replaced"]) == (["map", "lambda"], True, False)
    assert answer["start"].startswith("2026-11-25T08:30:00")
    assert answer["length_s"] == pytest.approx(4.9, abs=0.2)
    assert told(*words)["replaced"] is True
    assert "[columns]" in told("import", log, "--columns")["mapping"]


def test_a_reconversion_names_both_drives(folder: Path, tmp_path: Path) -> None:
    curve = tmp_path / "curve.toml"
    curve.write_text('[channels.map]\ncurve = { kind = "linear", points = [[0.5, 21.0], [4.5, 250.0]] }\n')
    before = {m.drive for _, m in read_manifests(folder)[0]}
    answer = told("reconvert", "last", "--curve", curve, "--folder", folder)
    assert answer["made_of"] in before
    assert {m.drive for _, m in read_manifests(folder)[0]} - before == {answer["drive"]}


@pytest.mark.parametrize(
    ("line", "at_s", "text"),
    [
        ("    0.53  lambda=0.853 status=ok", 0.53, "lambda=0.853 status=ok"),
        (" 1234.50  7E8  04 41 0C 1A F8", 1234.5, "7E8  04 41 0C 1A F8"),
        ("voltage0: 1234 raw, 1650.0 mV", None, "voltage0: 1234 raw, 1650.0 mV"),
        ("listening on /dev/ttyUSB0 at 9600 baud", None, "listening on /dev/ttyUSB0 at 9600 baud"),
        ("1  2", None, "1  2"),
    ],
)
def test_a_line_that_is_listened_to_has_its_time_as_a_number(line: str, at_s: float | None, text: str) -> None:
    assert json.loads(as_json(line)) == {"at_s": at_s, "text": text}
