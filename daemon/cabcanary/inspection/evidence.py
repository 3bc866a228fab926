"""What an inspection has come to know: what a person typed, figures, and observations in words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from cabcanary.inspection.roles import Roles

Verdict = Literal["pass", "fail", "not possible here", "skipped"]
#: A number, or yes or no.
Answer = float | bool


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a step has measured: the figure and its limit in words, and the verdict."""

    what: str
    figure: str
    limit: str
    verdict: Verdict

    def as_json(self) -> dict[str, str]:
        """As it stands in the record."""
        return {"what": self.what, "figure": self.figure, "limit": self.limit, "verdict": self.verdict}


@dataclass(slots=True)
class Evidence:
    """`answers` by question, `figures` (kPa, V, lambda, s) and `observed` words by name; both last over a stop."""

    roles: Roles
    answers: dict[str, Answer] = field(default_factory=dict)
    figures: dict[str, float] = field(default_factory=dict)
    observed: dict[str, str] = field(default_factory=dict)

    def number(self, name: str) -> float | None:
        """A typed number; None: not answered."""
        answer = self.answers.get(name)
        return None if answer is None or isinstance(answer, bool) else float(answer)

    def yes(self, name: str) -> bool | None:
        """A typed yes or no; None: not answered."""
        answer = self.answers.get(name)
        return answer if isinstance(answer, bool) else None

    @property
    def air_kpa(self) -> float:
        """The air's pressure as well as it is known; a standard day's where it is not."""
        return self.figures.get("air", 101.3)


def record_of(evidence: Evidence) -> dict[str, Any]:
    """What of it goes into the record."""
    return {
        "answers": dict(evidence.answers),
        "figures": {k: round(v, 4) for k, v in evidence.figures.items()},
        "observed": dict(evidence.observed),
    }
