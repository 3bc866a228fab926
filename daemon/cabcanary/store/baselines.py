"""The baselines measured in each stage: one small file in the daemon's folder, written when the vehicle stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

BASELINES_FILE = "baselines.json"


class Baseline(BaseModel):
    """One baseline of one stage. `points` are pairs of `by` and value, in their units; one pair where there is no `by`.

    `spread` is half of the range that holds the middle 90 % of the values measured around the points.
    """

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    name: str
    stage: str
    of: str
    unit: str
    by: str | None = None
    by_unit: str = ""
    points: list[tuple[float, float]] = Field(min_length=1, max_length=500)
    spread: float = 0.0
    #: The sensor that measured it, what a pressure counted from, and the sensor's standard uncertainty in `unit`.
    sensor: str = ""
    reference: str = "absolute"
    uncertainty: float = 0.0
    seconds: float = 0.0
    #: ISO 8601, UTC.
    measured: str = ""
    drives: list[str] = []
    #: What the stage was declared to be when it was measured, as far as this depends on it.
    facts: dict[str, str] = {}

    def changed(self, facts: Mapping[str, str]) -> list[str]:
        """What has been changed since that it depends on; of one without `facts` nothing is known."""
        return [name for name, was in self.facts.items() if facts.get(name, was) != was]


class Baselines(BaseModel):
    """Every baseline that has been measured; a newer one of the same name and stage takes the place of the older."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    baselines: list[Baseline] = []

    def of_stage(self, stage: str, facts: Mapping[str, str] | None = None) -> dict[str, Baseline]:
        """Those of one stage, by name; without those that a change of what is declared in `facts` has voided."""
        return {b.name: b for b in self.baselines if b.stage == stage and not b.changed(facts or {})}

    def before(self, name: str, stages: Sequence[str], stage: str) -> Baseline | None:
        """One of the nearest stage before this one that has it; None: no stage has."""
        for earlier in reversed(stages[: stages.index(stage)] if stage in stages else ()):
            for baseline in self.baselines:
                if (baseline.stage, baseline.name) == (earlier, name):
                    return baseline
        return None

    def void(self, stage: str, facts: Mapping[str, str]) -> list[tuple[Baseline, list[str]]]:
        """Those of one stage that a change has voided, with what was changed."""
        return [(b, b.changed(facts)) for b in self.baselines if b.stage == stage and b.changed(facts)]

    def with_one(self, new: Baseline) -> Baselines:
        """These, with a new one in place of its older self."""
        others = [b for b in self.baselines if (b.stage, b.name) != (new.stage, new.name)]
        return Baselines(baselines=[*others, new])


class BaselinesError(Exception):
    """The file of baselines cannot be used; the text says why."""


def read_baselines(folder: Path) -> Baselines:
    """The baselines kept in the daemon's folder; none where there is no file.

    Raises:
        BaselinesError: there is a file and it cannot be read.
    """
    path = folder / BASELINES_FILE
    try:
        text = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return Baselines()
    except OSError as error:
        raise BaselinesError(f"{path} cannot be read: {error.strerror or error}") from error
    try:
        return Baselines.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise BaselinesError(f"{path} is no file of baselines ({where}: {first['msg']}); move it away") from error


def write_baselines(folder: Path, baselines: Baselines) -> None:
    """Write the file, whole or not at all."""
    write_atomically(folder / BASELINES_FILE, baselines.model_dump_json(indent=1).encode())
