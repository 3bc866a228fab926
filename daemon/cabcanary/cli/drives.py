"""The commands about recorded drives, as the command line has them: arguments in, words out."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import DEFAULT_FOLDER

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from cabcanary.review.exchange.log_import import BroughtIn

OK, FAILED, WRONG = 0, 1, 2
_ACTIONS = ("list", "keep", "release", "note", "remove")
_ENDINGS = {"csv": ".csv", "parquet": ".parquet", "mdf4": ".mf4"}


def add_drive_verbs(verbs: Any) -> None:
    """Add drives, export, import and reconvert to the command line."""
    drives = verbs.add_parser("drives", help="list recorded drives; keep, note or remove one")
    # A note's words may come after the options.
    drives.intermixed = True
    drives.add_argument(
        "action", nargs="?", default="list", choices=_ACTIONS, metavar="ACTION", help=", ".join(_ACTIONS)
    )
    drives.add_argument("drive", nargs="?", metavar="DRIVE", help='its name, the beginning of it, or "last"')
    drives.add_argument("text", nargs="*", metavar="TEXT", help="the words of a note")
    drives.add_argument("--vehicle", default="", help="only of this vehicle")
    drives.add_argument("--stage", default="", help="only of stages that say this")
    drives.add_argument("--since", type=_day, metavar="DAY", help="only from this day on (2026-11-25, UTC)")
    drives.add_argument("--until", type=_day, metavar="DAY", help="only up to this day")
    drives.add_argument("--alert", default="", metavar="RULE", help="only those in which this was raised")
    drives.add_argument("--kept", action="store_true", help="only those that are kept")
    drives.add_argument("--yes", action="store_true", help="remove: it is meant")
    add_folder(drives)
    drives.add_argument("--json", action="store_true", help="for a program to read")
    drives.set_defaults(run=guarded(_drives))

    export = verbs.add_parser("export", help="write a drive for other programs")
    export.add_argument("drive", metavar="DRIVE", help='its name, the beginning of it, or "last"')
    export.add_argument("--to", choices=sorted(_ENDINGS), default="csv", help="format (default csv)")
    export.add_argument(
        "--output", type=Path, help="file to write; none is written over (default: the drive's name, here)"
    )
    export.add_argument(
        "--uncompressed",
        action="store_true",
        help="an MDF4 file without compressed blocks, for programs that cannot open those",
    )
    add_folder(export)
    export.add_argument("--json", action="store_true", help="for a program to read")
    export.set_defaults(run=guarded(_export))

    bring = verbs.add_parser("import", help="bring in a log of another program: text, Parquet, MDF4")
    bring.add_argument("file", type=Path, metavar="FILE", help="CSV: time_s first, then channel [unit]")
    bring.add_argument("--columns", action="store_true", help="only print what FILE holds, as a whole mapping")
    bring.add_argument("--as-guessed", action="store_true", help="take a log of text as it seems to be written")
    bring.add_argument("--mapping", type=Path, metavar="MAP", help="TOML file that says what foreign columns are")
    bring.add_argument("--vehicle", default="", help="whose drive it is (default: the settings' vehicle)")
    bring.add_argument("--stage", default="", help="stage of the build it was made in")
    bring.add_argument("--start", default="", help="when it began, as in 2026-11-25T08:30:00+01:00")
    add_folder(bring)
    bring.add_argument("--json", action="store_true", help="for a program to read")
    bring.set_defaults(run=guarded(_bring_in))

    again = verbs.add_parser("reconvert", help="compute a drive again with a better curve; the original stays")
    again.add_argument("drive", metavar="DRIVE", help='its name, the beginning of it, or "last"')
    again.add_argument(
        "--curve", type=Path, required=True, metavar="FILE", help="TOML with [channels.NAME] and its keys"
    )
    add_folder(again)
    again.add_argument("--json", action="store_true", help="for a program to read")
    again.set_defaults(run=guarded(_reconvert))


def _day(text: str) -> str:
    """A day, or a whole month or year, that there is in the calendar."""
    try:
        if len(text) not in (4, 7, 10):
            raise ValueError
        date.fromisoformat(text + "0000-01-01"[len(text) :])
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no day; write it as in 2026-11-25") from None
    return text


def add_folder(parser: argparse.ArgumentParser) -> None:
    """The options that say where drives lie."""
    parser.add_argument("--folder", type=Path, help=f"the daemon's folder (default {DEFAULT_FOLDER})")
    parser.add_argument("--config", type=Path, help="settings file that names the folder")


def guarded(run: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    """A command whose wrong drives and settings are a line and exit code 2, and whose failures are a line and 1."""

    def guarded(options: argparse.Namespace) -> int:
        from cabcanary.review.list.drives import DriveError
        from cabcanary.validation.problems import SettingsError

        try:
            return run(options)
        except (DriveError, SettingsError) as error:
            sys.stderr.write(f"{error}\n")
            return WRONG
        except OSError as error:
            sys.stderr.write(f"{error.filename or ''}: {error.strerror or error}\n".removeprefix(": "))
            return FAILED

    return guarded


def folder_of(options: argparse.Namespace, *, must_be: bool = True) -> Path:
    """The daemon's folder, as --folder or --config have it.

    Raises:
        DriveError: there is no such folder. SettingsError: the settings are faulty.
    """
    from cabcanary.review.list.drives import DriveError
    from cabcanary.settings.load import load_settings

    folder: Path = options.folder or DEFAULT_FOLDER
    if options.config and not options.folder:
        folder = load_settings(options.config).model.daemon.folder
    if must_be and not folder.is_dir():
        raise DriveError(f"there is no folder {folder}; name the daemon's folder with --folder or --config")
    return folder


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")


def _object(told: dict[str, Any]) -> str:
    return json.dumps(told, ensure_ascii=False)


def _drives(options: argparse.Namespace) -> int:
    from cabcanary.review.list import drives as work

    folder = folder_of(options)
    if options.action == "list":
        return _list(options, folder)
    if not options.drive:
        raise work.DriveError(f"which drive? write: cabcanary drives {options.action} DRIVE")
    match options.action:
        case "note":
            _say(work.note_drive(folder, options.drive, " ".join(options.text)))
        case "remove":
            _say(work.drop_drive(folder, options.drive, sure=options.yes))
        case action:
            _say(work.keep_drive(folder, options.drive, kept=action == "keep"))
    return OK


def _list(options: argparse.Namespace, folder: Path) -> int:
    from cabcanary.recorder.waiting import waiting_drives, waiting_lines
    from cabcanary.review.list.drives import Wanted, list_drives, table

    wanted = Wanted(
        options.vehicle, options.stage, options.since or "", options.until or "", options.alert, options.kept
    )
    drives, faults = list_drives(folder, wanted)
    for fault in faults:
        sys.stderr.write(f"left out: {fault}\n")
    if options.json:
        _say(json.dumps(drives, ensure_ascii=False, indent=1))
    elif drives:
        _say("\n".join(table(drives)))
    elif wanted != Wanted():
        _say(f"no such drives in {folder}")
    else:
        _say(f"no drives archived in {folder} yet" if waiting_drives(folder) else f"no drives recorded in {folder} yet")
    if wanted == Wanted() and not options.json:
        for line in waiting_lines(waiting_drives(folder)):
            _say(line)
    return FAILED if faults else OK


def _export(options: argparse.Namespace) -> int:
    from cabcanary.review.exchange.export import export_drive
    from cabcanary.review.list.drives import DriveError, find_drive, samples_path

    if options.uncompressed and options.to != "mdf4":
        raise DriveError("--uncompressed: only with --to mdf4")
    folder = folder_of(options)
    path, manifest = find_drive(folder, options.drive)
    target = options.output or Path(manifest.drive + _ENDINGS[options.to])
    samples = samples_path(path, manifest)
    made = export_drive(samples, options.to, target, folder, compressed=not options.uncompressed)
    if options.json:
        _say(_object({"drive": manifest.drive, "format": options.to, "files": [str(file) for file in made]}))
    else:
        _say("\n".join(f"wrote {file}" for file in made))
    return OK


def _bring_in(options: argparse.Namespace) -> int:
    if options.columns:
        from cabcanary.review.exchange.log_columns import look_into, mapping_template

        mapping_text = "\n".join(mapping_template(options.file, look_into(options.file)))
        _say(_object({"mapping": mapping_text}) if options.json else mapping_text)
        return OK
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.exchange.log_import import Origin, bring_in
    from cabcanary.review.exchange.log_mapping import Mapping
    from cabcanary.review.list.drives import DriveError

    plan = load_plan(options.config) if options.config else None
    vehicle = options.vehicle or (plan.settings.vehicle.name if plan else "")
    if not vehicle:
        raise DriveError("whose drive is it? write --vehicle NAME, or --config with the vehicle's settings")
    origin = Origin(vehicle, options.stage or (plan.settings.vehicle.stage if plan else ""), options.start)
    folder, mapping = folder_of(options, must_be=False), Mapping(options.mapping)
    done = bring_in(folder, options.file, mapping, origin, plan, believe=options.as_guessed)
    _say(_object(_as_told(done)) if options.json else "\n".join(_brought_in(options, done)))
    return OK


def _as_told(done: BroughtIn) -> dict[str, Any]:
    """An import for a program."""
    return {
        "drive": done.manifest.drive,
        "start": done.manifest.start,
        "dated": done.dated,
        "length_s": done.manifest.length_s,
        "channels": done.channels,
        "derived": done.derived,
        "left_out": done.left_out,
        "absent": list(done.absent),
        "filled_ticks": done.filled,
        "cut_short": done.torn,
        "replaced": done.replaced,
    }


def _brought_in(options: argparse.Namespace, done: BroughtIn) -> Iterator[str]:
    minutes = done.manifest.length_s / 60
    yield f"{options.file} is drive {done.manifest.drive}: {minutes:.1f} minutes, {', '.join(done.channels)}"
    if done.replaced:
        yield "it replaces the earlier import of the same file; its mark and notes stay"
    if done.derived:
        yield f"worked out of them: {', '.join(done.derived)}"
    if done.left_out:
        yield f"left out: {', '.join(done.left_out)}"
    if done.filled:
        yield f"{done.filled} ticks stand in gaps of the log, at which its channels are stale by the settings"
    if done.absent:
        yield f"the mapping names what the log does not have: {', '.join(done.absent)}"
    if done.torn:
        yield f"its last line was cut short and is left out: {done.torn}"
    if not done.dated:
        yield "its date is that of the file, which is a guess; --start says when it was"
    elif not options.start:
        yield f"it began at {done.manifest.start}, as the log says"


def _reconvert(options: argparse.Namespace) -> int:
    from cabcanary.review.exchange.reconvert import reconvert
    from cabcanary.review.list.drives import find_drive

    folder = folder_of(options)
    path, manifest = find_drive(folder, options.drive)
    made = reconvert(folder, path, manifest, options.curve)
    if options.json:
        _say(_object({"drive": made.drive, "made_of": manifest.drive, "curve": str(options.curve)}))
    else:
        _say(f"{made.drive} is {manifest.drive} with {options.curve}; {manifest.drive} stays as it was")
    return OK
