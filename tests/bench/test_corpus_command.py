"""`cabcanary bench corpus`: the labelled corpus as a command."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cabcanary.cli.main import main


def test_a_small_corpus_is_made_graded_and_reported(capsys):
    # The first kind of fault is a lean mixture.
    code = main(["bench", "corpus", "--hours", "0", "--faults", "1", "--seed", "1", "--cores", "1", "--json"])
    report = json.loads(capsys.readouterr().out)
    assert (report["drives"], report["ordinary_hours"]) == (1, 0)
    assert set(report["faults"]) == {"lean_mixture"}
    missed = sum(f["must"] - f["found"] for f in report["faults"].values())
    assert code == (1 if missed or report["false"].get("warning") else 0)
    assert missed == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["corpus", "--hours", "0", "--faults", "0"], "not both 0"),
        (["corpus", "--hours", "-1"], "numbers from 0"),
        (["corpus", "--cores", "0"], "--cores takes a number from 1"),
        (["--hours", "1"], "--hours: only for `cabcanary bench corpus`"),
        (["--speed", "0.5"], "--speed takes a number from 1"),
    ],
)
def test_a_wrong_command_is_answered_in_words(arguments, words, capsys):
    assert main(["bench", *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_missed_fault_ends_with_1(monkeypatch, capsys):
    from cabcanary_bench.corpus import corpus_run
    from cabcanary_bench.corpus.corpus_grade import KindResult, Report

    report = Report(kinds={"hose_off": KindResult(must=1)})
    monkeypatch.setattr(corpus_run, "driven", lambda *_, **__: [])
    monkeypatch.setattr(corpus_run, "grade", lambda _: report)
    assert main(["bench", "corpus", "--hours", "0.1", "--faults", "1"]) == 1
    assert "hose_off" in capsys.readouterr().out


def test_ctrl_c_ends_it_at_once_without_a_trace():
    code = "import sys; from cabcanary.cli.main import main; sys.exit(main())"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "bench", "corpus", "--hours", "1", "--faults", "4", "--cores", "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    deadline = time.monotonic() + 60
    while len(children.read_text().split()) < 2 and time.monotonic() < deadline:
        time.sleep(0.05)
    os.killpg(process.pid, signal.SIGINT)
    # A drive takes longer than this.
    out, _ = process.communicate(timeout=10)
    assert (process.returncode, out) == (1, "")
