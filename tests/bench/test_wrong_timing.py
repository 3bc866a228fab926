"""Timing of a wideband that is written wrong by a factor of two costs no false warning, and no fault is missed for it.

The simulated sensors keep their own timing, whatever the settings say of it.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import pytest

from cabcanary.cli.main import main
from cabcanary_bench.paths import config_folder

if TYPE_CHECKING:
    from pathlib import Path

_TIMES = re.compile(r'((?:response_time|transport_delay) = ")(\d+)( ms")')
_VOLUME = re.compile(r'(volume = ")([\d.]+)( L")')


def with_timing(folder: Path, vehicle: str, factor: float) -> Path:
    """A shipped vehicle whose response, delay and pipe are written so many times as large."""
    text = (config_folder() / f"{vehicle}.toml").read_text(encoding="utf-8")
    text, count = _TIMES.subn(lambda m: f"{m[1]}{round(factor * int(m[2]))}{m[3]}", text)
    assert count >= 3
    text = _VOLUME.sub(lambda m: f"{m[1]}{factor * float(m[2]):g}{m[3]}", text)
    file = folder / f"{vehicle}-{factor}.toml"
    file.write_text(text.replace('"rules/', f'"{config_folder()}/rules/'), encoding="utf-8")
    return file


def driven(file: Path, hours: float, faults: int, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    words = ["--hours", str(hours), "--faults", str(faults), "--seed", "61", "--json"]
    main(["bench", "corpus", "--config", str(file), *words])
    (report,) = json.loads(capsys.readouterr().out)
    return dict(report)


@pytest.mark.parametrize("factor", [0.5, 2.0])
@pytest.mark.parametrize(
    ("vehicle", "hours", "faults"),
    [
        ("market-hatchback", 0.0, 2),
        pytest.param("market-hatchback", 1.0, 30, marks=[pytest.mark.long, pytest.mark.timeout(1800)]),
        pytest.param("harbour-pickup", 1.0, 30, marks=[pytest.mark.long, pytest.mark.timeout(1800)]),
        pytest.param("hill-estate", 1.0, 30, marks=[pytest.mark.long, pytest.mark.timeout(1800)]),
        pytest.param("bench-van", 1.0, 30, marks=[pytest.mark.long, pytest.mark.timeout(1800)]),
    ],
)
def test_timing_that_is_wrong_by_two_costs_no_warning_and_no_fault(
    vehicle: str, hours: float, faults: int, factor: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    right = driven(with_timing(tmp_path, vehicle, 1.0), hours, faults, capsys)
    wrong = driven(with_timing(tmp_path, vehicle, factor), hours, faults, capsys)
    print(f"{vehicle} x{factor}: false {wrong['false']}, with the right timing {right['false']}")
    assert wrong["drives"] == right["drives"] > 0
    assert not wrong["false"].get("warning")
    assert {k: v for k, v in wrong["false"].items() if v} == {k: v for k, v in right["false"].items() if v}
    assert sum(f["must"] - f["found"] for f in wrong["faults"].values()) == 0
