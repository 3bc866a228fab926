"""A drive that is being reported: its columns and figures, its events, the owner's limits and units."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.alerts.why import why
from cabcanary.model import NOTICES
from cabcanary.review.figures.columns import Columns
from cabcanary.review.figures.drive_figures import STEPS, figures_from
from cabcanary.review.figures.limits import ceiling_of, number_of, recorded_files
from cabcanary.review.list.recorded_drive import Recorded, RecordedError
from cabcanary.settings.called import called
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.display import Display
    from cabcanary.review.figures.drive_figures import Figures
    from cabcanary.review.report.markup import Markup
    from cabcanary.settings.rule_schema import RuleFile
    from cabcanary.store.manifest import Manifest


@dataclass(slots=True)
class Section:
    """A part of the report: sentences first, then what they speak of. `figures` are for programs, by name."""

    title: str
    sentences: list[str] = field(default_factory=list)
    parts: list[Markup] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Sounded:
    """An alert that was raised: from when to when it stood (s; None: to the end), and what it said."""

    alert: str
    priority: str
    say: str
    do: str
    why: str
    at_s: float
    until_s: float | None

    @property
    def words(self) -> str:
        """Its priority and name."""
        return f"{self.priority} “{self.say}”"


@dataclass
class Looked:
    """What every section is made from. `manifest` is None of a file that lies alone."""

    drive: Recorded
    manifest: Manifest | None
    display: Display

    @cached_property
    def columns(self) -> Columns:
        """The channels as arrays."""
        return Columns(self.drive)

    @property
    def name(self) -> str:
        """The drive's name."""
        return self.manifest.drive if self.manifest else self.drive.path.stem

    @cached_property
    def boost_unit(self) -> str:
        """The unit in which boost is shown."""
        boost = self.columns.roles.boost
        found = self.display.unit_for(self.columns.unit(boost) if boost else "psi")
        return found if found in STEPS else "psi"

    @cached_property
    def figures(self) -> Figures:
        """The drive's figures, as the list and the stage review have them."""
        start = self.manifest.start if self.manifest else str(self.drive.about.get("start", ""))
        return figures_from(self.columns, start, self.boost_unit)

    @cached_property
    def rule_files(self) -> list[RuleFile]:
        """The rule files that the drive was driven with."""
        return recorded_files(self.drive.plan)

    @cached_property
    def ceiling(self) -> Callable[[float], float] | None:
        """The leanest lambda allowed at a boost in psi."""
        return ceiling_of(self.rule_files)

    def number(self, name: str, unit: str) -> float | None:
        """A number that the drive's rules give a name."""
        return number_of(self.rule_files, name, unit)

    def called(self, channel: str) -> str:
        """What people call a channel."""
        spec = self.drive.plan.settings.channels.get(channel)
        return called(channel, getattr(spec, "called", None))

    def boost(self, psi: float, off: float = 0.0) -> str:
        """Boost in the owner's unit."""
        unit, display = self.boost_unit, self.display
        return display.show(units.convert(psi, "psi", unit), unit, units.difference(off, "psi", unit), above_air=True)

    def step(self, psi: float) -> str:
        """A step of boost, which is a round number of the owner's unit."""
        return f"{spelt(self.in_boost_unit(psi), 4)} {self.boost_unit}"

    def in_boost_unit(self, psi: Any) -> Any:
        """Boost in psi as numbers in the owner's unit; arrays too."""
        return psi * units.difference(1.0, "psi", self.boost_unit)

    def mixture(self, value: float, off: float = 0.0) -> str:
        """A mixture as the owner reads it."""
        return self.display.show(value, "lambda", off)

    def in_mixture(self, values: Any) -> Any:
        """Lambda as numbers of the owner's mixture; arrays too."""
        return values * self.display.number(1.0, "lambda")

    @cached_property
    def events(self) -> list[dict[str, Any]]:
        """What was recorded beside the samples; of an imported log nothing.

        Raises:
            RecordedError: it is damaged.
        """
        path = self.drive.path.with_name(self.drive.path.stem + ".events.jsonl")
        if not path.exists():
            return []
        try:
            return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        except (OSError, ValueError, RecursionError) as error:
            raise RecordedError(f"{path} is damaged: {error}") from error

    @cached_property
    def end_ns(self) -> int:
        """The last tick's time."""
        times = self.drive.signals.times_ns
        return int(times[-1]) if len(times) else 0

    def at_s(self, time_ns: int) -> float:
        """An event's time as seconds from the first sample."""
        times = self.drive.signals.times_ns
        return (time_ns - int(times[0])) / 1e9 if len(times) else 0.0

    @cached_property
    def sounded(self) -> list[Sounded]:
        """Every time that an alert was raised, in order."""
        told = [e for e in self.events if e.get("kind") == "alert" and e.get("what") not in NOTICES]
        found = []
        for n, e in enumerate(told):
            if not e.get("raised"):
                continue
            later = (x for x in told[n + 1 :] if x["what"] == e["what"])
            end = next((x for x in later if not x.get("active") or x.get("raised")), None)
            until = None if end is None else self.at_s(int(end["t"]))
            say, at_s = str(e.get("say") or e["what"]), self.at_s(int(e["t"]))
            found.append(
                Sounded(
                    str(e["what"]),
                    str(e.get("priority", "alert")),
                    say,
                    str(e.get("do", "")),
                    self._why(e),
                    at_s,
                    until,
                )
            )
        return found

    def _why(self, event: dict[str, Any]) -> str:
        """What an alert was raised on, in the owner's units; of what cannot be seen, the reason."""
        above_air = [name for name in (self.columns.roles.boost, self.columns.roles.burnt) if name is not None]
        return why(event, self.display, above_air, self._called_if_there, " was")

    def _called_if_there(self, name: str) -> str:
        return self.called(name) if self.columns.has(name) else name

    @property
    def judged(self) -> bool:
        """Whether rules watched this drive; where none did, no alert means nothing."""
        return self.manifest is None or self.manifest.judged


def clock(seconds: float) -> str:
    """Seconds from the drive's first sample as 2:51.5, or 1:02:51.5."""
    tenths = round(abs(seconds) * 10)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    sign = "−" if seconds < 0 and tenths else ""
    return sign + (f"{hours}:{minutes:02}" if hours else f"{minutes}") + f":{rest // 10:02}.{rest % 10}"


def length(seconds: float) -> str:
    """A length of time in words: 12.3 s, 4 min 56 s, 1 h 3 min."""
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    return f"{minutes // 60} h {minutes % 60} min"
