"""`cabcanary inspect`: the walk-through after an install, parked, and then a first careful drive."""

from __future__ import annotations

import json
import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from cabcanary.inspection.evidence import Answer, Evidence
    from cabcanary.inspection.record import Record
    from cabcanary.inspection.walk import Eyes
    from cabcanary.plan.plan import Plan

OK, FAILED, WRONG = 0, 1, 2


def add_inspect(verbs: Any) -> None:
    """Add the command to the parser."""
    inspect = verbs.add_parser(
        "inspect",
        help="the walk-through after an install: feed, ground, wires, sensors, idle, brake servo, outputs, a drive",
        description="Step by step after an install: what to do, what is measured, its limit, and whether it was so. On "
        "a failure it says what is most likely the cause given all that was seen, and what to measure next. Watches by "
        "the running daemon: start `cabcanary run CONFIG` in another terminal. Stopped, it is taken up where it was. "
        "The report (HTML and JSON) goes to `inspections` in the daemon's folder.",
        epilog="Exit codes: 0 everything that this vehicle can show was as it should be, 1 something failed, was "
        f"skipped or is left, 2 the settings or the command are wrong. {SAFETY}",
    )
    inspect.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML)")
    inspect.add_argument(
        "--answers", type=Path, metavar="FILE", help="take what a person types from there (TOML); asks nothing"
    )
    inspect.add_argument("--new", action="store_true", help="begin anew, whatever was stopped before")
    inspect.add_argument(
        "--bench", action="store_true", help="on the simulated vehicle of these settings; asks nothing"
    )
    inspect.add_argument("--fault", metavar="NAME", help="with --bench: what is wrong with it; '?' lists the faults")
    inspect.add_argument("--folder", type=Path, help="where the report goes (default: the daemon's folder)")
    inspect.add_argument("--json", action="store_true", help="only the record, for a program to read; asks nothing")
    inspect.set_defaults(run=_inspect)


def _inspect(options: argparse.Namespace) -> int:
    from cabcanary.inspection.live_eyes import FeedError
    from cabcanary.inspection.questions import QuestionError
    from cabcanary.inspection.record import RecordError
    from cabcanary.inspection.walk import StoppedError, Walk
    from cabcanary.plan.plan import load_plan
    from cabcanary.validation.problems import SettingsError
    from cabcanary_bench.fast.fitted import NoWireError
    from cabcanary_bench.installed.installed import NotHereError

    record = None
    tell: Callable[[str], None] = (lambda _: None) if options.json else print
    try:
        plan = load_plan(options.config)
        typed = _typed(options.answers) if options.answers else {}
        record, evidence, eyes = _prepared(options, plan, typed)
        asks = not (options.answers or options.bench or options.json)
        _begin(tell, record)
        Walk(record, evidence, eyes, tell, input if asks else None).go()
    except StoppedError:
        print("\nkept; the same command goes on", file=sys.stderr)
    except FeedError as error:
        print(error, file=sys.stderr)
        if record is None or not record.steps:
            return FAILED
    except (SettingsError, QuestionError, RecordError, NotHereError, NoWireError) as error:
        print(error, file=sys.stderr)
        return WRONG
    assert record is not None
    return _told(record, tell, as_json=options.json)


def _prepared(options: argparse.Namespace, plan: Plan, typed: dict[str, Answer]) -> tuple[Record, Evidence, Eyes]:
    from cabcanary.inspection.evidence import Evidence
    from cabcanary.inspection.live_eyes import LiveEyes
    from cabcanary.inspection.questions import QuestionError
    from cabcanary.inspection.record import FOLDER, Record, new_file, taken_up
    from cabcanary.inspection.roles import roles_of
    from cabcanary.live.ask import feed_place

    settings, roles = plan.settings, roles_of(plan)
    folder = options.folder or settings.daemon.folder
    if options.fault and not options.bench:
        raise QuestionError("--fault is for a simulated vehicle; add --bench")
    if options.bench:
        from cabcanary_bench.installed.installed import bench_eyes, fault_named

        fault = fault_named(options.fault, plan) if options.fault else None
        seen = bench_eyes(plan, fault)
        words = f"the bench's vehicle, {options.fault or 'nothing wrong'}"
        record = Record(new_file(folder / FOLDER), settings.vehicle.name, settings.vehicle.stage, words)
        return record, Evidence(roles, seen.answers | typed), seen
    record, evidence = taken_up(folder, settings.vehicle.name, settings.vehicle.stage, roles, anew=options.new)
    evidence.answers |= typed
    eyes = LiveEyes(options.config, feed_place(settings.daemon)[0], roles.names)
    eyes.ready()
    return record, evidence, eyes


def _typed(file: Path) -> dict[str, Answer]:
    from cabcanary.inspection.questions import BY_KEY, QuestionError

    if file.exists() and not file.is_file():
        raise QuestionError(f"{file}: is no file; name a file of answers (TOML)")
    try:
        raw = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise QuestionError(f"{file}: {error.strerror or error}; name a file of answers (TOML)") from None
    except (ValueError, RecursionError) as error:
        raise QuestionError(f"{file}: {error}; name a file of answers (TOML)") from None
    unknown = [key for key in raw if key not in BY_KEY]
    if unknown:
        raise QuestionError(f"{file}: nobody asks '{unknown[0]}'; the answers are: {', '.join(BY_KEY)}")
    return {key: BY_KEY[key].taken(answer) for key, answer in raw.items()}


def _begin(tell: Callable[[str], None], record: Record) -> None:
    from cabcanary.inspection.report import WARNINGS

    tell(f"Inspection of {record.vehicle}, stage '{record.stage}'")
    if record.simulated:
        tell(f"Simulated: {record.simulated}. Nothing of a vehicle is looked at.")
    tell("\n".join(f"  - {line}" for line in WARNINGS))


def _told(record: Record, tell: Callable[[str], None], *, as_json: bool) -> int:
    from cabcanary.inspection.report import NO_PROOF, headline, html

    page = record.file.with_suffix(".html")
    if record.steps:
        page.write_text(html(record), encoding="utf-8")
    if as_json:
        print(json.dumps(record.as_json() | {"report": str(page)}, ensure_ascii=False))
    else:
        for n, cause in enumerate(record.causes):
            tell(f"{'Also possible' if n else chr(10) + 'Most likely'}: {cause['words']}\n    next: {cause['next']}")
        tell(f"\n{headline(record)}. {NO_PROOF}\nreport: {page}\n{SAFETY}")
    return OK if record.complete else FAILED
