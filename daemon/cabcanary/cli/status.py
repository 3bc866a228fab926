"""What is asked of the running daemon: `cabcanary status`, once or live, and `cabcanary reload`."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sys
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY, in_colour

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator

    from cabcanary.display import Display
    from cabcanary.live.ask import Asker
    from cabcanary.live.report import Report

#: How often it asks while it follows, s: a person reads no faster, and each answer costs the daemon about 0.1 ms.
_EVERY_S = 1.0
#: Lines for a log are told when something changed, and at least this often, s.
_PLAIN_EVERY_S = 10.0
#: Settings of many rules take a second to read on a desk, and ten times as long on a small busy computer.
_RELOADS_WITHIN_S = 60.0
_PIPE_WIDTH = 80
_HOME, _TO_LINE_END, _TO_END = "\x1b[H", "\x1b[K", "\x1b[J"
_OTHER_SCREEN, _OWN_SCREEN = "\x1b[?1049h\x1b[?25l", "\x1b[?25h\x1b[?1049l"


def add_status(verbs: Any) -> None:
    """Add the command to the parser."""
    status = verbs.add_parser(
        "status",
        help="what the running daemon sees now, and what stands",
        description="Ask the running daemon what it sees: every channel, the alerts that stand, what it cannot see, "
        "what it watches for, the drive, and who reads its feed.",
        epilog="Exit codes: 0 it watches and nothing stands, 1 something stands or cannot be seen, 2 the settings or "
        f"the command are wrong, 3 no daemon runs or answers. {SAFETY}",
    )
    status.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML) that the daemon runs with")
    status.add_argument("--follow", action="store_true", help="go on until Ctrl-C; live on a terminal, else lines")
    status.add_argument("--json", action="store_true", help="for a program to read: one object a line")
    status.set_defaults(run=_status)


def add_reload(verbs: Any) -> None:
    """Add the command to the parser."""
    reload = verbs.add_parser(
        "reload",
        help="have the running daemon take changed settings, without a break in the watch",
        description="Have the running daemon read its settings, rules and baselines again. They are checked beside it "
        "and taken between two ticks; where they are wrong, those in force stay. Sources, pins, buttons, outputs and "
        "the broker are opened at the start only: a change of these takes a restart, parked.",
        epilog="Exit codes: 0 the new settings are in force, 1 those of before stay, 2 the settings or the command are "
        f"wrong, 3 no daemon runs or answers. {SAFETY}",
    )
    reload.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML) that the daemon runs with")
    reload.add_argument("--json", action="store_true", help="for a program to read")
    reload.set_defaults(run=_reload)


def _reload(options: argparse.Namespace) -> int:
    from cabcanary.live.ask import Asker, StatusError

    try:
        with Asker(options.config) as asker:
            told = asker.reload(_RELOADS_WITHIN_S)
    except StatusError as error:
        return _told(str(error), 2 if error.wrong else 3, as_json=options.json)
    taken = bool(told["ok"])
    return _told(str(told["text"]), 0 if taken else 1, as_json=options.json)


def _told(text: str, code: int, *, as_json: bool) -> int:
    """In words, or for a program."""
    if as_json:
        print(json.dumps({"taken": code == 0, "text": text}, ensure_ascii=False))
    else:
        print(text, file=sys.stderr if code else sys.stdout)
    return code


def _status(options: argparse.Namespace) -> int:
    from cabcanary.live.ask import Asker, StatusError, read_display
    from cabcanary.live.report import no_answer

    try:
        asker = Asker(options.config)
    except StatusError as error:
        return _show(no_answer(str(error), wrong=True), as_json=options.json)
    display = read_display(options.config)
    with asker:
        if not options.follow:
            return _show(_report(asker), display, as_json=options.json)
        return _follow(asker, display, as_json=options.json)


def _report(asker: Asker) -> Report:
    from cabcanary.live.ask import StatusError
    from cabcanary.live.report import no_answer, report

    try:
        return report(asker.status())
    except StatusError as error:
        return no_answer(str(error), wrong=error.wrong)
    except ValueError as error:
        return no_answer(f"{error}; start it again", wrong=False)


def _show(report: Report, display: Display | None = None, *, as_json: bool) -> int:
    from cabcanary.live.page import OWN_UNITS, page

    if as_json:
        print(report.model_dump_json(), flush=True)
    elif report.exit_code > 1:
        print(report.problem, file=sys.stderr)
    else:
        print("\n".join(page(report, _width(), colour=in_colour(sys.stdout), display=display or OWN_UNITS)), flush=True)
    return report.exit_code


def _width() -> int:
    return shutil.get_terminal_size((_PIPE_WIDTH, 24)).columns


def _follow(asker: Asker, display: Display, *, as_json: bool) -> int:
    """Until Ctrl-C or SIGTERM; the code is that of the last report."""
    code = 3
    live = sys.stdout.isatty() and not as_json and os.environ.get("TERM", "dumb") != "dumb"
    shown = partial(_drawn, display) if live else _lines(as_json=as_json)
    with _until_asked_to_end(), _other_screen() if live else contextlib.nullcontext():
        while True:
            begun = time.monotonic()
            report = _report(asker)
            code = report.exit_code
            shown(report)
            if report.state == "wrong":
                break
            time.sleep(max(0.0, _EVERY_S - (time.monotonic() - begun)))
    if live and code > 1:
        print(report.problem, file=sys.stderr)
    return code


@contextlib.contextmanager
def _until_asked_to_end() -> Iterator[None]:
    """Ctrl-C, and SIGTERM as it, end what is inside, and are no error."""

    def end(*_: Any) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    except KeyboardInterrupt:
        pass
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def _other_screen() -> Iterator[None]:
    """The terminal's second screen, so that what stood on the first is there again afterwards."""
    sys.stdout.write(_OTHER_SCREEN)
    try:
        yield
    finally:
        sys.stdout.write(_OWN_SCREEN)
        sys.stdout.flush()


def _drawn(display: Display, report: Report) -> None:
    """Draw over what was drawn before; what does not fit is counted, and the most important comes first."""
    from cabcanary.live.page import page

    size = shutil.get_terminal_size((_PIPE_WIDTH, 24))
    lines = page(report, size.columns, colour=in_colour(sys.stdout), display=display)
    if len(lines) > size.lines:
        left = len(lines) - size.lines + 1
        lines = [*lines[: size.lines - 1], f"… {left} more lines"[: size.columns]]
    sys.stdout.write(_HOME + f"{_TO_LINE_END}\n".join(lines) + _TO_LINE_END + _TO_END)
    sys.stdout.flush()


def _lines(*, as_json: bool) -> Callable[[Report], None]:
    """Writes a line whenever something has changed, and every ten seconds; as JSON every time."""
    from cabcanary.live.page import short

    last, next_s = "", 0.0

    def write(report: Report) -> None:
        nonlocal last, next_s
        if as_json:
            print(report.model_dump_json(), flush=True)
            return
        line, now = short(report), time.monotonic()
        if line != last or now >= next_s:
            last, next_s = line, now + _PLAIN_EVERY_S
            print(f"{time.strftime('%H:%M:%S')}  {line}", flush=True)

    return write
