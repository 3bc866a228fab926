"""The daemon's own process stays light: what is heavy lives in helpers."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from harness import Ride, children

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = pytest.mark.waits


HEAVY = ("pyarrow", "numpy", "aiomqtt", "paho", "can", "isotp", "starlette", "uvicorn", "pandas", "polars", "duckdb")


def test_the_daemons_modules_load_nothing_heavy() -> None:
    code = f"import cabcanary.runtime.daemon, sys; print(*sorted(set({HEAVY!r}) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "\n"


def test_the_living_daemon_maps_no_heavy_library_and_runs_the_bus_elsewhere(ride: Callable[..., Ride]) -> None:
    driven = ride()
    driven.begin(at_s=150.0)
    driven.event("drive", "started")
    driven.frame("engine speed", lambda v: v["engine_speed"][1] == "good")
    maps = Path(f"/proc/{driven.pid}/maps").read_text()
    assert "python" in maps
    assert not [line for line in maps.splitlines() if any(f"/{name}/" in line or f"/{name}." in line for name in HEAVY)]
    assert [words for words in children(driven.pid).values() if "cabcanary.sources." in words]


def test_the_process_of_the_bus_loads_no_reader_of_recordings_and_hides_none_from_others() -> None:
    pytest.importorskip("asammdf")
    code = (
        "import sys, cabcanary.sources.can.reader\n"
        "print(*sorted({'asammdf', 'pandas', 'polars', 'pyarrow'} & set(sys.modules)))\n"
        "import asammdf; print(asammdf.__name__)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.splitlines() == ["", "asammdf"]


@pytest.mark.parametrize("command", ["check", "drives", "status", "pages"])
def test_commands_that_only_look_stay_light_too(command: str) -> None:
    code = (
        f"import sys; from cabcanary.cli.main import main\n"
        f"try: main([{command!r}, '--help'])\n"
        f"except SystemExit: pass\n"
        f"print(*sorted(set({HEAVY!r}) & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.splitlines()[-1] == ""
