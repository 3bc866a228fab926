"""Whatever is named wrongly, to whichever command: an exit code, a line that says what, no trace, nobody waits."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from harness import wait_for

from cabcanary.cli.described import described
from cabcanary.cli.main import _parser
from cabcanary_bench.paths import config_folder

pytestmark = pytest.mark.waits

FORKED = Path(__file__).parents[1] / "support" / "forked_commands.py"
VAN = str(config_folder() / "bench-van.toml")
BOOST = str(config_folder() / "rules" / "boost.rules.toml")

#: Where a command takes a file or a folder: @ is the wrong one.
FILES = (
    "run @", "stage @", "witness @", f"witness {VAN} @",
    "inspect @", f"inspect {VAN} --answers @", "new @ --json", "new my.toml --answers @",
    "calibrate map --config @", f"calibrate map --config {VAN} --points @", "status @", "reload @",
    "pages --config @", f"pages --config {VAN} --token-file @",
    "check @", "watch @", "sounds --check @", "listen x --config @", "rules test @",
    f"rules test {BOOST} --config @", "rules explain x --config @", "rules trace x y --config @",
    "baseline list --config @", "baseline measure x --config @", "replay @", "replay x --config @",
    f"replay x --config {VAN} --mapping @", "backtest @", "backtest all --rules @", "backtest all --config @",
    "drives --config @", "export x --config @", "report x --config @", "report @ -o new.html",
    "report @ --json", "import @ --vehicle v --folder {fresh}", "import @ --columns",
    "import {log} --vehicle v --folder {fresh} --mapping @", "import {log} --config @",
    "reconvert x --curve @ --folder .", "reconvert x --config @ --curve c",
    "bench @", "bench corpus --hours 0 --faults 1 --config @",
)  # fmt: skip
FOLDERS = (
    "sounds --wav @", "rules trace x y --folder @", "replay x --folder @", "backtest all --folder @",
    "drives --folder @", f"stage {VAN} trends -o @/x.html",
    "new my.toml --drive last --folder @", f"inspect {VAN} --json --folder @",
    "export x --folder @", "report x --folder @", "report x --json --folder @", "import {log} --vehicle v --folder @",
    "reconvert x --folder @ --curve c", "bench --folder @",
)  # fmt: skip
NUMBERS = (
    f"run {VAN} --speed -1", f"run {VAN} --speed nan", f"run {VAN} --speed 1e400", f"run {VAN} --speed ten",
    f"calibrate map --config {VAN} --seconds -1", f"calibrate map --config {VAN} --seconds nan",
    f"witness {VAN} --write", f"witness {VAN} --timing --yes", f"witness {VAN} --timing --write --json",
    "export x --uncompressed", f"calibrate map --config {VAN} --json", f"calibrate mapp --config {VAN}",
    f"pages --config {VAN} --port -1", f"pages --config {VAN} --port 70000", f"pages --config {VAN} --port x",
    f"stage {VAN} fuel", f"stage {VAN} fuel --litres -1", f"stage {VAN} fuel --litres nan",
    f"stage {VAN} fuel --litres x", f"stage {VAN} fuel --litres 40 --blend water",
    f"stage {VAN} fuel --litres 40 --ethanol 101", f"stage {VAN} fuel --litres 40 --date 2026-13-01",
    f"stage {VAN} declare --part map", f"stage {VAN} declare --part nothing --serial 1",
    "listen x --seconds -1", "listen x --seconds nan", "replay x --speed -1", "replay x --speed 1e9",
    "replay x --from x", "rules trace x y --around -1", "rules trace x y --around nan", "rules trace x y --at x",
    "backtest all --workers -1", "backtest all --workers 0", "backtest all --steps -1 --sweep all",
    "backtest all --steps 1.5", "bench --speed -1",
    "bench --speed nan", "bench corpus --hours -1", "bench corpus --hours nan", "bench corpus --faults -1",
    "bench corpus --cores 0", "bench corpus --cores -3", "bench corpus --throttle 90:10", "bench corpus --seed x",
)  # fmt: skip


def answers(cases: list[str], where: Path) -> list[dict[str, Any]]:
    """What each of these commands does, in an empty folder of its own."""
    (where / "here").mkdir()
    (where / "cases").write_text(json.dumps([case.split() for case in cases]), encoding="utf-8")
    words = [sys.executable, str(FORKED), str(where / "cases"), str(where / "answers")]
    subprocess.run(words, cwd=where / "here", timeout=280, check=True)
    found: list[dict[str, Any]] = json.loads((where / "answers").read_text(encoding="utf-8"))
    assert len(found) == len(cases)
    return found


def faults(cases: list[str], found: list[dict[str, Any]], codes: tuple[int, ...]) -> list[str]:
    """The commands that did not refuse in a line that says what is wrong."""
    bad = []
    for case, did in zip(cases, found, strict=True):
        said = did["err"] + did["out"]
        # Usage, or a problem with its fix: argparse prints the usage over as many lines as it needs.
        lines = [line for line in did["err"].splitlines() if line.startswith((" ", "usage:")) is False]
        if did["code"] not in codes or "Traceback" in said or "Warning" in said or not said.strip() or len(lines) > 2:
            bad.append(f"{case} -> {did['code']} after {did['seconds']:.1f} s: {said[-300:]}")
    return bad


def test_the_table_names_every_verb() -> None:
    told = {" ".join(case.split()[:2]) for case in FILES + FOLDERS + NUMBERS}
    for verb in described(_parser()).all():
        if verb.words and not verb.below and verb.name not in ("completion", "manual"):
            assert any(case.startswith(" ".join(verb.words[:2])) for case in told), verb.words


@pytest.mark.parametrize("kind", ["folder", "missing", "broken link", "pipe", "unreadable", "not ours"])
def test_a_wrong_file_is_told_in_a_line(kind: str, tmp_path: Path) -> None:
    wrong, log = tmp_path / "wrong", tmp_path / "log.csv"
    log.write_text("time_s,map [kPa]\n0.0,100\n0.02,101\n0.04,99\n", encoding="utf-8")
    match kind:
        case "folder":
            wrong.mkdir()
        case "broken link":
            wrong.symlink_to("nowhere")
        case "pipe":
            os.mkfifo(wrong)
        case "unreadable":
            # Root may read every file: a process' memory at address 0 is none.
            wrong = Path("/proc/1/mem")
        case "not ours":
            wrong = Path("/etc/passwd")
    cases = [c.replace("@", str(wrong)).format(fresh=tmp_path / "fresh", log=log) for c in FILES]
    # An empty folder, and a folder with nothing that can be played, are no error of `backtest`.
    assert faults(cases, answers(cases, tmp_path), (1, 2)) == []


@pytest.mark.parametrize("wrong", ["/etc/passwd", "/etc/passwd/below", "/proc/nothing", "/dev/null"])
def test_a_wrong_folder_is_told_in_a_line(wrong: str, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time_s,map [kPa]\n0.0,100\n0.02,101\n0.04,99\n", encoding="utf-8")
    cases = [c.replace("@", wrong).format(log=log) for c in FOLDERS]
    assert faults(cases, answers(cases, tmp_path), (1, 2)) == []


def test_a_number_that_cannot_be_is_told_in_a_line(tmp_path: Path) -> None:
    cases = list(NUMBERS)
    assert faults(cases, answers(cases, tmp_path), (1, 2)) == []


@pytest.mark.parametrize(
    "words", [("bench",), ("check", VAN), ("drives",), ("status", VAN, "--follow"), ("reload", VAN)]
)
def test_ctrl_c_while_it_starts_leaves_no_trace(words: tuple[str, ...], tmp_path: Path) -> None:
    for after_ms in (60, 120, 200, 300):
        with subprocess.Popen(
            [sys.executable, "-m", "cabcanary", *words], cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            text=True, start_new_session=True,
        ) as process:  # fmt: skip
            try:
                # Not before Python itself is up: what it says of Ctrl-C until then is its own affair.
                wait_for("the program", lambda process=process: process.poll() is not None or _has_begun(process.pid))
                time.sleep(after_ms / 1000)
                process.send_signal(signal.SIGINT)
                out, err = process.communicate(timeout=60)
            finally:
                if process.poll() is None:
                    os.killpg(process.pid, signal.SIGKILL)
        assert "Traceback" not in out + err, after_ms
        assert "KeyboardInterrupt" not in out + err, after_ms


#: Ctrl-C comes at the import of a module, or while an object is cleared away during it.
_AT_IMPORT = """
import os, signal, sys

signal.signal(signal.SIGINT, signal.default_int_handler)
module, how = sys.argv.pop(1), sys.argv.pop()

class Clearing:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGINT)
        for _ in range(1000):
            pass

class Part:
    def __set_name__(self, owner, name):  # what is raised in here Python makes a RuntimeError
        os.kill(os.getpid(), signal.SIGINT)
        for _ in range(1000):
            pass

class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == module:
            sys.meta_path.remove(self)
            if how == "clearing":
                Clearing()
            elif how == "in a class":
                type("Made", (), {"part": Part()})
            else:
                os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Finder())
from cabcanary.__main__ import main
sys.exit(main())
"""


@pytest.mark.parametrize("how", ["at once", "clearing", "in a class"])
@pytest.mark.parametrize("module", ["cabcanary.cli.main", "typing", "argparse", "cabcanary.plan.plan", "pydantic"])
def test_ctrl_c_at_any_import_leaves_no_trace(module: str, how: str, tmp_path: Path) -> None:
    # Without `site` little of the standard library is there before it is asked for.
    words = [sys.executable, "-S", "-c", f"import sys; sys.path[:0] = {sys.path!r}\n{_AT_IMPORT}"]
    done = subprocess.run(
        [*words, module, "check", VAN, how], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (1, "", "")


def _has_begun(pid: int) -> bool:
    """Whether `main` runs: what it imports first brings a library of C with it."""
    try:
        return any(name in Path(f"/proc/{pid}/maps").read_text() for name in ("/_struct.", "/math.", "/_json."))
    except OSError:
        return True
