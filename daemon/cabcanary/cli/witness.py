"""`cabcanary witness`: drives held against those before them; arguments in, words out."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse

    from cabcanary.plan.plan import Plan
    from cabcanary.review.witness.witness import Witnessed

OK, FAILED, WRONG = 0, 1, 2


def add_witness(verbs: Any) -> None:
    """Add the verb `witness`."""
    witness = verbs.add_parser(
        "witness",
        help="a second witness: does the gauge lie, is it slow, does the belt slip, how large is a leak, what was seen",
        description="Hold drives against those before them, by what the engine's own sensors and the laws of air say: "
        "the belt's slip, a leak at idle as an area, the wideband against the engine's own loop, what shifts the "
        "mixture, how long gas takes to the wideband and how fast it answers, how much of the mixture under boost has "
        "been seen. Each answer has its 95 % interval, or says that it can't tell and what that would take.",
        epilog="Exit codes: 0 it was worked out, 1 there are no such drives or nothing was written, 2 the command or "
        f"the settings are wrong. {SAFETY}",
    )
    witness.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML)")
    witness.add_argument(
        "drives",
        nargs="*",
        metavar="DRIVE",
        help='names of drives, "last", folders or files (default: the newest three)',
    )
    witness.add_argument("--timing", action="store_true", help="the wideband's delay and response alone")
    witness.add_argument(
        "--write", action="store_true", help="with --timing: after a yes, write what was learnt into the settings"
    )
    witness.add_argument("--yes", action="store_true", help="with --write: do not ask")
    witness.add_argument("--json", action="store_true", help="for a program to read; writes only with --yes")
    witness.set_defaults(run=_witness)


def _witness(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.list.recorded_drive import RecordedError
    from cabcanary.review.list.selection import find_drives
    from cabcanary.review.witness.witness import NothingToJudgeError, witnessed
    from cabcanary.validation.problems import SettingsError

    wrong = _wrong(options)
    if wrong:
        print(wrong, file=sys.stderr)
        return WRONG
    try:
        plan = load_plan(options.config)
    except SettingsError as error:
        print(error, file=sys.stderr)
        return WRONG
    try:
        drives = find_drives(options.drives, plan.settings.daemon.folder)
        found = witnessed(plan, drives, timing_alone=options.timing)
    except (RecordedError, NothingToJudgeError) as error:
        print(error, file=sys.stderr)
        return FAILED
    if options.write:
        return _written(options, plan, found)
    print(json.dumps(found.as_json(), ensure_ascii=False) if options.json else "\n".join([*found.lines(), SAFETY]))
    return OK


def _wrong(options: argparse.Namespace) -> str:
    """What does not go together; empty: it does."""
    if options.write and not options.timing:
        return "--write writes the wideband's timing alone: add --timing"
    if options.yes and not options.write:
        return "--yes answers the question of --write: add --write"
    if options.json and options.write and not options.yes:
        return "--json asks nothing: add --yes, or leave --write"
    return ""


def _written(options: argparse.Namespace, plan: Plan, found: Witnessed) -> int:
    """Show what was learnt, ask, write."""
    from cabcanary.review.witness import timing_settings
    from cabcanary.settings.editing import CannotEditError
    from cabcanary.settings.replacing import ChangedMeanwhileError
    from cabcanary.validation.problems import SettingsError

    if not options.json:
        print("\n".join([*found.lines(), SAFETY]))
    try:
        text = timing_settings.new_text(plan, found.proposals) if found.proposals else ""
        wanted = bool(text) and (options.yes or _yes(options.config))
        if wanted:
            timing_settings.write(plan, text)
    except (CannotEditError, SettingsError, ChangedMeanwhileError, OSError) as error:
        print(f"not written: {error}", file=sys.stderr)
        return FAILED
    if options.json:
        print(json.dumps(found.as_json() | {"written": wanted}, ensure_ascii=False))
    elif wanted:
        print(f"\nwrote {options.config}\nNext: cabcanary check {options.config}; cabcanary reload {options.config}")
    else:
        print("\nnothing was written" + ("" if found.proposals else ": the drives contradict nothing in the settings"))
    return OK if wanted or not found.proposals else FAILED


def _yes(config: Path) -> bool:
    try:
        return input(f"\nWrite these into {config}? (yes, no) > ").strip().lower() in ("y", "yes")
    except EOFError:
        return False
