"""The command line of replay: a recording played again, through the rules or through the wires."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import DEFAULT_FOLDER, SAFETY
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.plan.plan import Plan
    from cabcanary.review.replay.recording import Playable

OK, FAILED, WRONG = 0, 1, 2

_SOUNDS = ("none", "bell", "card", "configured", "bench")
_FASTEST = 100.0
#: Several times as fast, what takes real time on the wires is no longer true to the drive.
_FASTEST_ON_WIRES = 5.0


def add_replay(verbs: Any) -> None:
    """Add the verb `replay`."""
    parser = verbs.add_parser(
        "replay",
        help="play a recording again, with its sounds",
        description="Play a recording again and compare its alerts now with those raised live. Without --wires "
        "its frames go straight to the rules; with --wires its raw readings go over simulated wires into the daemon "
        "that is installed here.",
        epilog="Exit codes: 0 the same alerts as live (or none to compare with), 1 others, 2 the command or the "
        f"recording is wrong. {SAFETY}",
    )
    parser.add_argument(
        "recording", metavar="DRIVE|FILE", help='a drive by name or "last", its file, a journal, or a log to import'
    )
    parser.add_argument("--folder", type=Path, help=f"the daemon's folder (default {DEFAULT_FOLDER})")
    parser.add_argument("--config", type=Path, help="settings: the folder, the outputs, a log's channels")
    parser.add_argument("--mapping", type=Path, metavar="MAP", help="for a log: its columns, as for import")
    parser.add_argument("--rules", type=Path, action="append", metavar="FILE", help="these rules in place of its own")
    parser.add_argument("--speed", type=_speed, default=1.0, help="times real time, or max (default 1)")
    parser.add_argument("--from", dest="from_s", type=float, default=0.0, metavar="SECONDS", help="begin here")
    parser.add_argument("--to", dest="to_s", type=float, metavar="SECONDS", help="and end here")
    parser.add_argument("--sound", choices=_SOUNDS, help="by what it is heard (default: the bell, on a terminal)")
    parser.add_argument("--wires", action="store_true", help="over simulated wires, into the daemon as a process")
    parser.add_argument("--json", action="store_true", help="only the result, for a program to read")
    parser.set_defaults(run=_replay)


def _speed(text: str) -> float | None:
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.1 <= speed <= _FASTEST:
        raise argparse.ArgumentTypeError(f"{text} is neither a number from 0.1 to {spelt(_FASTEST)} nor max")
    return speed


def _replay(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.list.drives import DriveError
    from cabcanary.review.replay.recording import open_playable
    from cabcanary.validation.problems import SettingsError

    try:
        plan = load_plan(options.config) if options.config else None
        folder = options.folder or (plan.settings.daemon.folder if plan else DEFAULT_FOLDER)
        with open_playable(options.recording, folder, plan, options.mapping) as drive:
            chosen = drive.with_rules(options.rules) if options.rules else drive.plan
            return (_over_wires if options.wires else _straight)(options, drive, chosen, plan)
    except (DriveError, SettingsError) as error:
        return _wrong(str(error))


def _straight(options: argparse.Namespace, drive: Playable, plan: Plan, config: Plan | None) -> int:
    from cabcanary.review.replay.playback import replay
    from cabcanary.review.replay.replay import Wanted, json_text, report_lines

    sound = options.sound or _usual_sound(options)
    if sound != "none" and options.speed is None:
        return _wrong("--speed max is too fast to be heard; leave --sound away, or give a speed")
    if sound == "configured" and config is None:
        return _wrong("--sound configured needs --config, the settings whose outputs are meant")
    outputs = (config or plan).settings
    wanted = Wanted(options.speed, options.from_s, options.to_s)
    result = replay(drive, plan, outputs, sound, wanted, quiet=options.json)
    print(json_text(result) if options.json else "\n".join(report_lines(result, other_rules=bool(options.rules))))
    return FAILED if result.same is False and not options.rules else OK


def _usual_sound(options: argparse.Namespace) -> str:
    return "bell" if options.speed is not None and sys.stdout.isatty() and not options.json else "none"


def _over_wires(options: argparse.Namespace, drive: Playable, plan: Plan, _config: Plan | None) -> int:
    from cabcanary_bench.replay.replay_wires import NotOnWiresError, replay_over_wires

    if options.speed is None or options.speed > _FASTEST_ON_WIRES:
        return _wrong(f"over wires --speed takes a number up to {spelt(_FASTEST_ON_WIRES)}: bytes need their real time")
    if options.sound is not None or options.from_s:
        return _wrong("over wires the daemon plays its own outputs from the start: leave --sound and --from away")
    try:
        return replay_over_wires(drive, plan, options.speed, options.to_s, as_json=options.json)
    except NotOnWiresError as error:
        return _wrong(str(error))


def _wrong(words: str) -> int:
    print(words, file=sys.stderr)
    return WRONG
