"""The record of an inspection: `inspections/DATE.json` in the daemon's folder, written after every step."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, ValidationError

from cabcanary.inspection.evidence import Evidence, Finding, Verdict, record_of
from cabcanary.inspection.ranking import named, words_of
from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.inspection.roles import Roles

FOLDER = "inspections"


class RecordError(Exception):
    """A record cannot be used; the text says why and what to do."""


class _Step(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)

    what: str
    figure: str
    limit: str
    verdict: Verdict


class _Kept(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    vehicle: str
    stage: str
    begun: str
    ended: str = ""
    simulated: str = ""
    answers: dict[str, bool | float] = {}
    figures: dict[str, float] = {}
    observed: dict[str, str] = {}
    steps: dict[str, list[_Step]] = {}


class Record:
    """One inspection, under way or over. `simulated` says by what, and is empty for a vehicle."""

    def __init__(self, file: Path, vehicle: str, stage: str, simulated: str = "") -> None:
        self.file, self.vehicle, self.stage, self.simulated = file, vehicle, stage, simulated
        self.begun = _now()
        self.ended = ""
        self.steps: dict[str, list[Finding]] = {}
        self._known: dict[str, Any] = {}
        self._causes: list[dict[str, Any]] = []

    @property
    def findings(self) -> list[Finding]:
        """Of all steps, in their order."""
        return [finding for found in self.steps.values() for finding in found]

    @property
    def failed(self) -> bool:
        """Whether anything has."""
        return any(f.verdict == "fail" for f in self.findings)

    @property
    def complete(self) -> bool:
        """Whether everything that was possible was seen as it should be."""
        return bool(self.ended) and not any(f.verdict in ("fail", "skipped") for f in self.findings)

    def put(self, step: str, found: list[Finding], evidence: Evidence) -> None:
        """Keep a step.

        Raises:
            OSError: it cannot be written.
        """
        self.steps[step] = found
        self.keep(evidence)

    def keep(self, evidence: Evidence) -> None:
        """Keep what was typed within a step that was not ended.

        Raises:
            OSError: it cannot be written.
        """
        self._known = record_of(evidence)
        self._causes = _causes(evidence) if self.failed else []
        self._save()

    def end(self, evidence: Evidence) -> None:
        """It is over.

        Raises:
            OSError: it cannot be written.
        """
        self.ended = _now()
        self.keep(evidence)

    def _save(self) -> None:
        self.file.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(self.file, json.dumps(self.as_json(), ensure_ascii=False, indent=1).encode())

    def as_json(self) -> dict[str, Any]:
        """The record as it stands in its file."""
        return {
            "vehicle": self.vehicle,
            "stage": self.stage,
            "begun": self.begun,
            "ended": self.ended,
            "simulated": self.simulated,
            "complete": self.complete,
            "failed": self.failed,
            **self._known,
            "steps": {key: [f.as_json() for f in found] for key, found in self.steps.items()},
            "causes": self._causes,
        }

    @property
    def causes(self) -> list[dict[str, Any]]:
        """What may be the cause of what failed, the likeliest first."""
        return self._causes


def _causes(evidence: Evidence) -> list[dict[str, Any]]:
    return [
        {
            "cause": r.cause.key,
            "words": words_of(r, evidence),
            "next": r.cause.next,
            "probability": round(r.probability, 3),
        }
        for r in named(evidence)
    ]


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def taken_up(folder: Path, vehicle: str, stage: str, roles: Roles, *, anew: bool) -> tuple[Record, Evidence]:
    """The inspection of this vehicle and stage that was stopped, or a new one.

    Raises:
        RecordError: there is one and it cannot be read.
    """
    place = folder / FOLDER
    newest = max(place.glob("*.json"), key=lambda f: f.stat().st_mtime_ns, default=None)
    if newest is not None and not anew:
        kept = _read(newest)
        if not kept.ended and (kept.vehicle, kept.stage, kept.simulated) == (vehicle, stage, ""):
            return _gone_on(newest, kept, roles)
    return Record(new_file(place), vehicle, stage), Evidence(roles)


def new_file(place: Path) -> Path:
    """Today's date, with a number behind it from the second of the day on."""
    today = datetime.now(UTC).date().isoformat()
    number = 1
    while (file := place / f"{today}{f'-{number}' if number > 1 else ''}.json").exists():
        number += 1
    return file


def _read(file: Path) -> _Kept:
    try:
        return _Kept.model_validate_json(file.read_bytes())
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise RecordError(f"{file} is no inspection ({where}: {first['msg']}); move it away, or add --new") from error
    except OSError as error:
        raise RecordError(f"{file} cannot be read: {error.strerror or error}; move it away, or add --new") from error


def _gone_on(file: Path, kept: _Kept, roles: Roles) -> tuple[Record, Evidence]:
    record = Record(file, kept.vehicle, kept.stage)
    record.begun = kept.begun
    # What was only skipped is asked again.
    for key, found in kept.steps.items():
        if any(step.verdict != "skipped" for step in found):
            record.steps[key] = [Finding(s.what, s.figure, s.limit, s.verdict) for s in found]
    return record, Evidence(roles, dict(kept.answers), dict(kept.figures), dict(kept.observed))
