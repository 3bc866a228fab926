"""`cabcanary new`: the first settings of a vehicle, asked in a person's words or taken from a file of answers."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse

    from cabcanary.plan.plan import Plan

OK, GAPS, WRONG = 0, 1, 2


def add_new(verbs: Any) -> None:
    """Add the command to the parser."""
    new = verbs.add_parser(
        "new",
        help="make the first settings of a vehicle: asks what is fitted and what the data sheets say",
        description="Ask what is fitted, to which pin, port or input, and what the data sheets say, and write "
        "commented settings and rules for it. It looks for devices and listens to them; it sends nothing. No curve and "
        "no limit is guessed: what you do not know yet is left out, listed, and asked again the next time.",
        epilog="Exit codes: 0 written, 1 written, and not watched for what boost needs, 2 an answer cannot be, or a "
        f"file was changed by hand. {SAFETY}",
    )
    new.add_argument("config", type=Path, metavar="CONFIG", help="settings file to make, such as my-van.toml")
    new.add_argument("--answers", type=Path, metavar="FILE", help="take the answers from there and ask nothing")
    new.add_argument("--drive", metavar="DRIVE", help='learn from a first drive, by its name or "last"')
    new.add_argument("--folder", type=Path, help="where that drive is (default: the folder in the answers)")
    new.add_argument("--json", action="store_true", help="for a program to read; asks nothing")
    new.set_defaults(run=_new)


def _new(options: argparse.Namespace) -> int:
    from cabcanary.first_settings.answers import AnswersError, read_answers
    from cabcanary.first_settings.dialogue import StoppedError
    from cabcanary.first_settings.written import (
        ChangedError,
        answers_file,
        keep_answers,
        make,
        read_before,
        with_taught,
    )
    from cabcanary.review.list.drives import DriveError
    from cabcanary_bench.paths import config_folder

    config = options.config
    if config.suffix != ".toml":
        print(f"{config}: settings end in .toml; name them so", file=sys.stderr)
        return WRONG
    try:
        before = read_before(config)
        raw = read_answers(options.answers) if options.answers else before or {}
        if options.drive:
            raw = with_taught(raw, _taught(options, raw))
        elif not options.answers and not options.json:
            raw = _asked(config, raw)
        made = make(config, raw, before, config_folder())
        keep_answers(config, raw)
    except StoppedError:
        print(f"\nkept in {answers_file(config)}; the same command goes on")
        return OK
    except (AnswersError, ChangedError, DriveError) as error:
        print(error, file=sys.stderr)
        return WRONG
    except OSError as error:
        print(f"{error.filename or config}: {error.strerror or error}", file=sys.stderr)
        return GAPS
    return _told(config, raw, made, as_json=options.json)


def _asked(config: Path, raw: dict[str, Any]) -> dict[str, Any]:
    from cabcanary.first_settings.devices import Places
    from cabcanary.first_settings.dialogue import Dialogue
    from cabcanary.first_settings.written import keep_answers

    print(f"{SAFETY}\n")
    dialogue = Dialogue(input, print, lambda answers: keep_answers(config, answers), Places())
    return dialogue.hold(raw)


def _taught(options: argparse.Namespace, raw: dict[str, Any]) -> dict[str, str]:
    from cabcanary.cli.shared import DEFAULT_FOLDER
    from cabcanary.review.first_drive import taught_by
    from cabcanary.review.list.drives import find_samples

    folder = options.folder or Path(raw.get("recordings", {}).get("folder") or DEFAULT_FOLDER)
    taught = taught_by(find_samples(folder, options.drive))
    if not options.json:
        print("\n".join(taught.lines()))
    return taught.answers()


def _told(config: Path, raw: dict[str, Any], made: Any, *, as_json: bool) -> int:
    """Check what was written as `cabcanary check` does, and say what is still open."""
    from cabcanary.first_settings.answers import answers_of
    from cabcanary.first_settings.open_points import open_points
    from cabcanary.plan.plan import load_plan
    from cabcanary.validation.problems import SettingsError

    still = open_points(answers_of(raw))
    try:
        plan = load_plan(config, to_watch=True)
    except SettingsError as error:
        if as_json:
            problems = [p.as_json() for p in error.problems]
            print(json.dumps({"ok": False, "problems": problems, "open": still}, ensure_ascii=False))
        else:
            print(f"{error}\n\nAnswer these otherwise and run the same command again.", file=sys.stderr)
        return WRONG
    if as_json:
        told = {"ok": not plan.coverage.gaps, "written": [str(f) for f in made.written]}
        print(json.dumps(told | {"coverage": plan.coverage.as_json(), "open": still}, ensure_ascii=False))
    else:
        print("\n".join(_lines(config, plan, still, made)))
    return GAPS if plan.coverage.gaps else OK


def _lines(config: Path, plan: Plan, still: list[str], made: Any) -> list[str]:
    lines = ["", *(f"wrote {file}" for file in made.written)]
    lines += [f"left {file} as you have changed it" for file in made.left]
    vehicle = plan.settings.vehicle
    lines += ["", f"{vehicle.name}, stage '{vehicle.stage}', will be watched for:"]
    lines += [f"    {part.words}" for part in plan.coverage.parts]
    if still:
        lines += ["", "Still to be found out, measured or confirmed:", *(f"    {point}" for point in still)]
    return [
        *lines,
        "",
        f"Next, parked: cabcanary check {config}; cabcanary bench --config {config}; cabcanary run {config}",
        SAFETY,
    ]
