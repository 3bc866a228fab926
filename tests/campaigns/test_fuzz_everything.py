"""No outside input brings a parser down: damaged valid inputs for a stated time, each within bounds of time and memory.

The wires' parsers, the grammar, settings line by line, journals and manifests are fuzzed in sources/test_fuzz.py; which
test fuzzes what stands in DEVELOPERS.md.
"""

from __future__ import annotations

import contextlib
import random
import resource
import sys
import time
from collections import Counter
from pathlib import Path

import pytest
from fuzz_readers import Reader, readers
from fuzz_seeds import FELL
from mutated import mutated

#: Of each reader, s: in the ordinary suite, and in the campaign.
_SHORT_S, _LONG_S = 0.6, 60.0
#: So many cases at most in the suite: the same ones on every machine that is quick enough.
_CASES = 250
#: No case takes a thread longer, s, on the slowest machine that tests run on; nor more memory than this, MiB.
_LONGEST_S, _MOST_MIB = 10.0, 400.0
#: The library for MDF believes a damaged length, and walks that far; a person imports at a desk, and Ctrl-C ends it.
_WALKS_S = {"log mdf": 120.0}
_FEW_CASES = {"log mdf": 5}
NAMES = (
    "settings", "rule files", "plan with a rule file", "settings to be edited", "tables for watcher and status",
    "calibration points", "answers of new", "answers of inspect", "inspection record", "scenario", "reconvert",
    "log mapping", "log csv", "log mdf", "channel memory", "baselines", "boots index", "drive file",
    "drive description", "events", "manifest", "feed command", "mqtt command", "http", "nmea", "obd", "slcan",
    "voltage tree", "small files",
)  # fmt: skip


@pytest.fixture(scope="module")
def every(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Reader]:
    return readers(tmp_path_factory.mktemp("seeds"))


def fuzzed(
    reader: Reader, folder: Path, seconds: float, seed: int, most: int = sys.maxsize, longest_s: float = _LONGEST_S
) -> Counter[str]:
    """Damaged inputs for so long, at most so many; how many were taken, and how many refused."""
    chance, counts = random.Random(seed), Counter[str]()
    until, before_kib = time.monotonic() + seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    while time.monotonic() < until and counts.total() < most:
        data = mutated(chance, (*reader.seeds, *reader.odd), reader.words)
        begun_s = time.thread_time()
        try:
            reader.read(data, folder)
            counts["taken"] += 1
        except reader.refuses:
            counts["refused"] += 1
        except Exception as fault:
            fault.add_note(f"by {len(data)} bytes: {data[:300]!r} … {data[-100:]!r}")
            raise
        taken_s = time.thread_time() - begun_s
        grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kib) / 1024
        assert taken_s <= longest_s, f"{taken_s:.1f} s for {data[:300]!r}"
        assert grown <= _MOST_MIB, f"{grown:.0f} MiB for {data[:300]!r}"
    return counts


@pytest.mark.parametrize("name", NAMES)
def test_what_is_valid_is_read(every: dict[str, Reader], name: str, tmp_path: Path) -> None:
    for seed in every[name].seeds:
        every[name].read(seed, tmp_path)
    for odd in every[name].odd:
        with pytest.raises(every[name].refuses):
            every[name].read(odd, tmp_path)


@pytest.mark.parametrize("name", FELL)
def test_what_once_brought_a_reader_down_no_longer_does(every: dict[str, Reader], name: str, tmp_path: Path) -> None:
    for data in FELL[name]:
        with contextlib.suppress(*every[name].refuses):
            every[name].read(data, tmp_path)


@pytest.mark.parametrize("name", NAMES)
def test_damaged_input_is_refused_or_read_and_nothing_else(every: dict[str, Reader], name: str, tmp_path: Path) -> None:
    counts = fuzzed(every[name], tmp_path, _SHORT_S, 1, _FEW_CASES.get(name, _CASES))
    assert counts.total() > 0


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", NAMES)
def test_a_minute_of_damaged_input_brings_nothing_down(every: dict[str, Reader], name: str, tmp_path: Path) -> None:
    counts = fuzzed(every[name], tmp_path, _LONG_S, 2, longest_s=_WALKS_S.get(name, _LONGEST_S))
    print(f"\n  {name:<32}{counts.total():>8} cases in {_LONG_S:.0f} s: {dict(counts)}", file=sys.stderr)
