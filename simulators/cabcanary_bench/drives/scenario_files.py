"""Scenario files: a drive as a timeline of the driver's doings, faults, circumstances and expectations, in TOML."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal

from cabcanary.plan.plan import load_plan
from cabcanary.settings.load import Loaded, load_file
from cabcanary.spelling import spelt
from cabcanary.validation.positions import Positions
from cabcanary.validation.problems import Problem, SettingsError, nearest
from cabcanary_bench.drives.expected import Expectation, Kept
from cabcanary_bench.drives.scenario import FIRST_DRIVE, Phase, Scenario, between
from cabcanary_bench.drives.scenario_schema import DriverEntry, ScenarioFile
from cabcanary_bench.drives.wltc import PHASE_ENDS_S, speed_at
from cabcanary_bench.faults.circumstances import Circumstance
from cabcanary_bench.faults.faults import Fault
from cabcanary_bench.paths import config_folder, scenario_folder

FIRST = "first-drive"
#: Prefix of the alerts that exist beside the rules' own.
_CANNOT_SEE = "cannot_see_"
_GUIDE = "simulators/README.md"
_HINTS = {
    "about": 'about = "…", what this drive is for, in a sentence',
    "length": 'length = "60 s"',
    "driver": 'a table [[driver]] with at = "0 s" and key = "on"',
    "at": 'at = "20 s"',
    "kind": 'kind = "hose_off"',
    "key": 'key = "on", "off" or "start"',
}
_KELVIN = 273.15


def shipped() -> dict[str, str]:
    """The scenarios that come with the bench: name -> what each is for."""
    found = {FIRST: "Five minutes with all in them that must and must not sound: lean, over-boost, a silent wideband."}
    for path in sorted(scenario_folder().glob("*.toml")):
        found[path.stem] = str(tomllib.loads(path.read_text(encoding="utf-8"))["about"])
    return found


def find_scenario(name: str) -> Scenario:
    """A shipped scenario by its name, or one of a person's own by its path.

    Raises:
        SettingsError: there is none, or its file is faulty.
    """
    if name == FIRST:
        return FIRST_DRIVE
    path = Path(name)
    if path.suffix != ".toml":
        path = scenario_folder() / f"{name}.toml"
        if not path.is_file():
            fix = f"{nearest(name, shipped())} Or give the path of a .toml file of your own"
            raise SettingsError([Problem(Path(name), 1, "", "there is no such scenario", fix)])
    return read_scenario(path)


def read_scenario(path: Path) -> Scenario:
    """Read a scenario file.

    Raises:
        SettingsError: with every problem at once.
    """
    try:
        loaded = load_file(path, ScenarioFile, _GUIDE, _HINTS)
    except SettingsError as error:
        raise SettingsError([*error.problems, *_beside(path)]) from error
    problems = [*_names(loaded.problem, loaded.model.model_dump()), *_times(loaded)]
    if problems:
        raise SettingsError(problems)
    return _scenario(path.stem, loaded.model)


# --- what a model alone cannot see ------------------------------------------------------------------------------


def _beside(path: Path) -> list[Problem]:
    """What else is wrong in a file that is wrong itself: names that lead nowhere."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return []
    place = Loaded(path, "", None, Positions(path.read_text(encoding="utf-8-sig")))  # type: ignore[type-var]
    return _names(place.problem, raw)


def _tables(raw: dict[str, Any], key: str) -> list[dict[str, Any]]:
    found = raw.get(key)
    return [t if isinstance(t, dict) else {} for t in found] if isinstance(found, list) else []


def _names(problem: Any, raw: dict[str, Any]) -> list[Problem]:
    """Names of alerts and of other entries that do not exist."""
    alerts = _alerts()
    named = {str(t["name"]) for key in ("driver", "fault", "circumstance") for t in _tables(raw, key) if t.get("name")}
    named |= {str(t.get("kind")) for key in ("fault", "circumstance") for t in _tables(raw, key)}
    problems = []
    for n, entry in enumerate(_tables(raw, "expect")):
        after = entry.get("after")
        if isinstance(after, str) and after not in named:
            words = f"nothing in this file is named '{after}'"
            problems.append(problem(("expect", n, "after"), words, nearest(after, named)))
        chosen = [k for k in ("sounds", "silent", "tells") if entry.get(k) is not None]
        if len(chosen) != 1:
            fix = 'write one of: sounds = "ALERT", silent = "everything", tells = "recorder failed"'
            problems.append(problem(("expect", n), "this expects not exactly one thing", fix))
        for key in ("sounds", "silent"):
            problems += _unknown(problem, ("expect", n, key), entry.get(key), alerts, all_too=key == "silent")
    return problems + _unknown(problem, ("may_sound",), raw.get("may_sound"), alerts, all_too=False)


def _unknown(
    problem: Any, path: tuple[str | int, ...], given: Any, alerts: set[str], *, all_too: bool
) -> list[Problem]:
    names = given if isinstance(given, list) else [given]
    known = alerts | ({"everything"} if all_too else set())
    return [
        problem(path, f"there is no alert '{name}'", nearest(name, known))
        for name in names
        if isinstance(name, str) and name not in known
    ]


def _alerts() -> set[str]:
    """Every alert that the bench van's monitor can raise, also by rules that wait for a baseline."""
    plan = load_plan(config_folder() / "bench-van.toml")
    rules = {r.id for r in plan.rules.rules} | {n.id for n in plan.not_fitted}
    return rules | {f"{_CANNOT_SEE}{channel}" for channel in plan.channel_units}


def _times(loaded: Loaded[ScenarioFile]) -> list[Problem]:
    """Times that are in the wrong order, or outside the drive."""
    model, problems = loaded.model, []
    if model.driver[0].at:
        problems.append(loaded.problem(("driver", 0, "at"), "the driver's first doing must be at 0 s", 'at = "0 s"'))
    for n, (before, entry) in enumerate(zip(model.driver, model.driver[1:], strict=False), 1):
        if not before.at < entry.at < model.length:
            words = (
                f"{spelt(entry.at)} s is not after {spelt(before.at)} s and before the length, {spelt(model.length)} s"
            )
            problems.append(loaded.problem(("driver", n, "at"), words, "put the entries in the order of their times"))
    for n, entry in enumerate(model.driver):
        end = model.driver[n + 1].at if n + 1 < len(model.driver) else model.length
        last = PHASE_ENDS_S[-1]
        if entry.trace is not None and entry.trace + _rides_on(model.driver, n, model.length) - entry.at > last:
            words = f"the trace ends at {last} s, before this stretch does ({spelt(end)} s of the drive)"
            problems.append(loaded.problem(("driver", n, "trace"), words, "begin earlier in it, or drive on by speed"))
        if entry.trace is not None and entry.speed is not None:
            problems.append(loaded.problem(("driver", n, "trace"), "speed and trace exclude each other", "remove one"))
    timed = [("fault", n, e.at, e.until) for n, e in enumerate(model.fault)]
    timed += [("circumstance", n, e.at, e.until) for n, e in enumerate(model.circumstance)]
    timed += [("expect", n, e.at or 0.0, e.until) for n, e in enumerate(model.expect)]
    for key, n, at, until in timed:
        if not at < (model.length if until is None else until):
            words = f"this begins at {spelt(at)} s and has ended by then"
            problems.append(
                loaded.problem((key, n, "at"), words, f"the drive ends at {spelt(model.length)} s; see until")
            )
    return problems


def _rides_on(driver: list[DriverEntry], n: int, length_s: float) -> float:
    """Until when the trace that begins at an entry is followed."""
    return next((e.at for e in driver[n + 1 :] if e.trace is not None or e.speed is not None), length_s)


# --- building ---------------------------------------------------------------------------------------------------


def _scenario(name: str, model: ScenarioFile) -> Scenario:
    # What lasts to the end is there a little longer, so that the last step has it too.
    end = model.length + 1.0
    faults = tuple(Fault(f.kind, f.at, end if f.until is None else f.until, f.severity, f.onset) for f in model.fault)
    circumstances = tuple(
        Circumstance(c.kind, c.at, end if c.until is None else c.until, c.amount) for c in model.circumstance
    )
    return Scenario(
        name,
        model.length,
        _phases(model),
        faults,
        start_coolant_c=None if model.start_coolant is None else model.start_coolant - _KELVIN,
        circumstances=circumstances,
        towed_kg=model.towed_kg,
        expectations=tuple(_expectations(model)),
        kept=Kept(model.recording.drives, model.recording.recovered, model.recording.lost),
        may_sound=tuple(model.may_sound),
        fastest=model.fastest,
    )


def _phases(model: ScenarioFile) -> tuple[Phase, ...]:
    """The driver's doings as phases: each has what its entry names, and the rest from the one before."""
    phases: list[Phase] = []
    key, grade, pedal, gear = "off", 0.0, None, None
    trace: tuple[float, float] | None = None  # (second of the trace, at this time of the drive)
    speeds: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    for n, entry in enumerate(model.driver):
        end = model.driver[n + 1].at if n + 1 < len(model.driver) else model.length
        key = entry.key or ("on" if key == "start" else key)
        grade = grade if entry.grade is None else entry.grade * 100
        pedal = pedal if entry.pedal is None else _number(entry.pedal, 100)
        gear = gear if entry.gear is None else _number(entry.gear, 1)
        if entry.trace is not None:
            trace = (entry.trace, entry.at)
        elif entry.speed is not None:
            now = speed_at(trace[0] + entry.at - trace[1]) if trace else between(speeds, entry.at)
            trace, wanted = None, entry.speed * 3.6
            speeds = ((entry.at, now), (entry.at + entry.within, wanted)) if entry.within else ((entry.at, wanted),)
        phases.append(
            Phase(
                entry.name or _doing(entry),
                entry.at,
                end,
                trace_s=trace[0] + entry.at - trace[1] if trace else 0.0,
                grade_percent=grade,
                key_on=key != "off",
                crank=key == "start",
                pedal_percent=pedal,
                gear=None if gear is None else round(gear),
                speeds=() if trace else speeds,
            )
        )
    return tuple(phases)


def _number(given: float | str, factor: float) -> float | None:
    return None if isinstance(given, str) else given * factor


def _doing(entry: DriverEntry) -> str:
    """Words for an entry without a name."""
    if entry.key is not None:
        return {"on": "key on", "off": "key off", "start": "start"}[entry.key]
    return "drive"


def _expectations(model: ScenarioFile) -> list[Expectation]:
    starts = {e.name: e.at for e in model.driver if e.name}
    timed = [(c.name, str(c.kind), c.at) for c in model.circumstance]
    for name, kind, at in (*timed, *((f.name, str(f.kind), f.at) for f in model.fault)):
        starts.setdefault(kind, at)
        starts[name or kind] = at
    found = []
    for e in model.expect:
        start = (e.at or 0.0) if e.after is None else starts[e.after] + (e.at or 0.0)
        what: Literal["sounds", "silent", "tells"] = "sounds" if e.sounds else "tells" if e.tells else "silent"
        given = e.sounds or e.tells or e.silent
        whom = tuple(given) if isinstance(given, list) else (str(given),)
        whom = () if whom == ("everything",) else whom
        name = e.name or (f"{what} {', '.join(whom) or 'nothing'}" if what != "silent" else f"no {', '.join(whom)}")
        end = model.length if e.until is None else e.until
        found.append(Expectation(name.strip(), what, whom, start, end, e.within, e.shown))
    return found
