"""Runs many commands, each in a fork of one process that has loaded the program: `python forked_commands.py CASES OUT`.

A case is a list of words. Out comes, for each, its exit code (negative: the signal that ended it), and what it wrote.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import Any, NoReturn

#: Whatever is asked for wrongly is refused at once; a busy machine takes a while for that.
_LONGEST_S = 15


def run(argv: list[str], scratch: Path) -> dict[str, Any]:
    out, err = scratch / "out", scratch / "err"
    child = os.fork()
    if child == 0:
        os.setsid()
        signal.alarm(_LONGEST_S)
        for file, number in ((os.devnull, 0), (out, 1), (err, 2)):
            descriptor = os.open(file, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
            os.dup2(descriptor, number)
        _as_a_program(argv)
    begun = time.monotonic()
    _, status = os.waitpid(child, 0)
    words = [file.read_text(encoding="utf-8", errors="replace") for file in (out, err)]
    code = os.waitstatus_to_exitcode(status)
    return {"code": code, "out": words[0], "err": words[1], "seconds": time.monotonic() - begun}


def _as_a_program(argv: list[str]) -> NoReturn:
    from cabcanary.cli.main import main

    code: Any = 1
    try:
        code = main(argv)
    except SystemExit as end:
        code = end.code
    except BaseException:
        traceback.print_exc()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code if isinstance(code, int) else 1)


def main() -> None:
    # What commands load when they are needed: once for all of them.
    import cabcanary_bench.rig.bench  # noqa: F401

    cases = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as scratch:
        answers = [run(argv, Path(scratch)) for argv in cases]
    Path(sys.argv[2]).write_text(json.dumps(answers), encoding="utf-8")


if __name__ == "__main__":
    main()
