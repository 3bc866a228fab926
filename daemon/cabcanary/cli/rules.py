"""The command line of rules: try their examples, explain them, trace them through a drive."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import DEFAULT_CONFIG, DEFAULT_FOLDER, SAFETY
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    import argparse

OK, FAILED, WRONG = 0, 1, 2

#: A trace shows this long before and after its instant.
_AROUND_S = 1.0


def add_rules(verbs: Any) -> None:
    """Add the verb `rules` with its own."""
    rules = verbs.add_parser("rules", help="try, explain and trace rules", epilog=SAFETY)
    what = rules.add_subparsers(required=True, metavar="WHAT")

    test = what.add_parser("test", help="run the examples that stand beside the rules", epilog=SAFETY)
    test.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="rule files, or settings files for all of theirs"
    )
    test.add_argument("--config", type=Path, help="settings file whose channels the rule files speak of")
    test.add_argument("--json", action="store_true", help="for a program to read")
    test.set_defaults(run=_test)

    explain = what.add_parser("explain", help="say in plain words what a rule does, with its numbers", epilog=SAFETY)
    explain.add_argument("id", metavar="ID", help="the rule")
    explain.add_argument(
        "--config", type=Path, default=DEFAULT_CONFIG, help=f"settings file (default {DEFAULT_CONFIG})"
    )
    explain.set_defaults(run=_explain)

    trace = what.add_parser("trace", help="show tick by tick why a rule did or did not trip in a drive", epilog=SAFETY)
    trace.add_argument(
        "drive", metavar="DRIVE", help='a recorded drive: its name, the beginning of it, "last", or its Parquet file'
    )
    trace.add_argument("id", metavar="ID", help="the rule")
    trace.add_argument("--at", type=float, metavar="SECONDS", help="from the drive's start; default: the first trip")
    trace.add_argument("--around", type=float, default=_AROUND_S, metavar="SECONDS", help="before and after it (1)")
    trace.add_argument(
        "--config",
        type=Path,
        help="these settings' rules instead of those of the drive; needed for a log that was imported without settings",
    )
    trace.add_argument("--folder", type=Path, default=DEFAULT_FOLDER, help=f"the daemon's folder ({DEFAULT_FOLDER})")
    trace.add_argument("--json", action="store_true", help="for a program to read")
    trace.set_defaults(run=_trace)

    baseline = verbs.add_parser("baseline", help="normal values of this stage: measure them, list them", epilog=SAFETY)
    doing = baseline.add_subparsers(required=True, metavar="WHAT")
    measure = doing.add_parser(
        "measure", help="measure the rules' baselines on good drives of this stage", epilog=SAFETY
    )
    measure.add_argument("drives", nargs="+", metavar="DRIVE", help="recorded drives, by name or Parquet file")
    measure.add_argument(
        "--accept", action="store_true", help="take for normal what lies above the stage before and is not explained"
    )
    listed = doing.add_parser("list", help="show the measured baselines")
    for verb, run in ((measure, _measure), (listed, _list_baselines)):
        verb.add_argument("--config", type=Path, default=DEFAULT_CONFIG, help=f"settings file ({DEFAULT_CONFIG})")
        verb.add_argument("--json", action="store_true", help="for a program to read")
        verb.set_defaults(run=run)


def _test(options: argparse.Namespace) -> int:
    from cabcanary.review.rules.rule_files import RuleFilesError, report_lines, try_rule_files
    from cabcanary.validation.problems import SettingsError

    ok, reports = True, []
    try:
        for report in try_rule_files(options.files, options.config):
            ok = ok and report.ok
            reports.append(report.as_json())
            if not options.json:
                print("\n".join(report_lines(report)), flush=True)
    except (RuleFilesError, SettingsError) as error:
        print(error, file=sys.stderr)
        return WRONG
    if options.json:
        print(json.dumps({"ok": ok, "files": reports}, ensure_ascii=False, indent=1))
    return OK if ok else FAILED


def _explain(options: argparse.Namespace) -> int:
    from cabcanary.review.rules.rule_files import RuleFilesError, find_rule
    from cabcanary.rules.explain import explain
    from cabcanary.validation.problems import SettingsError

    try:
        _, rule = find_rule(options.config, options.id)
    except (RuleFilesError, SettingsError) as error:
        print(error, file=sys.stderr)
        return WRONG
    print("\n".join(explain(rule)))
    return OK


def _trace(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.exchange.log_import import with_settings
    from cabcanary.review.list.drives import DriveError, find_samples
    from cabcanary.review.list.recorded_drive import read_drive
    from cabcanary.review.rules.rule_files import RuleFilesError, rule_of, trace, trace_json, trace_lines
    from cabcanary.validation.problems import SettingsError

    if options.around <= 0:
        print("--around takes more than 0 seconds", file=sys.stderr)
        return WRONG
    try:
        chosen = load_plan(options.config) if options.config else None
        with with_settings(find_samples(options.folder, options.drive), chosen) as samples:
            drive = read_drive(samples)
            plan = chosen or drive.plan
            drive.refuse_other_units(plan)
            found = trace(drive, plan, rule_of(plan, options.id), options.at, options.around)
    except (RuleFilesError, DriveError, SettingsError) as error:
        print(error, file=sys.stderr)
        return WRONG
    if options.json:
        print(json.dumps(trace_json(found), ensure_ascii=False))
    else:
        for line in trace_lines(found):
            print(line)
    return OK


def _measure(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.list.drives import DriveError, find_samples
    from cabcanary.review.list.recorded_drive import read_drive
    from cabcanary.review.rules.baseline import NotMeasured, measure
    from cabcanary.store.baselines import BaselinesError, read_baselines, write_baselines
    from cabcanary.validation.problems import SettingsError

    try:
        plan = load_plan(options.config)
        folder = plan.settings.daemon.folder
        drives = [read_drive(find_samples(folder, name)) for name in options.drives]
        kept = read_baselines(folder)
    except (SettingsError, DriveError, BaselinesError) as error:
        print(error, file=sys.stderr)
        return WRONG
    if not plan.baseline_specs:
        print("no rule file of these settings describes a baseline; add a table [baselines.NAME]", file=sys.stderr)
        return WRONG
    found = measure(plan, plan.baseline_specs, drives, accept=options.accept)
    missing = [f for f in found if isinstance(f, NotMeasured)]
    measured = [f for f in found if not isinstance(f, NotMeasured)]
    for new in measured:
        kept = kept.with_one(new)
    try:
        if measured:
            write_baselines(folder, kept)
    except OSError as error:
        print(f"{folder} cannot be written: {error.strerror or error}", file=sys.stderr)
        return FAILED
    if options.json:
        answer = {
            "measured": [b.model_dump() for b in measured],
            "not_measured": [{"name": m.name, "why": m.why} for m in missing],
        }
        print(json.dumps(answer, ensure_ascii=False, indent=1))
    else:
        _show_baselines(measured)
        for gap in missing:
            print(f"{gap.name}: NOT measured: {gap.why}")
        if measured:
            print("The daemon takes it up at its next start, or now: cabcanary reload CONFIG.")
            print("A change of fuel, tune or part makes it void.")
    return FAILED if missing else OK


def _list_baselines(options: argparse.Namespace) -> int:
    from cabcanary.settings.load import load_settings
    from cabcanary.store.baselines import BaselinesError, read_baselines
    from cabcanary.validation.problems import SettingsError

    try:
        kept = read_baselines(load_settings(options.config).model.daemon.folder)
    except (SettingsError, BaselinesError) as error:
        print(error, file=sys.stderr)
        return WRONG
    if options.json:
        print(json.dumps([b.model_dump() for b in kept.baselines], ensure_ascii=False, indent=1))
    elif kept.baselines:
        _show_baselines(kept.baselines)
    else:
        print("nothing has been measured yet; `cabcanary baseline measure DRIVE ...` does it on good drives")
    return OK


def _show_baselines(baselines: list[Any]) -> None:
    for b in baselines:
        pairs = ", ".join(
            f"{spelt(y, 4)} {b.unit}" + (f" at {spelt(x)} {b.by_unit} {b.by}" if b.by else "") for x, y in b.points
        )
        print(
            f"{b.name} (stage: {b.stage}): {b.of} {pairs}, within ± {spelt(b.spread, 2)} for 90 % of {b.seconds:.0f} s"
        )
