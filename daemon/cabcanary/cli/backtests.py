"""The command line of `backtest`: other rules on drives of the past."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import DEFAULT_FOLDER, SAFETY

if TYPE_CHECKING:
    import argparse

OK, FAILED, WRONG = 0, 1, 2


def add_backtest(verbs: Any) -> None:
    """Add the verb `backtest`."""
    backtest = verbs.add_parser(
        "backtest",
        help="try rules on past drives",
        description="Try rules on recorded drives: the alarms that would have sounded, compared with other rules; "
        "the alarm load; near misses; and the alarms that other limits would have given.",
        epilog=f"{SAFETY} Silence on old drives is no proof that a limit is safe.",
    )
    backtest.add_argument(
        "drives", nargs="+", metavar="DRIVES", help='names or their beginnings, folders, Parquet files, "last" or "all"'
    )
    backtest.add_argument(
        "--rules", type=Path, metavar="FILE", help="rule file or settings file (default: what each was driven with)"
    )
    backtest.add_argument(
        "--against",
        nargs="?",
        const="",
        metavar="FILE",
        help="the rules before the change; without FILE those that each was driven with",
    )
    backtest.add_argument(
        "--sweep",
        nargs="+",
        default=[],
        metavar="RULE[:CHANNEL]",
        help='try other values of this rule\'s limit; "all" for every rule',
    )
    backtest.add_argument("--range", nargs=2, type=float, metavar=("LOW", "HIGH"), help="values to try, in its unit")
    backtest.add_argument("--steps", type=int, default=25, metavar="N", help="how many values to try (25)")
    backtest.add_argument(
        "--bad", nargs="+", default=[], metavar="DRIVES", help="drives in which the swept rule should sound"
    )
    backtest.add_argument("--plot", type=Path, metavar="FILE.svg", help="write the sweep as a picture")
    backtest.add_argument("--workers", type=int, metavar="N", help="processes (default: one for each core)")
    backtest.add_argument("--scheduler", default="", metavar="ADDRESS", help="a Dask scheduler, as in tcp://host:8786")
    backtest.add_argument("--folder", type=Path, help=f"the daemon's folder (default {DEFAULT_FOLDER})")
    backtest.add_argument("--config", type=Path, help="settings file that names the folder")
    backtest.add_argument("--json", action="store_true", help="for a program to read")
    backtest.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    from cabcanary.review.backtest.campaign import NothingTriedError, Wanted, try_rules
    from cabcanary.review.backtest.parallel import SchedulerError
    from cabcanary.review.backtest.report import all_lines, fault_lines
    from cabcanary.review.backtest.rule_choice import RulesError
    from cabcanary.review.backtest.sweep_plot import write_plot
    from cabcanary.review.list.recorded_drive import RecordedError
    from cabcanary.settings.load import load_settings
    from cabcanary.validation.problems import SettingsError

    problem = _problem(options)
    if problem:
        print(problem, file=sys.stderr)
        return WRONG
    try:
        folder = options.folder or DEFAULT_FOLDER
        if options.config and not options.folder:
            folder = load_settings(options.config).model.daemon.folder
        wanted = Wanted(
            options.drives,
            folder,
            options.rules,
            options.against,
            options.bad,
            options.sweep,
            tuple(options.range) if options.range else None,
            options.steps,
            options.workers,
            options.scheduler,
        )
        totals = try_rules(wanted)
    except (RecordedError, SettingsError, RulesError, NothingTriedError, SchedulerError) as error:
        print(error, file=sys.stderr)
        return WRONG
    if options.json:
        print(json.dumps(totals.as_json(), ensure_ascii=False))
    else:
        print("\n".join(all_lines(totals)))
    print("".join(f"{line}\n" for line in fault_lines(totals.faults)), end="", file=sys.stderr)
    if options.plot and totals.sweeps:
        try:
            write_plot(options.plot, totals.sweeps[0])
        except OSError as error:
            print(f"{options.plot} cannot be written: {error.strerror or error}", file=sys.stderr)
            return FAILED
    return FAILED if totals.faults else OK


def _problem(options: argparse.Namespace) -> str:
    if (options.plot or options.range or options.bad) and not options.sweep:
        return "--plot, --range and --bad go with --sweep RULE"
    if (options.plot or options.range) and (len(options.sweep) > 1 or options.sweep == ["all"]):
        return "--plot and --range go with the sweep of one rule"
    if options.workers is not None and options.workers < 1:
        return "--workers takes 1 or more"
    return ""
