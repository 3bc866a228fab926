"""`cabcanary report`: arguments in, a page and words out."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.drives import OK, add_folder, folder_of, guarded
from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse


def add_report(verbs: Any) -> None:
    """Add the verb `report`."""
    report = verbs.add_parser(
        "report",
        help="write one drive as a page to send to a tuner or to print",
        description="Write one drive as an HTML file that needs nothing else: what was seen, for how long above each "
        "step of boost, what sounded and why, what was not seen; then each alert with its limit, mixture, charge "
        "temperature and supply. Units are those of [display] in the settings that --config names, or else in the "
        "drive's own.",
        epilog=SAFETY,
    )
    report.add_argument("drive", metavar="DRIVE", help='its name, the beginning of it, "last", or its Parquet file')
    report.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="FILE",
        help="file to write; none is written over (default: DRIVE.html, here)",
    )
    add_folder(report)
    report.add_argument(
        "--json", action="store_true", help="the same figures for a program to read; a page only where --output says so"
    )
    report.set_defaults(run=guarded(_report))


def _report(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.exchange.log_import import with_settings
    from cabcanary.review.list.drives import find_samples
    from cabcanary.review.new_files import refuse_place, refuse_taken
    from cabcanary.review.report.report import make_report, write_report

    plan = load_plan(options.config) if options.config else None
    alone = Path(options.drive).suffix == ".parquet" and Path(options.drive).is_file()
    folder = folder_of(options, must_be=not alone)
    samples = find_samples(folder, options.drive)
    target: Path | None = options.output or (None if options.json else Path(f"{samples.stem}.html"))
    if target is not None:
        refuse_place(target, folder)
        refuse_taken([target])
    with with_settings(samples, plan) as judged:
        report = make_report(judged, plan.settings.shown_in if plan else None, samples)
    if target is not None:
        write_report(report, target)
    if options.json:
        sys.stdout.write(
            json.dumps({**report.figures, "file": str(target) if target else None}, ensure_ascii=False) + "\n"
        )
    else:
        sys.stdout.write(f"wrote {target}\n")
    return OK
