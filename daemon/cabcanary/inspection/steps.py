"""The steps of an inspection, in their order, as data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from cabcanary.inspection import judging, judging_running, questions

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cabcanary.inspection.evidence import Evidence, Finding
    from cabcanary.inspection.questions import Question
    from cabcanary.inspection.roles import Moment

#: A stretch in which the channels are watched.
Phase = Literal["key on", "idle", "blip", "drive"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what to do, what is watched and for how long (s), what is asked, and who judges it.

    `watch` may be the phase of the step before: then its moments are judged again, and nothing more is waited for.
    """

    key: str
    title: str
    do: str
    judge: Callable[[Evidence, Sequence[Moment]], list[Finding]]
    asks: tuple[Question, ...] = ()
    watch: Phase | None = None
    seconds: float = 0.0
    #: On the road: not taken while anything parked has failed.
    drives: bool = False


STEPS: tuple[Step, ...] = (
    Step(
        "key_off",
        "Feed, key off",
        "Key off and out. Measure the sensors' feed behind its fuse: it must be dead, or it empties the battery.",
        judging.judge_key_off,
        (questions.FEED_KEY_OFF,),
    ),
    Step(
        "load",
        "Feed and ground under load",
        "Key on, engine off, the wideband heating. Measure while current flows: without load every wire looks well.",
        judging.judge_load,
        (questions.BATTERY, questions.FEED, questions.GROUND),
    ),
    Step(
        "rails",
        "Wires, key on",
        "Key off for half a minute, then on, engine off. Touch no wire.",
        judging.judge_rails,
        (questions.BAROMETER,),
        "key on",
        60.0,
    ),
    Step(
        "sensors", "Sensors, key on", "Nothing to do: the same minute is judged.", judging.judge_sensors, (), "key on"
    ),
    Step(
        "idle",
        "Idle",
        "Outside or well ventilated. Start, let it get warm, all loads off, foot off the pedal; keep clear of belts.",
        judging_running.judge_idle,
        (questions.IDLE_STEADY,),
        "idle",
        30.0,
    ),
    Step(
        "blip",
        "Three blips",
        "Still parked, brake on, out of gear: open the throttle about half for a second, three times.",
        judging_running.judge_blip,
        (),
        "blip",
        20.0,
    ),
    Step(
        "servo",
        "Brake servo",
        "Only where the pressure is taken from the servo's line. Look at the line; undo nothing there now.",
        judging_running.judge_servo,
        (questions.PEDAL,),
    ),
    Step(
        "outputs",
        "Buzzer and lamp",
        "Let the start-up sound come, from where the driver sits.",
        judging_running.judge_outputs,
        (questions.BUZZER, questions.LAMP),
    ),
    Step(
        "drive",
        "A gentle pull and a lift",
        "Only where the law allows it, an empty straight road, eyes on the road: one short pull at low boost, then off "
        "the pedal in gear. Any sound: ease off. Park before you touch this again.",
        judging_running.judge_drive,
        (),
        "drive",
        1200.0,
        drives=True,
    ),
)
