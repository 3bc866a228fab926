"""The command line: one verb each, no logic.

Exit codes: 0 all well, 1 it did not work, 2 the settings or the command are wrong; status: 3 no daemon answers.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

OK, FAILED, WRONG = 0, 1, 2

# What else is needed is imported inside `main`, so that Ctrl-C is no error from the first moment on.


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code. What the outside world refuses is one line, and no trace."""
    try:
        if arguments is None:
            _keep_warnings_of_libraries_to_developers()
        options = _parser().parse_args(arguments)
        code: int = options.run(options)
    except KeyboardInterrupt:
        return FAILED
    except BrokenPipeError:
        # The reader of our output has seen enough (| head).
        sys.stderr.close()
        return OK
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        print(f"{place}{error.strerror or error}", file=sys.stderr)
        return FAILED
    return code


def _keep_warnings_of_libraries_to_developers() -> None:
    """Who wants to see them says so: `python -W default -m cabcanary`, or PYTHONWARNINGS."""
    import warnings

    if not sys.warnoptions:
        warnings.simplefilter("ignore")


def _parser() -> argparse.ArgumentParser:
    from pathlib import Path

    from cabcanary import __version__
    from cabcanary.cli.backtests import add_backtest
    from cabcanary.cli.bench import add_bench
    from cabcanary.cli.calibrate import add_calibrate
    from cabcanary.cli.check import add_check
    from cabcanary.cli.drives import add_drive_verbs
    from cabcanary.cli.inspect import add_inspect
    from cabcanary.cli.new import add_new
    from cabcanary.cli.pages import add_pages
    from cabcanary.cli.replays import add_replay
    from cabcanary.cli.report import add_report
    from cabcanary.cli.rules import add_rules
    from cabcanary.cli.shared import SAFETY, Parser
    from cabcanary.cli.stage import add_stage
    from cabcanary.cli.status import add_reload, add_status
    from cabcanary.cli.witness import add_witness

    parser = Parser(
        prog="cabcanary",
        description="In-cab safety monitor for an engine that is getting boost.",
        epilog=SAFETY,
    )
    parser.add_argument("--version", action="version", version=f"cabcanary {__version__}")
    verbs = parser.add_subparsers(required=True, metavar="COMMAND")

    run = verbs.add_parser("run", help="watch the vehicle: the daemon", epilog=SAFETY)
    run.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML)")
    run.add_argument("--speed", type=float, default=1.0, help="bench only: run the clock this many times as fast")
    run.set_defaults(run=_run)

    add_new(verbs)
    add_inspect(verbs)
    add_stage(verbs)
    add_status(verbs)
    add_reload(verbs)
    add_pages(verbs)
    add_check(verbs)
    add_calibrate(verbs)
    add_bench(verbs)

    listen = verbs.add_parser("listen", help="show raw readings of a wire as they come; sends nothing", epilog=SAFETY)
    listen.add_argument(
        "source",
        metavar="SOURCE",
        help="a serial port (/dev/ttyUSB0@19200), KIND or KIND:PLACE (iio, gpio:17, can:slcan:/dev/ttyACM0@500000), "
        "or a source's name with --config; '?' lists every kind",
    )
    listen.add_argument("--config", type=Path, help="settings file in which SOURCE is named")
    listen.add_argument("--seconds", type=float, help="stop after this long")
    listen.add_argument("--json", action="store_true", help="for a program to read: one object a line")
    listen.set_defaults(run=_listen)

    watch = verbs.add_parser(
        "watch", help="sound 'monitor stopped' when the daemon is gone: runs beside it, always", epilog=SAFETY
    )
    watch.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML)")
    watch.set_defaults(run=_watch)

    heard = verbs.add_parser(
        "sounds", help="the sounds: as WAV files, or played for a passenger to confirm", epilog=SAFETY
    )
    heard.add_argument("config", type=Path, nargs="?", metavar="CONFIG", help="for --check: whose outputs play")
    way = heard.add_mutually_exclusive_group()
    way.add_argument("--wav", type=Path, metavar="FOLDER", help="write each sound as a WAV file")
    way.add_argument("--check", action="store_true", help="play each for a passenger to confirm, at speed")
    heard.add_argument("--json", action="store_true", help="for a program to read")
    heard.set_defaults(run=_sounds)

    add_rules(verbs)
    add_replay(verbs)
    add_backtest(verbs)
    add_drive_verbs(verbs)
    add_report(verbs)
    add_witness(verbs)
    _add_conventions(verbs, parser)
    return parser


def _add_conventions(verbs: argparse._SubParsersAction[Any], parser: argparse.ArgumentParser) -> None:
    """What every command line should have: completion and a manual, both made from the parser."""
    from functools import partial

    from cabcanary.cli.completion import SHELLS

    completion = verbs.add_parser("completion", help="print what a shell needs to complete commands")
    completion.add_argument("shell", choices=sorted(SHELLS), metavar="SHELL", help=", ".join(sorted(SHELLS)))
    completion.set_defaults(run=partial(_completion, parser))

    manual = verbs.add_parser("manual", help="print the manual page, for `man -l -`")
    manual.set_defaults(run=partial(_manual, parser))


def _completion(parser: argparse.ArgumentParser, options: argparse.Namespace) -> int:
    from cabcanary.cli.completion import SHELLS
    from cabcanary.cli.described import described

    print(SHELLS[options.shell](described(parser)), end="")
    return OK


def _manual(parser: argparse.ArgumentParser, _: argparse.Namespace) -> int:
    from cabcanary.cli.described import described
    from cabcanary.cli.manual import manual

    print(manual(described(parser)), end="")
    return OK


def _run(options: argparse.Namespace) -> int:
    from cabcanary.clocks import make_clock
    from cabcanary.plan.plan import load_plan
    from cabcanary.processes.host import AlreadyWatchedError, claim
    from cabcanary.runtime.daemon import Daemon
    from cabcanary.validation.problems import SettingsError

    try:
        plan = load_plan(options.config, to_watch=True)
        clock = make_clock(options.speed)
    except (SettingsError, ValueError) as error:
        print(error, file=sys.stderr)
        return WRONG

    try:
        claim(plan.settings.daemon.folder)
    except AlreadyWatchedError as error:
        print(error, file=sys.stderr)
        return FAILED

    async def run() -> None:
        await Daemon(plan, clock, sys.stdout).run()

    clock.run(run())
    return OK


def _listen(options: argparse.Namespace) -> int:
    from cabcanary.cli.listening import as_json, listen, parse_wire, wire_of_source
    from cabcanary.settings.load import load_settings
    from cabcanary.sources.listening import ListenError
    from cabcanary.validation.problems import SettingsError

    try:
        if options.config:
            wire = wire_of_source(load_settings(options.config).model, options.source)
        else:
            wire = parse_wire(options.source)
    except (ListenError, SettingsError) as error:
        print(error, file=sys.stderr)
        return WRONG
    try:
        for line in listen(wire, options.seconds):
            print(as_json(line) if options.json else line, flush=True)
    except ListenError as error:
        print(error, file=sys.stderr)
        return FAILED
    return OK


def _watch(options: argparse.Namespace) -> int:
    import asyncio

    from cabcanary.watch import WatcherError, watch

    try:
        asyncio.run(watch(options.config, sys.stdout))
    except WatcherError as error:
        print(error, file=sys.stderr)
        return WRONG if error.wrong else FAILED
    return OK


def _sounds(options: argparse.Namespace) -> int:
    import json

    from cabcanary.cli.sounds import AuditionError, audition, lines, table, write_all

    if options.config is not None and not options.check:
        print(f"{options.config} says by what sounds are played, which is for --check; add that", file=sys.stderr)
        return WRONG
    try:
        if options.wav:
            for path in write_all(options.wav):
                print(path)
            return OK
        if options.check:
            return OK if audition(options.config, as_json=options.json) else FAILED
        print(json.dumps(table(), indent=1) if options.json else "\n".join(lines()))
    except AuditionError as error:
        print(error, file=sys.stderr)
        return WRONG if error.wrong else FAILED
    return OK
