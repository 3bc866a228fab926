"""What is still to be found out, measured or confirmed: what each missing answer costs, and how to come by it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.first_settings.answers import AnswersError
from cabcanary.first_settings.fitted import Fitted, si

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.first_settings.answers import Answers


def contradictions(answers: Answers) -> None:
    """Answers of which each can be, and not together.

    Raises:
        AnswersError: with a line for each.
    """
    found = [*_beyond_the_converter(answers), *_not_lambda(answers)]
    if found:
        raise AnswersError("\n".join(found))


def _beyond_the_converter(answers: Answers) -> Iterator[str]:
    highest = answers.converter.highest
    if highest is None:
        return
    sensors: dict[str, Any] = {
        "wideband": answers.wideband.points if answers.wideband.signal == "voltage" else None,
        "manifold_pressure": answers.manifold_pressure.points,
        "engine_speed": answers.engine_speed.points,
    }
    for name, points in sensors.items():
        if points and max(v for v, _ in points) > si(highest) + 1e-9:
            yield (
                f"{name}.points: the sensor gives up to {max(v for v, _ in points):.2f} V, and the converter ends "
                f"at {highest}: the upper end would never be seen; it takes a converter with a wider range, or a "
                "divider in front of it and points in volts behind the divider"
            )


def _not_lambda(answers: Answers) -> Iterator[str]:
    w = answers.wideband
    if w.points is None or w.signal != "voltage":
        return
    highest = max(value for _, value in w.points)
    if w.scale == "lambda" and highest > 3.0:
        yield f"wideband.scale: points up to {highest:.2f} are AFR and no lambda; write AFR, and afr_scale with it"
    if w.scale == "AFR" and highest < 3.0:
        yield f"wideband.scale: points up to {highest:.2f} are lambda and no AFR; write lambda"


def open_points(answers: Answers) -> list[str]:
    """A line for each thing that is not known yet, the gravest first; empty when nothing is open."""
    fitted = Fitted(answers)
    return [
        *_wideband(answers, fitted),
        *_pressure(answers, fitted),
        *_others(answers, fitted),
        *_limits(answers),
        *_learnt(answers, fitted),
    ]


def _wideband(answers: Answers, fitted: Fitted) -> Iterator[str]:
    w = answers.wideband
    if not fitted.wideband:
        asked: dict[str, Any] = {"wideband.signal": w.signal, "wideband.scale": w.scale}
        if w.signal == "voltage":
            asked |= {"converter.device": answers.converter.device, "wideband.input": w.input}
            asked |= {"wideband.points": w.points}
        elif w.signal == "text":
            asked |= {"wideband.port": w.port, "wideband.baud": w.baud, "wideband.item": w.item}
            asked |= {"wideband.ends": w.ends}
        if w.scale == "AFR":
            asked |= {"wideband.afr_scale": w.afr_scale}
        missing = ", ".join(name for name, value in asked.items() if value is None)
        yield f"{missing}: not known, so the mixture is not watched; its maker's data sheet has them, none is assumed"
        return
    if w.signal == "voltage" and w.rails is None:
        yield "wideband.rails: not known; between which volts is it well, and what does it give with a fault?"
    if w.response_time is None:
        yield "wideband.response_time: not known, taken as 100 ms; the data sheet has it"


def _pressure(answers: Answers, fitted: Fitted) -> Iterator[str]:
    p = answers.manifold_pressure
    if not fitted.pressure:
        asked: dict[str, Any] = {"converter.device": answers.converter.device, "manifold_pressure.input": p.input}
        asked |= {"manifold_pressure.points": p.points, "manifold_pressure.unit": p.unit}
        asked |= {"manifold_pressure.against": p.against}
        missing = ", ".join(name for name, value in asked.items() if value is None)
        yield f"{missing}: not known, so boost is not watched; the data sheet has the points and what it is zero at"
        return
    if p.accuracy is None:
        yield "manifold_pressure.accuracy: not known, so it is taken for exact; the data sheet has its limit of error"
    if p.rails is None and min(p.points or [])[0] < 0.2:
        yield "manifold_pressure.rails: not known, and its curve begins near 0 V: a broken wire looks like a value"


def _others(answers: Answers, fitted: Fitted) -> Iterator[str]:
    if answers.compressor.kind is None:
        yield "compressor.kind: not known, so one is taken for fitted in every stage"
    if not fitted.supply:
        yield "supply: not fitted or not known; with it a sagging supply is told, and a blown fuse from a key off"
    if not fitted.speed:
        yield "engine_speed: not fitted or not known; with it a hose that comes off is told, and less is held back"
    if answers.outputs.buzzer_pin is None:
        yield "outputs.buzzer_pin: not known, so nothing sounds on a pin; a sound card is another output, see the guide"
    if fitted.supply and answers.converter.highest is None:
        yield "converter.highest: not known, taken as 5 V; above it the supply is not seen"


def _limits(answers: Answers) -> Iterator[str]:
    t = answers.tuner
    if t.ceiling is None:
        yield "tuner.ceiling: the leanest mixture allowed is an EXAMPLE; a qualified tuner gives yours"
    if t.manifold_highest is None:
        yield "tuner.manifold_highest: what the engine stands is an EXAMPLE; ask your tuner"
    known = answers.hoses.by_stage or {}
    unknown = [f"'{s}'" for s in answers.vehicle.stages or ["as it is"] if s not in known]
    if unknown:
        yield f"hoses.by_stage: what the hoses of {', '.join(unknown)} stand is an EXAMPLE; the weakest joint counts"
    if not t.confirmed_by:
        yield "tuner.confirmed_by: nobody has confirmed the limits; every start says so until somebody has"


def _learnt(answers: Answers, fitted: Fitted) -> Iterator[str]:
    if fitted.pressure and fitted.wideband and answers.driven.below_idle is None:
        yield (
            "driven: idle pressure and supply are not known yet; drive with two minutes of idle, an overrun and one "
            "open throttle, then the same command with --drive last"
        )
