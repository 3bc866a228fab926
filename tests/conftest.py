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


# A shell that runs a suite in the background has it ignore Ctrl-C, and what it starts inherits that: tests press it.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# No test fails by an absolute time: a loaded machine takes as long as it takes.
settings.register_profile("cabcanary", deadline=None)
settings.load_profile("cabcanary")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The full counts of a campaign are run by asking for them: -m long."""
    if "long" in config.option.markexpr:
        return
    skip = pytest.mark.skip(reason="a long campaign: run it with -m long")
    for item in items:
        if "long" in item.keywords:
            item.add_marker(skip)


@pytest.fixture
def ride(tmp_path: Path) -> Iterator[Callable[..., Ride]]:
    """Makes rides: ride(scenario, speed, config), in the bench's time or the kernel's; all are closed at the end."""
    rides: list[Ride] = []

    def make(
        scenario: Scenario = FIRST_DRIVE, speed: float = 5.0, config: Path | None = None, *, own_time: bool = True
    ) -> Ride:
        made = Ride(tmp_path / f"d{len(rides)}", scenario, speed, config, own_time=own_time)
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
