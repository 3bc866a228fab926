"""`cabcanary stage`: the stages of the build: shown, begun and ended, joints confirmed, boost raised step by step."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY
from cabcanary.cli.stage_notes import FACTS, RefusedError, WrongError, declare, fuel, take, today, trends

if TYPE_CHECKING:
    from cabcanary.plan.plan import Plan

OK, REFUSED, WRONG = 0, 1, 2
_ACTIONS = ("show", "review", "trends", "begin", "end", "confirm", "raise", "declare", "fuel")


def add_stage(verbs: Any) -> None:
    """Add the command to the parser."""
    stage = verbs.add_parser(
        "stage",
        help="the stages of the build: what they are, what bounds their boost; begin, end, confirm, raise, declare",
        description="show: what the stage in force is made of, and what bounds its boost. review: for each criterion "
        "what its drives have shown, the limit, and pass, fail or not enough yet. trends: slopes and steps over its "
        "drives. begin STAGE: go on to it, which is refused with the name of each joint that does not stand its limit. "
        "end: it is over. confirm JOINT: somebody has looked at it. raise: the next boost step, once the last was "
        "carried for long enough without an alert. declare: another fuel, tune, fuelling or compressor, which voids "
        "what was measured with the old one; or the serial number of a sensor that was fitted. fuel: a receipt, which "
        "is shown among the trends.",
        epilog="Exit codes: 0 done, 1 refused, or a review that is no pass, 2 the command or the settings are wrong. "
        f"The daemon takes a change at its next start, or with cabcanary reload. {SAFETY}",
    )
    stage.intermixed = True
    stage.add_argument("config", type=Path, metavar="CONFIG", help="settings file (TOML)")
    stage.add_argument(
        "action", nargs="?", default="show", choices=_ACTIONS, metavar="ACTION", help=", ".join(_ACTIONS)
    )
    stage.add_argument("what", nargs="?", default="", metavar="NAME", help="a stage, or a joint")
    stage.add_argument("--by", default="", metavar="WHO", help="who begins it, or has looked at the joint")
    stage.add_argument("--held-by", choices=("bare", "clamped", "bead"), help="confirm: what holds the joint")
    for fact in FACTS:
        stage.add_argument(f"--{fact}", metavar="WHAT", help=f"declare: the {fact}")
    stage.add_argument("--part", default="", metavar="CHANNEL", help="declare: the channel whose sensor was fitted")
    stage.add_argument("--serial", default="", metavar="NUMBER", help="declare: that sensor's serial number")
    stage.add_argument("--date", type=_day, default=None, metavar="DAY", help="declare, fuel: when (today), YYYY-MM-DD")
    stage.add_argument("--litres", type=float, metavar="L", help="fuel: how much was filled")
    stage.add_argument("--blend", default="", metavar="NAME", help="fuel: which fuel, as in E5, E10 or E85 (as before)")
    stage.add_argument(
        "--ethanol", type=float, metavar="PERCENT", help="fuel: its ethanol by volume, where you know it better"
    )
    stage.add_argument(
        "-o", "--output", type=Path, metavar="FILE", help="trends: a page with plots; none is written over"
    )
    stage.add_argument(
        "--against", default="", metavar="STAGE", help="review: the stage to compare with (the one before)"
    )
    stage.add_argument("--json", action="store_true", help="show, review and trends: for a program to read")
    stage.set_defaults(run=_stage, refused=False)


def _stage(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.list.drives import DriveError
    from cabcanary.settings.editing import CannotEditError
    from cabcanary.store.fuel_receipts import ReceiptsError
    from cabcanary.validation.problems import SettingsError

    try:
        plan = load_plan(options.config)
        lines = _DO[options.action](plan, options)
    except (SettingsError, CannotEditError, WrongError, DriveError, ReceiptsError) as error:
        print(error, file=sys.stderr)
        return WRONG
    except RefusedError as error:
        print(error, file=sys.stderr)
        return REFUSED
    print("\n".join(lines))
    return REFUSED if options.refused else OK


# --- show -----------------------------------------------------------------------------------------------------------


def _show(plan: Plan, options: argparse.Namespace) -> list[str]:
    from cabcanary.review.stages.shown import as_json, lines

    return [json.dumps(as_json(plan), ensure_ascii=False)] if options.json else lines(plan)


def _review(plan: Plan, options: argparse.Namespace) -> list[str]:
    from cabcanary.review.stages.judgement import PASS, drives_of, lines, review, verdict_of

    stages, stage = plan.settings.vehicle.all_stages, plan.settings.vehicle.stage
    at = stages.index(stage)
    against = options.against or (stages[at - 1] if at else "")
    if against and against not in stages:
        raise WrongError(f"there is no stage '{against}'; the stages are: {', '.join(stages)}")
    found = drives_of(plan, {stage, against} - {""})
    now, before = found[stage], found.get(against)
    if not now.figures:
        raise RefusedError(f"there is no drive of stage '{stage}' in {plan.settings.daemon.folder}; drive first")
    before = before if before is not None and before.figures else None
    criteria = review(plan, now, before)
    options.refused = verdict_of(criteria) != PASS
    if options.json:
        told = {"stage": stage, "against": against if before else None, "verdict": verdict_of(criteria)}
        told["seen"] = None if now.seen is None else now.seen.sentence
        return [json.dumps(told | {"criteria": [c.as_json() for c in criteria]}, ensure_ascii=False)]
    return lines(plan, now, before, criteria)


# --- changes --------------------------------------------------------------------------------------------------------


def _begin(plan: Plan, options: argparse.Namespace) -> list[str]:
    from cabcanary.plan.hoses import in_psi, too_weak
    from cabcanary.review.stages.editing import EditedFile
    from cabcanary.review.stages.shown import limits_of
    from cabcanary.settings.build_stages import Built

    stages, stage = plan.settings.vehicle.all_stages, options.what
    if stage not in stages:
        raise WrongError(f"there is no stage '{stage}'; the stages are: {', '.join(stages)}")
    built = plan.settings.built.get(stage, Built())
    limit = built.boost_steps[0] if built.boost_steps else limits_of(plan).get(stage)
    weak = too_weak(plan.settings, limit, stage)
    if weak:
        joints = "\n".join(f"  {b.words} stands {in_psi(b.pa)}" for b in weak)
        raise RefusedError(
            f"stage '{stage}' is not begun: it goes up to {in_psi(limit or 0.0)}, and\n{joints}\n"
            f"clamp each, look at it, then: cabcanary stage {plan.file} confirm JOINT --by WHO --held-by clamped"
        )
    edited = EditedFile(plan.file)
    edited.put(("vehicle", "stage"), stage)
    edited.put(("built", stage, "begun"), today())
    if options.by:
        edited.put(("built", stage, "begun_by"), options.by)
    if built.boost_steps:
        edited.put(("built", stage, "step"), 1)
    edited.save()
    return [f"{plan.settings.vehicle.name} is in stage '{stage}'; {take(plan)}", SAFETY]


def _end(plan: Plan, _options: argparse.Namespace) -> list[str]:
    from cabcanary.review.stages.editing import EditedFile

    stage = plan.settings.vehicle.stage
    edited = EditedFile(plan.file)
    edited.put(("built", stage, "ended"), today())
    edited.save()
    return [f"stage '{stage}' has ended today; its limits hold until another begins"]


def _confirm(plan: Plan, options: argparse.Namespace) -> list[str]:
    from cabcanary.review.stages.editing import EditedFile

    joint = next((j for j in plan.settings.joints if j.name == options.what), None)
    if joint is None:
        names = ", ".join(f"'{j.name}'" for j in plan.settings.joints) or "none; add [[joints]] to the settings"
        raise WrongError(f"there is no joint '{options.what}'; there are: {names}")
    if not options.by:
        raise WrongError("who has looked at it? add --by WHO")
    edited = EditedFile(plan.file)
    at = ("joints", plan.settings.joints.index(joint))
    new = {"held_by": options.held_by or joint.held_by, "confirmed_by": options.by, "confirmed": today()}
    for key, value in new.items():
        edited.put((*at, key), value)
    edited.save()
    return [f"joint '{joint.name}', {options.held_by or joint.held_by}: confirmed by {options.by}"]


def _raise(plan: Plan, _options: argparse.Namespace) -> list[str]:
    from cabcanary.plan.hoses import in_psi, too_weak
    from cabcanary.review.stages.clean import carried
    from cabcanary.review.stages.editing import EditedFile

    stage = plan.settings.vehicle.stage
    built = plan.settings.built.get(stage)
    if built is None or built.step_pa is None:
        raise WrongError(f"stage '{stage}' has no boost_steps; write them under [built.{json.dumps(stage)}]")
    if built.step == len(built.boost_steps):
        raise RefusedError(f"stage '{stage}' is at its last step, {in_psi(built.step_pa)}")
    seen = carried(plan)
    if seen.seconds < built.clean:
        since = f", since {seen.broken_by} sounded" if seen.broken_by else ""
        raise RefusedError(
            f"not raised: {seen.seconds:.0f} s of {built.clean:.0f} s near {in_psi(built.step_pa)} without an alert, "
            f"in {seen.drives} drives{since}; {built.clean - seen.seconds:.0f} s more are wanted"
        )
    next_pa = built.boost_steps[built.step]
    weak = too_weak(plan.settings, next_pa, stage)
    if weak:
        raise RefusedError(f"not raised: {weak[0].words} stands {in_psi(weak[0].pa)}; clamp and confirm it first")
    edited = EditedFile(plan.file)
    edited.put(("built", stage, "step"), built.step + 1)
    edited.save()
    return [f"boost step {built.step + 1} of {len(built.boost_steps)}: {in_psi(next_pa)}; {take(plan)}", SAFETY]


def _day(text: str) -> date:
    """A day as a person writes it."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no day; write one as in 2026-11-28") from None


_DO = {
    "show": _show,
    "review": _review,
    "trends": trends,
    "begin": _begin,
    "end": _end,
    "confirm": _confirm,
    "raise": _raise,
    "declare": declare,
    "fuel": fuel,
}
