"""What every command line should have: completion that completes, a manual that renders."""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from harness import command

from cabcanary.cli.described import described
from cabcanary.cli.main import _parser
from cabcanary.cli.manual import manual
from cabcanary.cli.shared import SAFETY

pytestmark = pytest.mark.waits

#: Completes the last of the words, as the shell does at Tab.
_AT_TAB = """
source "$1"; shift
COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1))
_cabcanary
printf '%s\\n' "${COMPREPLY[@]}"
"""


def printed(*words: str) -> str:
    done = subprocess.run(command(*words), capture_output=True, text=True, timeout=60, check=True)
    assert done.stderr == ""
    return done.stdout


@pytest.fixture(scope="module")
def bash_script(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("bash") / "cabcanary"
    file.write_text(printed("completion", "bash"), encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (["st"], ["stage", "status"]),
        (["stat"], ["status"]),
        (["re"], ["replay", "report", "reconvert", "reload"]),
        (["report", "last", "--"], ["--help", "--output", "--folder", "--config", "--json"]),
        (["wit"], ["witness"]),
        (["witness", "van.toml", "--"], ["--help", "--timing", "--write", "--yes", "--json"]),
        (["rules", ""], ["test", "explain", "trace"]),
        (["status", "--f"], ["--follow"]),
        (["pa"], ["pages"]),
        (["pages", "--"], ["--help", "--config", "--host", "--port", "--token-file"]),
        (["status", "van.toml", "--"], ["--help", "--follow", "--json"]),
        (["rules", "trace", "--a"], ["--at", "--around"]),
        (["bench", "--compressor", "t"], ["turbo"]),
        (["bench", "corpus", "--alternator", ""], ["by_drive", "fixed", "smart"]),
        (["drives", "k"], ["keep"]),
        (["completion", ""], ["bash", "fish", "zsh"]),
        # A path: bash itself goes on with the names of files.
        (["status", "/etc/pass"], [""]),
        (["drives", "--folder", "li"], [""]),
    ],
    ids=lambda w: " ".join(w),
)  # fmt: skip
def test_bash_completes_verbs_options_and_choices(words: list[str], wanted: list[str], bash_script: Path) -> None:
    line = ["bash", "--norc", "-c", _AT_TAB, "bash", str(bash_script), "cabcanary", *words]
    done = subprocess.run(line, capture_output=True, text=True, timeout=60, check=True)
    assert (sorted(done.stdout.splitlines()), done.stderr) == (sorted(wanted), "")


def test_every_verb_and_every_option_is_in_each_shells_completion() -> None:
    scripts = {shell: printed("completion", shell) for shell in ("bash", "zsh", "fish")}
    root = described(_parser())
    assert {v.name for v in root.below} >= {"run", "status", "check", "drives", "completion", "manual"}
    for verb in root.all():
        for shell, script in scripts.items():
            assert verb.name in script, (shell, verb.words)
            for flag in (f for a in verb.arguments for f in a.flags if f.startswith("--")):
                assert (f"-l {flag[2:]}" if shell == "fish" else flag) in script, (shell, verb.words, flag)


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_the_shell_itself_can_read_its_completion(shell: str, tmp_path: Path) -> None:
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"there is no {shell} here")
    file = tmp_path / "completion"
    file.write_text(printed("completion", shell), encoding="utf-8")
    done = subprocess.run([program, "-n", str(file)], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(shutil.which("groff") is None, reason="there is no groff here")
def test_the_manual_renders_without_a_warning_and_says_all_that_help_does(tmp_path: Path) -> None:
    page = printed("manual")
    assert page.isascii()
    words = ["groff", "-man", "-ww", "-Tutf8", "-P-c"]
    done = subprocess.run(words, input=page, capture_output=True, text=True, timeout=60, check=True, encoding="utf-8")
    assert done.stderr == ""
    # Without bold (a letter, a step back, the letter again), hyphenation and line breaks.
    shown = " ".join(re.sub("‐\n *", "", re.sub(".\b", "", done.stdout)).split())
    assert SAFETY in shown
    for verb in described(_parser()).all():
        for argument in verb.arguments:
            assert argument.help, (verb.words, argument)
            assert " ".join(argument.help.split()) in shown, (verb.words, argument)
            for flag in argument.flags:
                assert flag in shown
    for code in ("0 Success", "2 The settings or the command are wrong.", "3 Of status and reload"):
        assert code in shown


def test_nothing_that_a_help_text_says_is_an_order_to_roff() -> None:
    parser = argparse.ArgumentParser(prog="it", description="Does.", epilog="x")
    parser.add_argument("--a-b", action="store_true", help=".SH at the\n.start, 'quoted' C:\\fBold 5 °C")
    lines = manual(described(parser)).splitlines()
    # groff_char(7): \e a backslash, \- the minus of options, \(aq the straight quote, \[u00B0] by its number.
    assert r"\&.SH at the .start, \(aqquoted\(aq C:\efBold 5 \[u00B0]C" in lines
    assert r"\fB\-\-a\-b\fR" in lines


@pytest.mark.skipif(shutil.which("man") is None, reason="there is no man here")
def test_man_shows_the_manual_from_a_file_without_a_warning(tmp_path: Path) -> None:
    file = tmp_path / "cabcanary.1"
    file.write_text(printed("manual"), encoding="ascii")
    words = ["man", "--warnings", "--local-file", str(file)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    if "minimized" in done.stdout + done.stderr:
        pytest.skip("this system has taken man away, and left a word in its place")
    assert (done.returncode, done.stderr) == (0, "")
    assert "cabcanary status" in done.stdout


def test_asked_for_an_unknown_shell_it_says_which_it_knows() -> None:
    done = subprocess.run(command("completion", "sh"), capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert "invalid choice: 'sh' (choose from 'bash', 'fish', 'zsh')" in done.stderr
