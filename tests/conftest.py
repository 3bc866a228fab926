"""What the end-to-end tests share: rides with the installed daemon, and the one long bench drive."""

from __future__ import annotations

import contextlib
import shutil
import signal
from typing import TYPE_CHECKING

import pytest
from harness import Ride
from hypothesis import settings
from long_drive import BenchDrive

from cabcanary_bench.drives.scenario import FIRST_DRIVE, Scenario
from cabcanary_bench.paths import config_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


#: Folders and files whose tests look at a clock, a pty or a process: each of them wants the machine to itself, and so
#: does whatever looks at the long bench drive, which is driven once.
_IN_TIME = (
    "tests/bench/test_dropouts.py",
    "tests/bench/test_first_drive.py",
    "tests/bench/test_replay_wires.py",
    "tests/bench/test_wiring.py",
    "tests/benchmarks/",
    "tests/faults/",
    "tests/runtime/",
)
#: And those that mostly wait, and bear one other of their kind beside them: they ask what happens, not how soon.
_WAITS = (
    "tests/bench/test_troubled.py",
    "tests/contracts/",
    "tests/faults/test_card_pulled.py",
    "tests/faults/test_ordinary_troubles.py",
    "tests/faults/test_power_cut.py",
    "tests/messenger/",
    "tests/recorder/test_writer.py",
    "tests/runtime/test_cab.py",
    "tests/runtime/test_command_line.py",
    "tests/runtime/test_commands.py",
    "tests/runtime/test_feed.py",
    "tests/runtime/test_host_source.py",
    "tests/runtime/test_light.py",
    "tests/runtime/test_listen.py",
    "tests/runtime/test_listen_ways.py",
    "tests/runtime/test_systemd.py",
    "tests/runtime/test_watch.py",
    "tests/sources/",
)
#: What is in those folders and only computes.
_COMPUTES = (
    "tests/faults/test_journal_damage.py",
    "tests/sources/test_binary_frame.py",
    "tests/sources/test_can_dbc.py",
    "tests/sources/test_can_signals.py",
    "tests/sources/test_fuzz.py",
    "tests/sources/test_obd_pids.py",
    "tests/sources/test_slcan_bytes.py",
)

# A shell that runs a suite in the background has it ignore Ctrl-C, and what it starts inherits that: tests press it.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# No test fails by an absolute time: a loaded machine takes as long as it takes.
settings.register_profile("cabcanary", deadline=None)
settings.load_profile("cabcanary")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Marks what must run alone. The full counts of a campaign are run by asking for them: -m long."""
    for item in items:
        if item.nodeid.startswith(_COMPUTES):
            continue
        if item.nodeid.startswith(_WAITS):
            item.add_marker("waits")
        elif item.nodeid.startswith(_IN_TIME) or "bench_drive" in getattr(item, "fixturenames", ()):
            item.add_marker("in_time")
    if "long" in config.option.markexpr:
        return
    skip = pytest.mark.skip(reason="a long campaign: run it with -m long")
    for item in items:
        if "long" in item.keywords:
            item.add_marker(skip)


@pytest.fixture
def ride(tmp_path: Path) -> Iterator[Callable[..., Ride]]:
    """Makes rides: ride(scenario, speed, config); all are closed at the end."""
    rides: list[Ride] = []

    def make(scenario: Scenario = FIRST_DRIVE, speed: float = 5.0, config: Path | None = None) -> Ride:
        made = Ride(tmp_path / f"d{len(rides)}", scenario, speed, config)
        rides.append(made)
        return made

    with contextlib.ExitStack() as stack:
        yield make
        for made in rides:
            stack.callback(made.close)


@pytest.fixture
def van_settings(tmp_path: Path) -> Callable[..., Path]:
    """Makes a copy of the bench van's settings: van_settings((old, new), …, more="…")."""

    def make(*changes: tuple[str, str], more: str = "") -> Path:
        folder = tmp_path / "config"
        shutil.copytree(config_folder(), folder, dirs_exist_ok=True)
        file = folder / "bench-van.toml"
        text = file.read_text(encoding="utf-8")
        for old, new in changes:
            assert text.count(old) == 1, f"'{old}' stands {text.count(old)} times in the settings"
            text = text.replace(old, new)
        file.write_text(text + more, encoding="utf-8")
        return file

    return make


@pytest.fixture(scope="session")
def bench_drive(tmp_path_factory: pytest.TempPathFactory) -> BenchDrive:
    """One bench drive for all that look at it."""
    return BenchDrive(tmp_path_factory.mktemp("bench"))
