"""What `cabcanary stage` is told of parts and fuel, and the trends in which they are shown."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator
    from pathlib import Path

    from cabcanary.plan.plan import Plan
    from cabcanary.review.figures.trend import Trend
    from cabcanary.review.stages.judgement import Stage
    from cabcanary.store.fuel_receipts import Receipt

FACTS = ("fuel", "tune", "fuelling", "compressor")
#: A ratio that moves trims by less is no other fuel.
_SAME_FUEL = 0.004


class RefusedError(Exception):
    """It is not done; the message says why and what to do."""


class WrongError(Exception):
    """The command cannot be meant so."""


def trends(plan: Plan, options: argparse.Namespace) -> list[str]:
    """Slopes and steps over the drives of the stage, in words, for a program, or as a page."""
    from cabcanary.review.new_files import refuse_place, refuse_taken
    from cabcanary.review.stages.judgement import drives_of
    from cabcanary.review.stages.trend_page import trend_page
    from cabcanary.review.stages.trends import LEAST_DRIVES, ages, trends
    from cabcanary.store.fuel_receipts import read_receipts

    if options.output is not None:
        refuse_place(options.output, plan.settings.daemon.folder)
        refuse_taken([options.output])
    name = plan.settings.vehicle.stage
    stage = drives_of(plan, {name})[name]
    found, old = trends(stage), list(ages(plan))
    receipts = read_receipts(plan.settings.daemon.folder)
    if not found and not options.json:
        raise RefusedError(
            f"no figure was seen in {LEAST_DRIVES} drives of stage '{name}' yet; there are {len(stage.figures)}"
        )
    if options.output is not None:
        _write(options.output, trend_page(plan, stage, found, old, receipts))
    if options.json:
        told: dict[str, Any] = {
            "stage": name,
            "trends": [t.as_json() for t in found],
            "parts": [a._asdict() | {"fitted": str(a.fitted)} for a in old],
            "fuel": [r.model_dump(mode="json") for r in receipts],
            "file": str(options.output) if options.output else None,
        }
        return [json.dumps(told, ensure_ascii=False)]
    wrote = [f"wrote {options.output}"] if options.output else []
    lines = _trend_lines(stage, found, receipts)
    return [f"stage '{name}', from the first drive to the last:", *lines, *(f"  {a.words}" for a in old), *wrote]


def _trend_lines(stage: Stage, found: list[Trend], receipts: list[Receipt]) -> Iterator[str]:
    from cabcanary.review.stages.blends import explained
    from cabcanary.review.stages.trends import OF_FUEL, days_of

    for t in found:
        fuel = explained(t, days_of(stage, t.drives), receipts) if t.name in OF_FUEL else ""
        yield f"  {t.line()}" + (f"; {fuel}" if fuel else "")


def _write(target: Path, html: str) -> None:
    from cabcanary.review.new_files import write_whole

    def to_disk(made: list[Path]) -> None:
        made[0].write_text(html, encoding="utf-8")

    try:
        write_whole([target], to_disk)
    except OSError as error:
        raise RefusedError(f"{target} cannot be written: {error.strerror or error}") from error


def declare(plan: Plan, options: argparse.Namespace) -> list[str]:
    """Another fuel, tune, fuelling or compressor, or which sensor was fitted."""
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.stages.editing import EditedFile

    changes = {fact: getattr(options, fact) for fact in FACTS if getattr(options, fact) is not None}
    if bool(options.part) != bool(options.serial):
        raise WrongError("--part CHANNEL and --serial NUMBER go together: which sensor, and which of its kind")
    if not changes and not options.part:
        raise WrongError("declare what? add --fuel, --tune, --fuelling or --compressor, or --part with --serial")
    if options.part and options.part not in plan.settings.channels:
        raise WrongError(f"there is no channel '{options.part}'; --part names one of the settings")
    edited = EditedFile(plan.file)
    for fact, value in changes.items():
        path = ("vehicle", "fuel") if fact == "fuel" else ("built", plan.settings.vehicle.stage, fact)
        edited.put(path, value)
    said = [f"{fact}: {value}" for fact, value in changes.items()]
    if options.part:
        day = options.date or today()
        edited.put(("parts", options.part, "serial"), options.serial)
        edited.put(("parts", options.part, "fitted"), day)
        said.append(f"{options.part}: serial {options.serial}, fitted {day}; its hours and trends begin anew")
    edited.save()
    return [*said, *load_plan(plan.file).stage_lines(), take(plan)]


def fuel(plan: Plan, options: argparse.Namespace) -> list[str]:
    """A receipt: kept, and where the blend is another than the settings have, declared."""
    from pydantic import ValidationError

    from cabcanary import units
    from cabcanary.plan.plan import load_plan
    from cabcanary.review.stages.editing import EditedFile
    from cabcanary.store.fuel_receipts import Receipt, add_receipt

    if options.litres is None:
        raise WrongError("how much was filled? add --litres L")
    day = options.date or today()
    if day > today():
        raise WrongError(f"{day} has not come yet; --date is the day of the receipt")
    given = plan.settings.vehicle.fuel
    try:
        receipt = Receipt(day=day, litres=options.litres, blend=options.blend or given, ethanol=options.ethanol)
        ratio = receipt.ratio
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise WrongError(f"--{first['loc'][0]}: {first['msg']}") from error
    except units.UnitError as error:
        raise WrongError(f"--blend: {error}") from error
    try:
        receipts = add_receipt(plan.settings.daemon.folder, receipt)
    except OSError as error:
        raise RefusedError(f"the receipt cannot be kept: {error.strerror or error}") from error
    said = [f"{day}: {options.litres:.1f} L of {receipt.words}, stoichiometric at {ratio:.2f}"]
    moved = units.fuel_ratio(given) / ratio - 1.0
    # An old receipt that is written down later says nothing of what is in the tank now.
    if abs(moved) < _SAME_FUEL or receipts[-1] != receipt:
        return said
    edited = EditedFile(plan.file)
    edited.put(("vehicle", "fuel"), receipt.fuel)
    edited.save()
    said.append(
        f"fuel: {receipt.fuel}, and was {given}: trims go by {100 * moved:+.1f} % once the tank holds it alone; ask "
        "your tuner whether the tune is for it before you boost"
    )
    return [*said, *load_plan(plan.file).stage_lines(), take(plan), SAFETY]


def take(plan: Plan) -> str:
    """How a change comes into force."""
    return f"have the daemon take it: cabcanary reload {plan.file}"


def today() -> Any:
    """The day by this computer's clock, in UTC."""
    return datetime.now(UTC).date()
