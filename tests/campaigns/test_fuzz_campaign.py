"""Each reader withstands coverage-guided fuzzing for a minute."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz_targets import TARGETS

_SECONDS = 60


@pytest.mark.long
@pytest.mark.timeout(_SECONDS * 5)
@pytest.mark.parametrize("name", TARGETS)
def test_a_minute_of_guided_fuzzing_finds_nothing(name: str) -> None:
    pytest.importorskip("atheris", reason="coverage-guided fuzzing needs atheris")
    script = Path(__file__).with_name("fuzz_parsers.py")
    ran = subprocess.run(
        [sys.executable, str(script), name, str(_SECONDS)],
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    said = ran.stderr + ran.stdout
    count = re.search(r"number_of_executed_units: *(\d+)", said)
    print(f"\n  {name:<16} {count.group(1) if count else '?'} inputs in {_SECONDS} s")
    assert ran.returncode == 0, said[-4000:]
