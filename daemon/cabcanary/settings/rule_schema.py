"""Everything that may stand in a rule file, as written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from cabcanary.validation.base import Name, Strict
from cabcanary.validation.quantities import Seconds, UnitSymbol

if TYPE_CHECKING:
    from collections.abc import Container


class RuleTable(Strict):
    """A limit that depends on something: straight lines between points, held beyond the ends."""

    of: UnitSymbol
    gives: UnitSymbol
    points: list[tuple[float, float]] = Field(min_length=2, max_length=200)


class StageLimitSpec(Strict):
    """A limit with a value of its own in each stage of the build."""

    unit: UnitSymbol
    by_stage: dict[str, float] = Field(min_length=1)


class BaselineSpec(Strict):
    """What is normal in this stage, measured on good drives: what a channel is while `when` holds.

    `take` says which of its values: the middle (median), or the end that it keeps to (the lowest or highest 0.5 %
    of the time left out).
    """

    take: Literal["low", "middle", "high"] = "middle"
    #: Measured by itself after each drive, on the last good ones; "once": until the stage has it, and held from then
    #: on, so that what creeps is seen as a change.
    learn: bool | Literal["once"] = False

    of: Name
    #: Channels of the same quantity, one of which stands for `of` in a vehicle that lacks it; earlier ones first.
    instead: list[Name] = Field(default=[], max_length=5)
    when: str = Field(min_length=1, max_length=2000)
    #: Another channel that it depends on, and how wide a step of it counts as like.
    by: Name | None = None
    step: float = Field(default=1.0, gt=0)
    #: What it counts as below the lowest step that was learnt, in the channel's unit; left out, as in that step.
    below: float | None = None
    #: Less than this in all is no measurement.
    at_least: Seconds = 60.0
    #: What a change of voids it, as declared in `built` of the stage, and the vehicle's fuel.
    depends_on: list[Literal["fuel", "fuelling", "tune", "compressor"]] = ["fuel", "fuelling", "tune", "compressor"]
    #: By how much a new stage may lift it, in the channel's unit. Given, a stage in which it has not been measured yet
    #: is held against the stage before it, and what lies further above that is not learnt as normal.
    explained: float | None = Field(default=None, ge=0)
    #: What the examples beside the rules take it to be, in the channel's unit.
    example: float | None = None

    def channel(self, fitted: Container[str]) -> str:
        """The channel that it is measured on in a vehicle with these; `of` where it has none of them."""
        return next((c for c in (self.of, *self.instead) if c in fitted), self.of)

    @model_validator(mode="after")
    def _once(self) -> BaselineSpec:
        if self.by is not None and self.by in (self.of, *self.instead):
            raise ValueError("a baseline cannot depend on itself; name another channel in 'by'")
        if self.by is None and self.below is not None:
            raise ValueError("'below' speaks of the channel that it depends on; name that in 'by'")
        return self


class InverseTimeSpec(Strict):
    """The worse, the sooner: for how long an excess is borne, by how large it is."""

    #: A number in the rules' grammar, such as "lambda - ceiling(boost)".
    excess: str = Field(min_length=1, max_length=500)
    unit: UnitSymbol = ""
    #: Pairs of excess, in `unit`, and seconds: straight lines between, held beyond the ends.
    points: list[tuple[float, float]] = Field(default=[], max_length=50)
    #: Or t = k / (excess^alpha - 1) s, the excess being a multiple of the setting (IEC 60255-151).
    k: float | None = Field(default=None, gt=0)
    alpha: float | None = Field(default=None, gt=0)
    #: A damage of one is forgotten within this long.
    drains_in: Seconds = 2.0

    @model_validator(mode="after")
    def _one_way(self) -> InverseTimeSpec:
        formula = self.k is not None and self.alpha is not None
        if formula == bool(self.points) or (self.k is None) != (self.alpha is None):
            raise ValueError("give points, or k and alpha, not both")
        if self.points and (len(self.points) < 2 or any(s <= 0 for _, s in self.points)):
            raise ValueError("give at least two points, each with more than 0 s")
        if self.drains_in <= 0:
            raise ValueError("drains_in is more than 0 s")
        return self


class ExampleSpec(Strict):
    """A few lines of signal, and what must and must not sound."""

    name: str = Field(min_length=1, max_length=80)
    #: Lines such as "1.5 s: boost = 5 psi, lambda = 0.9 in 2 s".
    signal: list[str] = Field(min_length=1, max_length=100)
    #: Lines such as "2.1 s to 2.4 s" in which the alert must come; none: it must never come.
    sounds: list[str] = []
    #: Lines such as "lambda at 2.1 s to 2.4 s": the channels that it must say it cannot see, and when.
    blind: list[str] = []
    #: The stage in force; that of the settings, if not given.
    stage: str | None = None
    length: Seconds | None = None


#: What a vehicle is watched for, beside blindness, which every rule watches by itself.
Subject = Literal[
    "lean under boost",
    "over-boost",
    "boost lost",
    "pressure line",
    "leak",
    "heat",
    "supply",
    "fuel pressure",
    "oil",
    "exhaust heat",
    "valves",
    "the monitor itself",
]


class WorseSpec(Strict):
    """How much worse an acknowledged alert must get to ask again."""

    #: A number in the rules' grammar that grows as it gets worse, such as "boost - hose_limit"; without it the excess
    #: of inverse_time.
    excess: str | None = Field(default=None, min_length=1, max_length=500)
    #: By so much, with its unit; without it by the next of the points of inverse_time, or doubled.
    step: str | None = Field(default=None, min_length=1, max_length=40)


class RuleSpec(Strict):
    """One rule as written: when it holds, how urgent, what to say and what to do."""

    id: Name
    priority: Literal["warning", "caution", "advisory"]
    say: str = Field(min_length=1, max_length=60)
    do: str = Field(min_length=1, max_length=60)
    #: What it is there for, in a sentence or two; shown by `rules explain`.
    why: str = Field(default="", max_length=500)
    when: str = Field(min_length=1, max_length=2000)
    #: What a vehicle is watched for by it.
    covers: Subject | None = None
    #: What is lost in a vehicle that lacks a channel or a baseline: its name, and the cost in a sentence.
    without: dict[Name, Annotated[str, Field(min_length=1, max_length=200)]] = {}
    #: While this holds the rule is suppressed; blindness never is.
    suppress_when: str | None = Field(default=None, min_length=1, max_length=2000)
    #: Suppression also ends an alert that stands, where otherwise it holds a trip back and no more.
    suppress_ends: bool = False
    on_delay: Seconds = 0.0
    off_delay: Seconds = 0.0
    inverse_time: InverseTimeSpec | None = None
    #: It stays until a person has taken note, also when its condition has gone.
    latching: bool = False
    #: Acknowledged and still active after this long, it asks again, at most so many times.
    re_alarm: Seconds | None = None
    re_alarm_count: int | None = Field(default=None, ge=1)
    #: Acknowledged, and grown by this, it asks again. One with inverse_time does so in any case.
    worse: WorseSpec | None = None
    #: Whether a person may put it aside for a time; a warning only if this says so.
    shelvable: bool | None = None
    longest_shelve: Seconds = 3600.0
    #: It judges what is fed by the key, so it takes an ignition input that is not.
    needs_ignition: bool = False
    #: Why it is not run for now. Listed at every start.
    out_of_service: str = Field(default="", max_length=100)
    #: Unknown for longer than this is an alert of its own.
    blind_delay: Seconds = 0.5
    #: Where given: the delay above holds when this was true as last known, the other one when it was not.
    #: A sensor that dies at idle may be the key being turned; one that dies under boost is not.
    blind_urgent_when: str | None = Field(default=None, min_length=1, max_length=2000)
    blind_delay_otherwise: Seconds = 5.0
    example: list[ExampleSpec] = []

    @model_validator(mode="after")
    def _one_timing(self) -> RuleSpec:
        if self.inverse_time is not None and self.on_delay:
            raise ValueError("inverse_time takes the place of on_delay; give one of them")
        if self.re_alarm_count is not None and self.re_alarm is None:
            raise ValueError("re_alarm_count needs re_alarm")
        worse = self.worse
        if worse is not None and None in (worse.excess, worse.step) and (worse.excess or self.inverse_time is None):
            raise ValueError("worse takes an excess and a step; a rule with inverse_time may give the step alone")
        if self.suppress_ends and self.suppress_when is None:
            raise ValueError("suppress_ends needs suppress_when")
        return self


class RuleFile(Strict):
    """A set of rules with the tables, limits by stage and baselines that they use.

    Tables, limits, numbers and baselines may also stand in another file of the same settings, so that an owner's
    numbers lie together and the rules that come with the program stay as they are.
    """

    #: The settings with whose numbers the examples are written, relative to this file; without it those that name it.
    examples_of: str | None = None
    #: Channels that a vehicle may lack. Any other name that is not in the settings is a slip of the pen.
    optional_channels: list[Name] = []
    #: Numbers with their units that rules call by name.
    numbers: dict[Name, Annotated[str, Field(min_length=1, max_length=40)]] = {}
    tables: dict[Name, RuleTable] = {}
    stage_limits: dict[Name, StageLimitSpec] = {}
    baselines: dict[Name, BaselineSpec] = {}
    rule: list[RuleSpec] = []
