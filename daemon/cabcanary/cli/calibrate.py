"""`cabcanary calibrate`: one channel against a reference, asked for point by point or taken from a file."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse

    from cabcanary.calibration.calibrate import Calibrated
    from cabcanary.calibration.points import Session
    from cabcanary.calibration.points_file import Subject
    from cabcanary.plan.plan import Plan

OK, FAILED, WRONG = 0, 1, 2


def add_calibrate(verbs: Any) -> None:
    """Add the command to the parser."""
    calibrate = verbs.add_parser(
        "calibrate",
        help="calibrate a channel against a reference: points, a curve, and how far it can be trusted",
        description="Hold a sensor against a reference at one or more values, fit its curve to the points, and say how "
        "far the curve may be from the truth. Readings come from the wires, or from the running daemon; "
        "nothing is sent. The settings are changed only after they have been shown and you have said yes. For a "
        "wideband no curve is made: free air checks its lean end.",
        epilog=f"Exit codes: 0 well, 1 the points were refused or nothing was written, 2 the settings or the command "
        f"are wrong. {SAFETY}",
    )
    calibrate.add_argument("channel", metavar="CHANNEL", help="the measured channel, such as map")
    calibrate.add_argument("--config", type=Path, required=True, help="settings file of the vehicle")
    calibrate.add_argument(
        "--points", type=Path, metavar="FILE", help="take the points from a TOML file and ask nothing"
    )
    calibrate.add_argument("--seconds", type=float, default=5.0, help="how long each point is listened to (default 5)")
    calibrate.add_argument(
        "--other-sensor", action="store_true", help="it is another sensor than the settings say: any slope may come"
    )
    calibrate.add_argument(
        "--wires-measured", action="store_true", help="ground and supply were measured, and are not what is wrong"
    )
    calibrate.add_argument("--yes", action="store_true", help="write it into the settings without asking")
    calibrate.add_argument("--json", action="store_true", help="for a program to read; writes only with --yes")
    calibrate.set_defaults(run=_calibrate)


def _calibrate(options: argparse.Namespace) -> int:
    from cabcanary.calibration.dialogue import StoppedError
    from cabcanary.calibration.fit import Unfit
    from cabcanary.calibration.sensor import CannotError
    from cabcanary.calibration.wires import NoReadingsError
    from cabcanary.settings.editing import CannotEditError
    from cabcanary.validation.problems import SettingsError

    if not 0.1 <= options.seconds <= 600:
        print("--seconds takes 0.1 to 600", file=sys.stderr)
        return WRONG
    if options.json and options.points is None:
        print("--json asks nothing: name the points with --points FILE", file=sys.stderr)
        return WRONG
    try:
        return _session(options)
    except StoppedError:
        print("\nstopped; nothing was changed")
        return FAILED
    except Unfit as error:
        if options.json:
            print(json.dumps({"ok": False, "refused": error.reasons}, ensure_ascii=False))
        else:
            print("\n".join(["refused:", *(f"  {reason}" for reason in error.reasons)]), file=sys.stderr)
        return FAILED
    except (NoReadingsError, CannotEditError) as error:
        print(error, file=sys.stderr)
        return FAILED
    except (SettingsError, CannotError) as error:
        print(error, file=sys.stderr)
        return WRONG


def _session(options: argparse.Namespace) -> int:
    from cabcanary.calibration.calibrate import calibrate, subject_of
    from cabcanary.calibration.points_file import read_session
    from cabcanary.plan.plan import load_plan

    plan = load_plan(options.config)
    subject = subject_of(plan, options.channel)
    if options.points is not None:
        session = read_session(options.points, subject)
        if subject.sensor.spec.measures == "lambda":
            return _lean_ends(session, subject, as_json=options.json)
    else:
        taken = _asked(options, plan, subject)
        if isinstance(taken, int):
            return taken
        session = taken
    done = calibrate(session, subject.sensor, other_sensor=options.other_sensor)
    return _decide(options, plan, done)


def _lean_ends(session: Session, subject: Subject, *, as_json: bool) -> int:
    from cabcanary.calibration.lean_end import lean_end

    found = [lean_end(point.readings, subject.sensor) for point in session.points]
    for end in found:
        print(json.dumps(end._asdict(), ensure_ascii=False) if as_json else end.words)
    return OK if all(end.ok for end in found) else FAILED


def _asked(options: argparse.Namespace, plan: Plan, subject: Subject) -> Session | int:
    """The session that a person gives; of a wideband the exit code."""
    from cabcanary.calibration.dialogue import Dialogue
    from cabcanary.calibration.wires import open_ear
    from cabcanary.calibration.words import SAFETY_HERE
    from cabcanary.clocks import make_clock

    print(f"{SAFETY}\n{SAFETY_HERE}\n")
    ear = open_ear(plan, subject, make_clock(1.0))
    try:
        dialogue = Dialogue(input, print, ear, subject, options.seconds)
        if subject.sensor.spec.measures == "lambda":
            end = dialogue.hold_lean_end()
            print(end.words)
            return OK if end.ok else FAILED
        return dialogue.hold()
    finally:
        ear.close()


def _decide(options: argparse.Namespace, plan: Plan, done: Calibrated) -> int:
    """Show it, ask, write."""
    from cabcanary.calibration.calibrate import new_text, write

    text, record = new_text(plan, done)
    if not options.json:
        print("\n".join(done.lines()))
    barred = bool(done.causes) and not options.wires_measured
    wanted = options.yes or (not options.json and _yes(options.config, barred=barred))
    if options.yes and barred:
        wanted = False
        print("not written: measure what is named above first; if it is not that, --wires-measured", file=sys.stderr)
    if wanted:
        write(plan, done, text, record)
    if options.json:
        print(json.dumps(done.as_json() | {"ok": True, "written": wanted}, ensure_ascii=False))
    elif wanted:
        print(f"\nwrote {options.config}\nkept {record}")
        print(f"Next: cabcanary check {options.config}; start the daemon again. {SAFETY}")
    else:
        print("\nnothing was written")
    return OK if wanted or (options.json and not options.yes) else FAILED


def _yes(config: Path, *, barred: bool) -> bool:
    if barred:
        question = "Were ground and supply measured, and is it neither? Then write the curve"
    else:
        question = "Write curve and residual"
    try:
        return input(f"\n{question} into {config}? (yes, no) > ").strip().lower() in ("y", "yes")
    except EOFError:
        return False
