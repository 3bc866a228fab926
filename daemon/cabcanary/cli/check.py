"""`cabcanary check`: every problem of the settings and rules, and what the vehicle is watched for with them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from cabcanary.plan.coverage import Coverage
    from cabcanary.plan.plan import Plan

OK, GAPS, WRONG = 0, 1, 2


def add_check(verbs: Any) -> None:
    """Add the command to the parser."""
    check = verbs.add_parser(
        "check", help="validate settings and rules, and say what the vehicle is watched for", epilog=SAFETY
    )
    check.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML)")
    check.add_argument("--json", action="store_true", help="for a program to read")
    check.set_defaults(run=_check)


def _check(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.validation.problems import SettingsError

    try:
        plan = load_plan(options.config, look_into_dbc=True, to_watch=True)
    except SettingsError as error:
        if options.json:
            print(json.dumps({"ok": False, "problems": [p.as_json() for p in error.problems]}, ensure_ascii=False))
        else:
            print(error)
            count = len(error.problems)
            print(f"\n{count} problem{'s' if count != 1 else ''} in {options.config}")
        return WRONG
    covered = plan.coverage
    if options.json:
        print(json.dumps(_checked(plan, covered), ensure_ascii=False))
    else:
        print("\n".join(check_lines(plan, covered, options.config)))
    return GAPS if covered.gaps else OK


def _checked(plan: Plan, covered: Coverage) -> dict[str, Any]:
    return {
        "ok": not covered.gaps,
        "problems": [],
        "unusual": [p.as_json() for p in plan.unusual],
        "coverage": covered.as_json(),
        "rules": [r.id for r in plan.rules.rules],
        "not_fitted": [
            {"rule": n.id, "channel": n.channel, "baseline": n.baseline, "needs": n.words, "hint": n.hint}
            for n in plan.not_fitted
        ],
        "limits_confirmed_by": plan.settings.limits.confirmed_by,
    }


def check_lines(plan: Plan, covered: Coverage, config: Path) -> Iterator[str]:
    """What `check` says, line by line."""
    from cabcanary.plan.coverage import bus_alone_line

    if covered.gaps:
        yield f"{config}: {covered.gap_line}"
    vehicle = plan.settings.vehicle
    count = f"{len(plan.settings.channels)} channels, {len(plan.rules.rules)} rules"
    yield f"{config}: {count}, {'see above' if covered.gaps else 'no problem found'}"
    yield f"{vehicle.name}, stage '{vehicle.stage}', is watched for:"
    for part in covered.parts:
        yield f"    {part.words}"
    if alone := bus_alone_line(plan.settings):
        yield alone
    if plan.settings.compressor is None:
        yield "which compressor, and from which stage on, is not said: taken for fitted; add [compressor] with its kind"
    for problem in plan.unusual:
        where = f"{problem.file}:{problem.line}" + (f":{problem.column}" if problem.column else "")
        yield f"{where}: {problem.name}: {problem.message}; usual: {problem.fix}"
    yield from plan.defect_lines()
    yield from plan.stage_lines()
    for rule in plan.not_fitted:
        yield f"not fitted: rule {rule.id} {rule.words}; {rule.hint}"
    for running in plan.rules.rules:
        for name, cost in running.lacks:
            yield f"rule {running.id} does without {name}{': ' + cost if cost else ''}"
    if not plan.settings.limits.confirmed_by:
        yield "limits are examples: have a qualified tuner confirm them, then set limits.confirmed_by"
