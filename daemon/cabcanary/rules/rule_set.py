"""Rule files -> rules ready to run, those that cannot run in this vehicle yet, and every problem."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.expressions.bounds import dimension
from cabcanary.expressions.names import ConditionError, Names, NoBaselineError, NotFittedError
from cabcanary.expressions.parse import parse_condition, parse_number
from cabcanary.expressions.tree import channels_in, longest_window_ns
from cabcanary.model import Priority
from cabcanary.rules.names import Setting, names_of
from cabcanary.rules.rule import InverseTime, Rule, Worse
from cabcanary.spelling import spelt
from cabcanary.validation.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.expressions.tree import Condition, Number
    from cabcanary.settings.load import Loaded
    from cabcanary.settings.rule_schema import RuleFile, RuleSpec
    from cabcanary.validation.problems import Problem


@dataclass(frozen=True, slots=True)
class NotFitted:
    """A rule that speaks of a sensor which this vehicle does not have, or of a baseline not measured yet."""

    id: str
    channel: str
    hint: str
    baseline: str = ""
    #: What the vehicle would be watched for by it.
    covers: str | None = None

    @property
    def words(self) -> str:
        """What it needs."""
        if self.baseline:
            return f"needs the baseline '{self.baseline}' of this stage, which has not been measured"
        return f"needs a channel '{self.channel}'"


@dataclass(frozen=True, slots=True)
class RuleSet:
    """The rules of the rule files, and those without the channel or baseline that they need."""

    rules: tuple[Rule, ...]
    not_fitted: tuple[NotFitted, ...]
    #: What each baseline's own condition may speak of.
    baseline_names: Mapping[str, Names] = field(default_factory=dict)


def build_rules(files: Sequence[Loaded[RuleFile]], setting: Setting) -> tuple[RuleSet, list[Problem]]:
    """Build the rules of all files; a faulty rule is a problem, the others still come out."""
    problems: list[Problem] = []
    rules: list[Rule] = []
    absent: list[NotFitted] = []
    places: dict[str, str] = {}
    baseline_names: dict[str, Names] = {}
    for loaded, names in zip(files, names_of(files, setting, problems), strict=True):
        baseline_names |= dict.fromkeys(loaded.model.baselines, names)
        _check_baselines(loaded, names, problems)
        for n, spec in enumerate(loaded.model.rule):
            if spec.id in places:
                message = f"'{spec.id}' exists already, in {places[spec.id]}"
                problems.append(loaded.problem(("rule", n, "id"), message, "rename one"))
                continue
            places[spec.id] = loaded.file.name
            built = _Builder(loaded, n, spec, names, setting, problems).build()
            if isinstance(built, NotFitted):
                absent.append(built)
            elif built is not None:
                rules.append(built)
    return RuleSet(tuple(rules), tuple(absent), baseline_names), problems


def _check_baselines(loaded: Loaded[RuleFile], names: Names, problems: list[Problem]) -> None:
    for name, spec in loaded.model.baselines.items():
        for key, channel in (("of", spec.of), ("by", spec.by), *(("instead", c) for c in spec.instead)):
            if channel is not None and names.optional is not None and channel not in {*names.channels, *names.optional}:
                path, fix = ("baselines", name, key), nearest(channel, list(names.channels))
                problems.append(loaded.problem(path, f"there is no channel '{channel}'", fix))
        try:
            parse_condition(spec.when, names)
        except NotFittedError:
            continue
        except ConditionError as error:
            path = ("baselines", name, "when")
            problems.append(condition_problem(loaded, path, f"baseline {name}", error))


class _Builder:
    """One rule from its text."""

    def __init__(
        self,
        loaded: Loaded[RuleFile],
        n: int,
        spec: RuleSpec,
        names: Names,
        setting: Setting,
        problems: list[Problem],
    ) -> None:
        self._loaded, self._n, self._spec, self._names = loaded, n, spec, names
        self._setting, self._problems = setting, problems
        self._without: list[NotFittedError | NoBaselineError] = []
        self._faulty = False

    def build(self) -> Rule | NotFitted | None:
        spec = self._spec
        if spec.needs_ignition and not self._ignition_is_there():
            return None
        try:
            when = self._condition("when", spec.when)
            suppress = self._beside("suppress_when", spec.suppress_when)
            urgent = self._urgency(spec.blind_urgent_when)
            inverse = self._inverse_time()
            worse = self._worse(inverse)
        except NotFittedError as error:
            return NotFitted(spec.id, error.name, error.fix, covers=spec.covers)
        except NoBaselineError as error:
            return NotFitted(spec.id, "", "cabcanary baseline measure", error.name, spec.covers)
        if when is None or self._faulty or not self._blindness_is_patient(when):
            return None
        return self._rule(when, suppress, urgent, inverse, worse)

    def _rule(
        self,
        when: Condition,
        suppress: Condition | None,
        urgent: Condition | None,
        inverse: InverseTime | None,
        worse: Worse | None,
    ) -> Rule:
        spec = self._spec
        priority = Priority[spec.priority.upper()]
        # What nobody can boost yet, no blindness can hide.
        blind_priority = priority if self._setting.compressor else min(priority, Priority.ADVISORY)
        shelvable = priority is not Priority.WARNING if spec.shelvable is None else spec.shelvable
        return Rule(
            id=spec.id,
            priority=priority,
            say=spec.say,
            do=spec.do,
            why=spec.why,
            text=spec.when,
            when=when,
            suppress_text=spec.suppress_when or "",
            suppress_when=suppress,
            suppress_ends=spec.suppress_ends,
            on_delay_ns=_ns(spec.on_delay),
            off_delay_ns=_ns(spec.off_delay),
            inverse_time=inverse,
            worse=worse,
            latching=spec.latching,
            re_alarm_ns=_ns(spec.re_alarm or 0.0),
            re_alarm_count=spec.re_alarm_count,
            shelvable=shelvable,
            longest_shelve_ns=_ns(spec.longest_shelve),
            out_of_service=spec.out_of_service,
            blind_delay_ns=_ns(spec.blind_delay),
            urgent_text=spec.blind_urgent_when or "",
            urgent_when=urgent,
            blind_otherwise_ns=_ns(spec.blind_delay_otherwise),
            channels=channels_in(when),
            covers=spec.covers,
            lacks=self._lacks(),
            known_defects=frozenset() if blind_priority is Priority.WARNING else self._setting.known_defects,
            blind_priority=blind_priority,
            shown_beside=self._setting.shown_beside,
            file=self._loaded.file.name,
            called=self._setting.called,
            line=self._loaded.positions.key(("rule", self._n, "id"))[0],
        )

    def _note(self, key: str, message: str, fix: str) -> None:
        self._faulty = True
        self._problems.append(self._loaded.problem(("rule", self._n, key), message, fix))

    def _condition(self, key: str, text: str | None) -> Condition | None:
        if text is None:
            return None
        try:
            return parse_condition(text, self._names, self._without)
        except (NotFittedError, NoBaselineError):
            raise
        except ConditionError as error:
            self._faulty = True
            path = ("rule", self._n, key)
            self._problems.append(condition_problem(self._loaded, path, f"rule {self._spec.id}", error))
            return None

    def _beside(self, key: str, text: str | None) -> Condition | None:
        """A condition beside the rule's own: where it cannot be known in this vehicle, the rule does without it."""
        try:
            return self._condition(key, text)
        except (NotFittedError, NoBaselineError) as error:
            self._without.append(error)
            return None

    def _urgency(self, text: str | None) -> Condition | None:
        """What makes blindness urgent: each sign of it is a bonus, and only to have none at all is a lack."""
        kept = list(self._without)
        found = self._beside("blind_urgent_when", text)
        if found is not None:
            self._without = kept
        return found

    def _lacks(self) -> tuple[tuple[str, str], ...]:
        """What the rule does without in this vehicle, each with what that costs."""
        cost = self._spec.without
        found = {(e.name, isinstance(e, NoBaselineError)): cost.get(e.name, "") for e in self._without}
        # Where a rule has its own way without a channel (`not fitted …`) nothing drops out, and it costs all the same.
        optional = self._names.optional or ()
        unnamed = [n for n in cost if n in optional and n not in self._names.channels]
        found |= {(n, False): cost[n] for n in unnamed if (n, False) not in found}
        return tuple((f"baseline {n}" if measured else n, words) for (n, measured), words in found.items())

    def _inverse_time(self) -> InverseTime | None:
        spec = self._spec.inverse_time
        if spec is None:
            return None
        excess = self._excess(spec.excess)
        if excess is None:
            return None
        unit = units.unit(spec.unit)
        if dimension(excess) != unit.dimension:
            kinds = f"{units.dimension_name(dimension(excess))}, and unit is {units.dimension_name(unit.dimension)}"
            self._note("inverse_time", f"the excess is {kinds}", 'give the unit of the excess, such as unit = "lambda"')
            return None
        xs = [x for x, _ in spec.points]
        if xs != sorted(set(xs)):
            self._note("inverse_time", "the first numbers must rise from point to point", "sort the points")
            return None
        # A step has no zero point: 5 K more is 5 K more.
        points = tuple((x * unit.factor, seconds) for x, seconds in spec.points)
        formula = (spec.k, spec.alpha) if spec.k is not None and spec.alpha is not None else None
        return InverseTime(excess, points, formula, max(1, _ns(spec.drains_in)))

    def _excess(self, text: str, key: str = "inverse_time") -> Number | None:
        try:
            return parse_number(text, self._names)
        except (NotFittedError, NoBaselineError):
            raise
        except ConditionError as error:
            self._note(key, f"the excess: {error.message}", error.fix)
            return None

    def _worse(self, inverse: InverseTime | None) -> Worse | None:
        spec = self._spec.worse
        if spec is None or spec.excess is None:
            if inverse is None:
                return None
            step = None if spec is None or spec.step is None else self._step(spec.step, inverse.excess)
            return Worse(inverse.excess, step, tuple(x for x, _ in inverse.points))
        try:
            excess = self._excess(spec.excess, "worse")
        except (NotFittedError, NoBaselineError) as error:
            self._without.append(error)
            return None
        if excess is None or spec.step is None:
            return None
        step = self._step(spec.step, excess)
        return None if step is None else Worse(excess, step)

    def _step(self, text: str, excess: Number) -> float | None:
        """The step in SI; a step of temperature is in K."""
        try:
            number, unit = units.parse_quantity(text)
        except units.UnitError as error:
            self._note("worse", f"the step: {error}", 'write a number with its unit, such as step = "2 psi"')
            return None
        if unit.dimension != dimension(excess) or number <= 0:
            kinds = f"{units.dimension_name(dimension(excess))}, and the step is {units.dimension_name(unit.dimension)}"
            self._note("worse", f"the excess is {kinds}", "give a step above zero, of what the excess measures")
            return None
        return number * unit.factor

    def _blindness_is_patient(self, when: Condition) -> bool:
        """A single lost reading keeps a window unknown for its whole length: that alone is no blindness."""
        spec, window_ns = self._spec, longest_window_ns(when)
        delays = {"blind_delay": spec.blind_delay}
        if spec.blind_urgent_when is not None:
            delays["blind_delay_otherwise"] = spec.blind_delay_otherwise
        for key, delay in delays.items():
            if window_ns and _ns(delay) <= window_ns:
                message = (
                    f"one lost reading keeps this unknown for {spelt(window_ns / 1e9)} s, and {key} is {spelt(delay)} s"
                )
                self._note(key, message, f"make {key} longer than the window")
                return False
        return True

    def _ignition_is_there(self) -> bool:
        if self._setting.inputs is None or self._setting.inputs:
            return True
        message = "needs an ignition input of the monitor's own: fed by the key, it cannot see that feed being dead"
        fix = 'add a gpio source with an ignition pin and name its channel in engine_running\'s "ignition"'
        self._note("id", message, fix)
        return False


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


def condition_problem(loaded: Loaded[Any], path: tuple[str | int, ...], name: str, error: ConditionError) -> Problem:
    """A fault in a condition, at its place in the file."""
    from cabcanary.validation.problems import Problem

    line, column = loaded.positions.inside(path, error.line, error.column)
    return Problem(loaded.file, line, name, error.message, error.fix, column)
