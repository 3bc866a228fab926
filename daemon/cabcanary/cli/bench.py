"""The command line of the bench: the simulated van, its scenarios, and the labelled corpus."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import SAFETY
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from cabcanary_bench.van.build import Build

OK, FAILED, WRONG = 0, 1, 2

_CORPUS = "corpus"
_HOURS, _FAULTS, _SEED = 2.0, 100, 1
#: For so long each size of vehicle is measured, s: enough ticks for a median that two runs agree in.
_MEASURE_S = 6.0
_COMPRESSORS = ("displacement", "centrifugal", "turbo", "none")
#: Options that make another vehicle than the bench van of the corpus.
_VEHICLE = ("config", "compressor", "all_vehicles", "learnt", "metering", "alternator", "throttle")
_FOR_CORPUS = ("hours", "faults", "seed", "keep", "cores", *_VEHICLE)


def add_bench(verbs: Any) -> None:
    """Add the verb `bench`."""
    bench = verbs.add_parser(
        "bench",
        help="drive the simulated van against the real daemon",
        description="Drive the simulated van through a scenario against the daemon that is installed here, and grade "
        "the alerts heard. With --config your own vehicle is rehearsed before anybody drives: every fault that its "
        "sensors could show, by its own settings and rules. `bench corpus` makes and grades many labelled drives, "
        "without wires and on all cores.",
        epilog="Exit codes: 0 all expectations met, 1 one not met, or nothing graded as the machine could not "
        f"keep time, 2 the command or the scenario is wrong. {SAFETY}",
    )
    bench.add_argument(
        "scenario", nargs="?", metavar="SCENARIO", help="a scenario's name, a file of your own, or: corpus"
    )
    bench.add_argument("--list", action="store_true", help="list the scenarios that come with the bench")
    bench.add_argument(
        "--speed",
        type=float,
        default=math.inf,
        help="at most so many times as fast as real time (from 1; default: no bound)",
    )
    bench.add_argument("--folder", type=Path, default=Path("bench-drives"), help="where recordings go")
    bench.add_argument(
        "--without-wires", action="store_true", help="only channels and rules, in a moment: nothing sounds or is kept"
    )
    bench.add_argument(
        "--measure",
        action="store_true",
        help="print what the monitor costs on this computer: ticks, processes, start, records; about two minutes",
    )
    bench.add_argument("--plain", action="store_true", help="lines instead of a live screen")
    bench.add_argument("--json", action="store_true", help="only the result, for a program to read")
    corpus = bench.add_argument_group("bench corpus")
    corpus.add_argument("--hours", type=float, help=f"of ordinary driving (default {spelt(_HOURS)})")
    corpus.add_argument("--faults", type=int, help=f"drives with a fault (default {_FAULTS})")
    corpus.add_argument("--seed", type=int, help=f"the same seed makes the same drives (default {_SEED})")
    corpus.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="keep every drive there, to be judged by changed rules in minutes"
    )
    corpus.add_argument("--cores", type=int, help="how many to use (default: all; with other vehicles: 2)")
    corpus.add_argument(
        "--config", type=Path, action="append", metavar="FILE", help="another vehicle's settings; may be repeated"
    )
    corpus.add_argument(
        "--compressor", action="append", choices=_COMPRESSORS, help="what makes its boost; may be repeated"
    )
    corpus.add_argument(
        "--all-vehicles",
        action="store_true",
        default=None,
        help="all settings that come with the program, each with all",
    )
    corpus.add_argument(
        "--learnt",
        action="store_true",
        default=None,
        help="with what is normal learnt before, on 20 ordinary drives of its own",
    )
    corpus.add_argument("--metering", choices=("speed_density", "mass_air"), help="how its air is metered")
    corpus.add_argument("--alternator", choices=("by_drive", "fixed", "smart"), help="how its battery is charged")
    corpus.add_argument(
        "--throttle", metavar="REST:WIDE", help="what its throttle shows with the pedal up and wide open, such as 15:80"
    )
    bench.set_defaults(run=_bench)


def _bench(options: argparse.Namespace) -> int:
    if options.list:
        return _list(options)
    for_corpus = [f"--{n.replace('_', '-')}" for n in _FOR_CORPUS if getattr(options, n) is not None]
    if options.measure:
        return _measure(options, for_corpus)
    if options.scenario == _CORPUS:
        return _grade_corpus(options)
    if options.scenario is None and (options.config or options.all_vehicles):
        return _rehearse(options)
    if for_corpus:
        return _wrong(f"{', '.join(for_corpus)}: only for `cabcanary bench corpus`, or a vehicle without a scenario")
    if not options.speed >= 1:
        return _wrong("--speed takes a number from 1")
    return _drive(options)


def _drive(options: argparse.Namespace) -> int:
    from cabcanary.validation.problems import SettingsError
    from cabcanary_bench.drives.scenario_files import FIRST, find_scenario
    from cabcanary_bench.rig.bench import run_bench
    from cabcanary_bench.rig.dry_run import needs_wires, run_dry

    try:
        scenario = find_scenario(options.scenario or FIRST)
    except SettingsError as error:
        return _wrong(str(error))
    if options.without_wires:
        if needs_wires(scenario):
            return _wrong(f"{scenario.name} needs the daemon on its wires: leave --without-wires away")
        return run_dry(scenario, as_json=options.json)
    return run_bench(scenario, options.folder, options.speed, plain=options.plain, as_json=options.json)


def _measure(options: argparse.Namespace, others: list[str]) -> int:
    from cabcanary_bench.measure.measure import run_measure

    if others or options.scenario is not None:
        return _wrong("--measure takes neither a scenario nor a vehicle: it measures the bench van")
    return run_measure(_MEASURE_S, as_json=options.json)


def _list(options: argparse.Namespace) -> int:
    from cabcanary_bench.drives.scenario_files import shipped

    found = shipped()
    if options.json:
        print(json.dumps([{"name": n, "about": about} for n, about in found.items()], ensure_ascii=False, indent=1))
        return OK
    width = max(len(name) for name in found)
    for name, about in found.items():
        print(f"{name:<{width}}  {about}")
    return OK


def _grade_corpus(options: argparse.Namespace) -> int:
    from cabcanary_bench.corpus.corpus_run import run_corpus

    hours = _HOURS if options.hours is None else options.hours
    faults = _FAULTS if options.faults is None else options.faults
    if not 0 <= hours < math.inf or faults < 0 or not (hours or faults):
        return _wrong("--hours and --faults say how much to drive: numbers from 0, and not both 0")
    if options.cores is not None and options.cores < 1:
        return _wrong("--cores takes a number from 1")
    if any(getattr(options, n) is not None for n in _VEHICLE):
        return _grade_vehicles(options, hours, faults)
    return run_corpus(
        hours,
        faults,
        _SEED if options.seed is None else options.seed,
        options.cores,
        keep=options.keep,
        as_json=options.json,
    )


def _rehearse(options: argparse.Namespace) -> int:
    from cabcanary_bench.corpus.rehearsal import run_rehearsal

    for_corpus = [f"--{n}" for n in ("hours", "faults", "learnt") if getattr(options, n) is not None]
    if for_corpus:
        return _wrong(f"{', '.join(for_corpus)}: only for `cabcanary bench corpus`")

    def run(files: list[Path], build: Build, seed: int) -> int:
        kinds = options.compressor or ()
        return run_rehearsal(files, kinds, build, seed, options.cores, as_json=options.json)

    return _with_vehicles(options, run)


def _grade_vehicles(options: argparse.Namespace, hours: float, faults: int) -> int:
    from cabcanary_bench.corpus.vehicles import run_vehicles

    def run(files: list[Path], build: Build, seed: int) -> int:
        kinds = options.compressor or (_COMPRESSORS if options.all_vehicles else ())
        learn = bool(options.learnt)
        return run_vehicles(files, kinds, build, hours, faults, seed, options.cores, learn=learn, as_json=options.json)

    return _with_vehicles(options, run)


def _with_vehicles(options: argparse.Namespace, run: Callable[[list[Path], Build, int], int]) -> int:
    """What is asked of other vehicles, with their files, what they are built like, and the seed."""
    from cabcanary.validation.problems import SettingsError
    from cabcanary_bench.corpus.vehicles import shipped
    from cabcanary_bench.fast.fitted import NoWireError
    from cabcanary_bench.paths import config_folder
    from cabcanary_bench.van.build import Build

    if options.keep is not None:
        return _wrong("--keep: only for the bench van as it is shipped")
    if options.all_vehicles and options.config:
        return _wrong("--all-vehicles takes the settings that come with the program; leave --config away")
    if options.cores is not None and options.cores < 1:
        return _wrong("--cores takes a number from 1")
    ends = _throttle(options.throttle)
    if ends is None:
        return _wrong("--throttle takes two percentages, the lower first, such as 15:80")
    build = Build("displacement", options.metering or "speed_density", options.alternator or "by_drive", *ends)
    files = shipped() if options.all_vehicles else options.config or [config_folder() / "bench-van.toml"]
    try:
        return run(files, build, _SEED if options.seed is None else options.seed)
    except (SettingsError, NoWireError) as error:
        return _wrong(str(error))


def _throttle(words: str | None) -> tuple[float, float] | None:
    """Both ends of a throttle in percent; None where they are none."""
    if words is None:
        return 0.0, 100.0
    rest, _, wide = words.partition(":")
    try:
        ends = float(rest), float(wide)
    except ValueError:
        return None
    return ends if 0 <= ends[0] < ends[1] <= 100 else None


def _wrong(words: str) -> int:
    print(words, file=sys.stderr)
    return WRONG
