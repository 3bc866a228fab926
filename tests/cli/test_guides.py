"""What the guides tell a person to type works: each command and each settings file of guides/ and README.md is tried.

Wires are simulated ones; the shipped vehicles read them by the environment. Commands that change the machine cannot be
tried here and are named below, each with the reason.
"""

from __future__ import annotations

import argparse
import os
import re
import shlex
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest
import tomli_w
from archived_drive import archived
from harness import PATIENCE_S

from cabcanary.cli.main import _parser
from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.drives.scenario_files import find_scenario
from cabcanary_bench.rig.rig import Rig

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.waits

ROOT = Path(__file__).parents[2]
GUIDES = sorted((ROOT / "guides").glob("*.md"))
PAGES = [*GUIDES, ROOT / "README.md"]

#: Beginnings of commands that are not run here, and why.
NOT_RUN = {
    "sudo apt install": "changes the machine",
    "sudo systemd/install": "changes the machine; tests/systemd does it elsewhere",
    "sudo cabcanary new": "asks, and writes into /etc",
    "python3 -m venv": "needs a package index",
    "bash .ci/": "installs what it needs; CI runs both",
    "cat /sys/bus/iio/devices/": "this machine has no converter",
    "man ": "a small machine has no reader of manuals",
    "ls /dev/serial/by-id/": "this machine has no adapter",
}
#: Takes minutes: its words are checked here, and `test_rehearsals_of_the_guides` runs it.
SLOW = "cabcanary bench --config"
#: 1: an alert stands, as a limit that nobody has confirmed or a wire of the bench does. 3: no daemon runs with
#: that page; tests/runtime/test_reload.py has one.
ALSO_WELL = {"cabcanary status": {1}, "cabcanary reload": {3}}
_INSTALLED = "~/cabcanary/bin/"
_BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.DOTALL | re.MULTILINE)


class Block(NamedTuple):
    language: str
    text: str


def blocks(page: Path) -> list[Block]:
    return [Block(*found) for found in _BLOCK.findall(page.read_text(encoding="utf-8"))]


def commands(page: Path) -> list[str]:
    lines = [line for block in blocks(page) if block.language == "sh" for line in block.text.splitlines()]
    return [line.split("  #")[0].strip() for line in lines if line.strip()]


class Reader:
    """A person who does what a page says, with a home of his own and a vehicle of simulated wires."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.place = home / "checkout"
        shutil.copytree(ROOT / "config", self.place / "config")
        shutil.copytree(ROOT / "config", self.place, dirs_exist_ok=True)
        shutil.copy(ROOT / "config/bench-van.toml", self.place / "my-van.toml")
        self.rig = Rig(home / "state", FIRST_DRIVE, 1.0, own_time=False)
        self.rig.skip(10.0)
        converter = next((self.rig.wires / "iio").iterdir())
        # The guides call the converter so, and the third one has another input.
        (converter / "label").write_text("my-converter\n")
        (converter / "in_voltage3_raw").write_text("800\n")
        self.rig.start_van()
        self._daemons: list[subprocess.Popen[bytes]] = []
        self.done: list[str] = []

    @property
    def environment(self) -> dict[str, str]:
        path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
        return {**self.rig.environment(), "HOME": str(self.home), "PATH": path}

    def follow(self, page: Path) -> None:
        for block in blocks(page):
            if block.language == "toml":
                self.write(block.text)
            elif block.language == "sh":
                for line in block.text.splitlines():
                    self.do(line.split("  #")[0].strip())

    def write(self, text: str) -> None:
        """A block of settings says in its first line where it goes: into a file that is there, or into a new one."""
        first = text.splitlines()[0]
        if first.startswith("# in "):
            file = self.place / first.removeprefix("# in ")
            merged = merge(tomllib.loads(file.read_text()), tomllib.loads(text))
            file.write_text(tomli_w.dumps(merged))
        else:
            file = self.place / first.removeprefix("# ")
            assert not file.exists(), f"{first}: it is there already"
            file.write_text(text)

    def do(self, line: str) -> None:
        line = line.replace(_INSTALLED, "")
        if not line or is_not_run(line) or line.startswith(SLOW):
            return
        if "--folder recordings" in line and not (self.place / "recordings").exists():
            archived(self.place / "recordings", find_scenario("over-boost"), seed=1)
        if line.startswith("cabcanary run"):
            self._start(line)
        else:
            code, said = self._bash(line)
            verb = " ".join(line.split()[:2])
            assert code in {0, *ALSO_WELL.get(verb, set())}, f"{line}: {code}\n{said}"
        self.done.append(line)

    def _bash(self, line: str, within_s: float = PATIENCE_S) -> tuple[int, str]:
        where = self.home / "where"
        script = f"{line}\ncode=$?\npwd > {where}\nexit $code"
        done = subprocess.run(
            ["bash", "-c", script],
            cwd=self.place,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=within_s,
            check=False,
        )
        self.place = Path(where.read_text().strip())
        return done.returncode, done.stdout + done.stderr

    def _start(self, line: str) -> None:
        with (self.home / "run.log").open("wb") as log:
            daemon = subprocess.Popen(
                shlex.split(line), cwd=self.place, env=self.environment, stdout=log, stderr=subprocess.STDOUT
            )
        self._daemons.append(daemon)
        ends = time.monotonic() + PATIENCE_S
        asks = line.replace("cabcanary run", "cabcanary status")
        while (answer := self._bash(asks))[0] == 3:
            log_words = (self.home / "run.log").read_text()
            assert daemon.poll() is None, f"the daemon ended: {log_words}"
            assert time.monotonic() < ends, f"{answer[1]}\n{log_words}"
            time.sleep(0.2)

    def close(self) -> None:
        for daemon in self._daemons:
            daemon.terminate()
            daemon.wait(PATIENCE_S)
        self.rig.close()


def merge(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """What a person does who puts these lines in the place of those that are there."""
    for key, value in new.items():
        same = isinstance(value, dict) and isinstance(old.get(key), dict)
        old[key] = merge(old[key], value) if same else value
    return old


def is_not_run(line: str) -> bool:
    return line.startswith(tuple(NOT_RUN))


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[Reader]:
    made = Reader(tmp_path)
    yield made
    made.close()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_each_command_and_each_file_of_a_guide_works(page: Path, reader: Reader) -> None:
    reader.follow(page)
    wanted = [c for c in commands(page) if not is_not_run(c) and not c.startswith(SLOW)]
    assert reader.done == [c.replace(_INSTALLED, "") for c in wanted]
    assert len(reader.done) >= 3


@pytest.mark.long
@pytest.mark.parametrize(
    "page", [p for p in GUIDES if any(c.startswith(SLOW) for c in commands(p))], ids=lambda p: p.name
)
def test_rehearsals_of_the_guides(page: Path, reader: Reader) -> None:
    reader.follow(page)
    for line in commands(page):
        if line.startswith(SLOW):
            # Every fault that the vehicle could show, one after the other: minutes.
            code, said = reader._bash(line, 3600.0)
            assert code == 0, said


def test_commands_that_are_not_run_are_written_as_their_parser_has_them() -> None:
    seen = set()
    for page in PAGES:
        for line in commands(page):
            if line.startswith(SLOW):
                _parser().parse_args(shlex.split(line)[1:])
                seen.add(SLOW)
            seen |= {begins for begins in NOT_RUN if line.startswith(begins)}
    # None stands here for nothing.
    assert seen == {*NOT_RUN, SLOW}


@pytest.mark.parametrize("page", GUIDES, ids=lambda page: page.name)
def test_a_command_within_a_sentence_is_one(page: Path) -> None:
    text = _BLOCK.sub("", page.read_text(encoding="utf-8"))
    for words in re.findall(r"`cabcanary ([^`…]+)`", text):
        _parser().parse_args(shlex.split(words))


@pytest.mark.parametrize("page", GUIDES, ids=lambda page: page.name)
def test_a_guide_is_two_screens_at_most_and_says_what_this_is_not(page: Path) -> None:
    lines = page.read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 120  # two screens of 60 lines
    assert max(len(line) for line in lines if not line.startswith("|")) <= 130
    words = " ".join(lines).lower()
    assert "monitor, not protection" in words
    assert "qualified tuner" in words or "data sheet" in words


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_a_link_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]*)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if target and "://" not in target:
            assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_a_link_into_a_page_finds_its_heading(page: Path) -> None:
    for target, anchor in re.findall(r"\]\(([^)#]*)#([^)]*)\)", page.read_text(encoding="utf-8")):
        other = (page.parent / target) if target else page
        headings = re.findall(r"^#+ (.*)$", other.read_text(encoding="utf-8"), re.MULTILINE)
        anchors = {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}
        assert anchor in anchors, f"{target}#{anchor}"


def test_every_command_and_option_that_a_sentence_or_a_table_names_is_there() -> None:
    actions = next(a for a in _parser()._actions if isinstance(a, argparse._SubParsersAction))
    named = 0
    for page in PAGES:
        text = _BLOCK.sub("", page.read_text(encoding="utf-8"))
        for words in re.findall(r"`cabcanary ([a-z]+[^`]*)`", text):
            verb, *rest = words.split()
            assert verb in actions.choices, f"{page.name}: {words}"
            known = actions.choices[verb].format_help()
            for option in (w for w in rest if w.startswith("--")):
                assert f"{option} " in f"{known} ".replace("]", " ").replace(",", " "), f"{page.name}: {words}"
                named += 1
    assert named >= 4
