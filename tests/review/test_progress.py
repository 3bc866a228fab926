"""Long work shows how far it is to a person at a terminal, and writes nothing of that into a file."""

from __future__ import annotations

import os
import pty
import subprocess
import termios
from typing import TYPE_CHECKING

import numpy as np
import pytest
from harness import command
from live_drive import Live
from small_van import RULES, SETTINGS, Wires

from cabcanary.plan.plan import load_plan
from cabcanary.recorder.archiver import archive_all

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A state folder with one drive, settings, a better curve, and a log of another program."""
    folder = tmp_path_factory.mktemp("van")
    (folder / "van.toml").write_text(SETTINGS)
    (folder / "rules.toml").write_text(RULES)
    curve = '[channels.map]\ncurve = { kind = "linear", points = [[0.5, 40.0], [4.5, 500.0]] }\n'
    (folder / "curve.toml").write_text(curve)
    rows = "".join(f"{t:.2f},{50 + t % 9:.1f}\n" for t in np.arange(0.0, 200.0, 0.05))
    (folder / "log.csv").write_text(f"time_s,map [kPa]\n{rows}")
    live = Live(load_plan(folder / "van.toml"), folder, Wires(1))
    live.run(150, running=True)
    live.key_off(30)
    live.finish()
    archive_all(folder)
    return folder


WORK = {
    "writing": ["export", "last", "--to", "csv", "--output", "{out}/drive.csv"],
    "reading": ["import", "{van}/log.csv", "--vehicle", "other-van", "--stage", "sensors"],
    "computing": ["import", "{van}/log.csv", "--vehicle", "other-van", "--stage", "sensors"],
    "converting": ["reconvert", "last", "--curve", "{van}/curve.toml"],
}


def started(words: list[str], folder: Path, out: Path, stderr: int) -> subprocess.Popen[bytes]:
    arguments = [w.format(van=folder, out=out) for w in words]
    return subprocess.Popen(
        command(*arguments, "--folder", str(folder)), stdout=subprocess.PIPE, stderr=stderr, stdin=subprocess.DEVNULL
    )


@pytest.mark.parametrize("shown", WORK)
def test_a_person_at_a_terminal_sees_how_far_it_is(folder: Path, tmp_path: Path, shown: str) -> None:
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, 80))
    process = started(WORK[shown], folder, tmp_path, theirs)
    os.close(theirs)
    seen = b""
    try:
        while part := os.read(ours, 4096):
            seen += part
    except OSError:
        pass  # the other end of a terminal has gone
    finally:
        os.close(ours)
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0, seen + out
    assert f"{shown}:".encode() in seen


@pytest.mark.parametrize("shown", WORK)
def test_a_file_gets_nothing_of_it(folder: Path, tmp_path: Path, shown: str) -> None:
    process = started(WORK[shown], folder, tmp_path, subprocess.PIPE)
    _, said = process.communicate(timeout=60)
    assert (process.returncode, said) == (0, b"")
