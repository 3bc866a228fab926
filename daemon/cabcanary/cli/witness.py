"""`cabcanary witness`: drives held against those before them; arguments in, words out."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse

OK, FAILED, WRONG = 0, 1, 2


def add_witness(verbs: Any) -> None:
    """Add the verb `witness`."""
    witness = verbs.add_parser(
        "witness",
        help="a second witness: does the gauge lie, does the belt slip, how large is a leak, how much has been seen",
        description="Hold drives against those before them, by what the engine's own sensors and the laws of air say: "
        "the belt's slip, a leak at idle as an area, the wideband against the engine's own loop, what shifts the "
        "mixture, how much of the mixture under boost has been seen. Each answer has its 95 % interval, or says that "
        "it can't tell and what that would take.",
        epilog="Exit codes: 0 it was worked out, 1 there are no such drives, 2 the command or the settings are wrong. "
        f"{SAFETY}",
    )
    witness.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML)")
    witness.add_argument(
        "drives",
        nargs="*",
        metavar="DRIVE",
        help='names of drives, "last", folders or files (default: the newest three)',
    )
    witness.add_argument("--json", action="store_true", help="for a program to read")
    witness.set_defaults(run=_witness)


def _witness(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.list.recorded_drive import RecordedError
    from cabcanary.review.list.selection import find_drives
    from cabcanary.review.witness.witness import NothingToJudgeError, witnessed
    from cabcanary.validation.problems import SettingsError

    try:
        plan = load_plan(options.config)
    except SettingsError as error:
        print(error, file=sys.stderr)
        return WRONG
    try:
        found = witnessed(plan, find_drives(options.drives, plan.settings.daemon.folder))
    except (RecordedError, NothingToJudgeError) as error:
        print(error, file=sys.stderr)
        return FAILED
    print(json.dumps(found.as_json(), ensure_ascii=False) if options.json else "\n".join([*found.lines(), SAFETY]))
    return OK
