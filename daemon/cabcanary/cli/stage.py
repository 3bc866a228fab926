"""`cabcanary stage`: the stages of the build: shown, begun and ended, joints confirmed, boost raised step by step."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse

    from cabcanary.plan.plan import Plan

OK, REFUSED, WRONG = 0, 1, 2
_ACTIONS = ("show", "review", "trends", "begin", "end", "confirm", "raise", "declare")
_FACTS = ("fuel", "tune", "fuelling", "compressor")


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
        "what was measured with the old one.",
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
    for fact in _FACTS:
        stage.add_argument(f"--{fact}", metavar="WHAT", help=f"declare: the {fact}")
    stage.add_argument(
        "--against", default="", metavar="STAGE", help="review: the stage to compare with (the one before)"
    )
    stage.add_argument("--json", action="store_true", help="show and review: for a program to read")
    stage.set_defaults(run=_stage, refused=False)


class _RefusedError(Exception):
    """It is not done; the message says why and what to do."""


class _WrongError(Exception):
    """The command cannot be meant so."""


def _stage(options: argparse.Namespace) -> int:
    from cabcanary.plan.plan import load_plan
    from cabcanary.settings.editing import CannotEditError
    from cabcanary.validation.problems import SettingsError

    try:
        plan = load_plan(options.config)
        lines = _DO[options.action](plan, options)
    except (SettingsError, CannotEditError, _WrongError) as error:
        print(error, file=sys.stderr)
        return WRONG
    except _RefusedError as error:
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
        raise _WrongError(f"there is no stage '{against}'; the stages are: {', '.join(stages)}")
    found = drives_of(plan, {stage, against} - {""})
    now, before = found[stage], found.get(against)
    if not now.figures:
        raise _RefusedError(f"there is no drive of stage '{stage}' in {plan.settings.daemon.folder}; drive first")
    before = before if before is not None and before.figures else None
    criteria = review(plan, now, before)
    options.refused = verdict_of(criteria) != PASS
    if options.json:
        told = {"stage": stage, "against": against if before else None, "verdict": verdict_of(criteria)}
        return [json.dumps(told | {"criteria": [c.as_json() for c in criteria]}, ensure_ascii=False)]
    return lines(plan, now, before, criteria)


def _trends(plan: Plan, options: argparse.Namespace) -> list[str]:
    from cabcanary.review.stages.judgement import drives_of
    from cabcanary.review.stages.trends import LEAST_DRIVES, trends

    stage = plan.settings.vehicle.stage
    drives = drives_of(plan, {stage})[stage].figures
    found = trends(drives)
    if options.json:
        return [json.dumps({"stage": stage, "trends": [t.as_json() for t in found]}, ensure_ascii=False)]
    if not found:
        raise _RefusedError(
            f"no figure was seen in {LEAST_DRIVES} drives of stage '{stage}' yet; there are {len(drives)}"
        )
    return [f"stage '{stage}', from the first drive to the last:", *(f"  {t.line()}" for t in found)]


# --- changes --------------------------------------------------------------------------------------------------------


def _begin(plan: Plan, options: argparse.Namespace) -> list[str]:
    from cabcanary.plan.hoses import in_psi, too_weak
    from cabcanary.review.stages.editing import EditedFile
    from cabcanary.review.stages.shown import limits_of
    from cabcanary.settings.build_stages import Built

    stages, stage = plan.settings.vehicle.all_stages, options.what
    if stage not in stages:
        raise _WrongError(f"there is no stage '{stage}'; the stages are: {', '.join(stages)}")
    built = plan.settings.built.get(stage, Built())
    limit = built.boost_steps[0] if built.boost_steps else limits_of(plan).get(stage)
    weak = too_weak(plan.settings, limit, stage)
    if weak:
        joints = "\n".join(f"  {b.words} stands {in_psi(b.pa)}" for b in weak)
        raise _RefusedError(
            f"stage '{stage}' is not begun: it goes up to {in_psi(limit or 0.0)}, and\n{joints}\n"
            f"clamp each, look at it, then: cabcanary stage {plan.file} confirm JOINT --by WHO --held-by clamped"
        )
    edited = EditedFile(plan.file)
    edited.put(("vehicle", "stage"), stage)
    edited.put(("built", stage, "begun"), _today())
    if options.by:
        edited.put(("built", stage, "begun_by"), options.by)
    if built.boost_steps:
        edited.put(("built", stage, "step"), 1)
    edited.save()
    return [f"{plan.settings.vehicle.name} is in stage '{stage}'; {_take(plan)}", SAFETY]


def _end(plan: Plan, _options: argparse.Namespace) -> list[str]:
    from cabcanary.review.stages.editing import EditedFile

    stage = plan.settings.vehicle.stage
    edited = EditedFile(plan.file)
    edited.put(("built", stage, "ended"), _today())
    edited.save()
    return [f"stage '{stage}' has ended today; its limits hold until another begins"]


def _confirm(plan: Plan, options: argparse.Namespace) -> list[str]:
    from cabcanary.review.stages.editing import EditedFile

    joint = next((j for j in plan.settings.joints if j.name == options.what), None)
    if joint is None:
        names = ", ".join(f"'{j.name}'" for j in plan.settings.joints) or "none; add [[joints]] to the settings"
        raise _WrongError(f"there is no joint '{options.what}'; there are: {names}")
    if not options.by:
        raise _WrongError("who has looked at it? add --by WHO")
    edited = EditedFile(plan.file)
    at = ("joints", plan.settings.joints.index(joint))
    new = {"held_by": options.held_by or joint.held_by, "confirmed_by": options.by, "confirmed": _today()}
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
        raise _WrongError(f"stage '{stage}' has no boost_steps; write them under [built.{json.dumps(stage)}]")
    if built.step == len(built.boost_steps):
        raise _RefusedError(f"stage '{stage}' is at its last step, {in_psi(built.step_pa)}")
    seen = carried(plan)
    if seen.seconds < built.clean:
        since = f", since {seen.broken_by} sounded" if seen.broken_by else ""
        raise _RefusedError(
            f"not raised: {seen.seconds:.0f} s of {built.clean:.0f} s near {in_psi(built.step_pa)} without an alert, "
            f"in {seen.drives} drives{since}; {built.clean - seen.seconds:.0f} s more are wanted"
        )
    next_pa = built.boost_steps[built.step]
    weak = too_weak(plan.settings, next_pa, stage)
    if weak:
        raise _RefusedError(f"not raised: {weak[0].words} stands {in_psi(weak[0].pa)}; clamp and confirm it first")
    edited = EditedFile(plan.file)
    edited.put(("built", stage, "step"), built.step + 1)
    edited.save()
    return [f"boost step {built.step + 1} of {len(built.boost_steps)}: {in_psi(next_pa)}; {_take(plan)}", SAFETY]


def _declare(plan: Plan, options: argparse.Namespace) -> list[str]:
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.stages.editing import EditedFile

    changes = {fact: getattr(options, fact) for fact in _FACTS if getattr(options, fact) is not None}
    if not changes:
        raise _WrongError("declare what? add --fuel, --tune, --fuelling or --compressor")
    edited = EditedFile(plan.file)
    for fact, value in changes.items():
        path = ("vehicle", "fuel") if fact == "fuel" else ("built", plan.settings.vehicle.stage, fact)
        edited.put(path, value)
    edited.save()
    said = [f"{fact}: {value}" for fact, value in changes.items()]
    return [*said, *load_plan(plan.file).stage_lines(), _take(plan)]


def _take(plan: Plan) -> str:
    return f"have the daemon take it: cabcanary reload {plan.file}"


def _today() -> Any:
    return datetime.now(UTC).date()


_DO = {
    "show": _show,
    "review": _review,
    "trends": _trends,
    "begin": _begin,
    "end": _end,
    "confirm": _confirm,
    "raise": _raise,
    "declare": _declare,
}
