"""What `cabcanary status` makes of an answer: judged by what the daemon says, at any width, without a daemon."""

from __future__ import annotations

import asyncio
import os
import random
import threading
from pathlib import Path
from typing import Any

import pytest

from cabcanary.display import Display
from cabcanary.live.ask import read_display
from cabcanary.live.page import columns, page, short, span
from cabcanary.live.report import report
from cabcanary.runtime import free_space
from cabcanary.runtime.free_space import FreeSpace

NOW = 1_000_000_000_000
S = 1_000_000_000


def channel(value: float | None, quality: str = "good", **more: Any) -> dict[str, Any]:
    told = {"unit": "kPa", "uncertainty": None, "reason": "", "since": NOW - 12 * S, "read": NOW, "made_of": []}
    return {**told, "value": value, "quality": quality, **more}


def answer(**changed: Any) -> dict[str, Any]:
    """A daemon that sees all it has, with nothing that stands."""
    well = {
        "software": "0", "vehicle": "van", "stage": "one", "pid": 7, "speed": 1.0, "now": NOW, "started": NOW - 90 * S,
        "ticked": NOW - S // 50, "late_ticks": 0, "alerts": [], "sources": {"adc": {"ok": True, "text": "open"}},
        "coverage": [{"watched_for": "heat", "watched": "yes", "why": []}],
        "channels": {"map": channel(101.3, uncertainty=0.4)},
        "drive": None, "last_drive": None, "recorder": {"ok": True, "text": "", "since": 0},
        "disk": {"free": 5_000_000_000, "size": 10_000_000_000, "problem": ""},
        "clients": [{"pid": 1, "user": 0, "kind": "own", "frames_hz": 10.0, "skipped": 0}],
    }  # fmt: skip
    return {**well, **changed}


def text(width: int = 100, **changed: Any) -> str:
    return "\n".join(page(report(answer(**changed)), width, colour=False))


ALERT = {
    "what": "lean", "t": NOW - 3 * S, "text": "", "say": "Lean under boost", "do": "Lift off gently", "blind": False,
    "priority": "warning", "state": "active", "figures": "lambda 0.93", "acknowledged": False, "shelved": False,
}  # fmt: skip


def test_values_are_shown_in_the_owners_units_and_told_to_programs_in_their_own() -> None:
    # 101.325 kPa = 14.696 psi (NIST SP 811, appendix B.8); the ratio of E10, 14.01, has its source in units.py.
    seen = {"map": channel(101.325, uncertainty=0.69), "lambda": channel(1.0, unit="lambda", uncertainty=0.01)}
    told = report(answer(channels=seen | {"air": channel(100.0, "within", uncertainty=1.0)}))
    owners = Display("psi", "AFR", "E10")
    lines = "\n".join(page(told, 50, colour=False, display=owners)).splitlines()
    assert any(line.startswith("  map    14.7 ± 0.1 psi, good") for line in lines), lines
    assert any(line.startswith("  lambda 14.01 ± 0.14 AFR, good") for line in lines), lines
    assert any(line.startswith("  air    14.21 to 14.79 psi, within") for line in lines), lines
    assert '"value":101.325' in told.model_dump_json()


def test_units_come_from_the_settings_file_and_a_broken_one_takes_none(tmp_path: Path) -> None:
    file = tmp_path / "van.toml"
    file.write_text('[vehicle]\nfuel = "E85"\n[display]\npressure = "bar"\nmixture = "AFR"\n', encoding="utf-8")
    assert read_display(file) == Display("bar", "AFR", "E85")
    for broken in ("[display]\npressure = 3\n", "display = 4\n", "[display\n", '[vehicle]\nfuel = "E1000"\n'):
        file.write_text(broken, encoding="utf-8")
        assert read_display(file) == Display()
    assert read_display(tmp_path / "none.toml") == Display()


def test_a_daemon_that_sees_all_and_has_nothing_to_tell_is_0() -> None:
    told = report(answer())
    assert (told.state, told.exit_code) == ("watching", 0)
    lines = text().splitlines()
    assert lines[:2] == ["van, stage: one, watched for 1 min 30 s.", "Nothing stands, and everything is seen."]
    assert "  map 101.3 ± 0.4 kPa, good for 12 s" in lines
    assert "  5 GB are free (50 %)." in lines


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"alerts": [ALERT]}, "! Lift off gently. Lean under boost, lambda 0.93 (warning, for 3.0 s)."),
        ({"channels": {"map": channel(None, "stale", reason="cut")}}, "? Cannot see map, stale for 12 s: cut."),
        ({"sources": {"adc": {"ok": False, "text": "gone"}}}, "? adc: gone."),
        ({"recorder": {"ok": False, "text": "cannot record: disk full", "since": 0}}, "! cannot record: disk full."),
        ({"ticked": NOW - 4 * S}, "ITS WATCH STANDS STILL: the last tick is 4.0 s old."),
        ({"ticked": None, "channels": {}}, "It has only just started"),
    ],
)  # fmt: skip
def test_whatever_stands_or_cannot_be_seen_is_1_and_is_said(changed: dict[str, Any], words: str) -> None:
    told = report(answer(**changed))
    assert (told.state, told.exit_code) == ("attention", 1)
    assert words in text(**changed)


def test_only_the_channel_at_the_root_is_blamed_and_the_others_are_told_beside_it() -> None:
    channels = {
        "map": channel(None, "out of range"),
        "boost": channel(None, "absent", made_of=["map"]),
        "trim": channel(None, "absent", made_of=["other"]),
        "other": channel(3.0),
    }
    told = report(answer(channels=channels)).cannot_see
    assert [(u.channel, u.lost_with_it) for u in told] == [("map", ["boost"]), ("trim", [])]
    assert told[0].do.startswith("Look at its plug, wires and supply")
    assert told[1].do.startswith("It is worked out from other")


def test_an_interval_an_end_and_a_large_number_are_written_as_people_write_them() -> None:
    channels = {
        "air": channel(98.0, "within", uncertainty=2.0),
        "lambda": channel(1.5, "saturated high", unit="lambda"),
        "speed": channel(12345.0, unit="rpm"),
        "state": channel(0.000012, unit=""),
    }
    lines = text(60, channels=channels).splitlines()
    assert "  air    94 to 102 kPa, within for 12 s" in lines
    assert "  lambda at least 1.5, saturated high for 12 s" in lines
    assert "  speed  12345 rpm, good for 12 s" in lines
    assert "  state  0.000012, good for 12 s" in lines
    assert report(answer(channels=channels)).exit_code == 0


def test_at_any_width_no_line_is_wider_and_no_word_is_lost() -> None:
    chance = random.Random(3)
    for _ in range(200):
        words = ["".join(chance.choice("ab日ü±x") for _ in range(chance.randint(1, 30))) for _ in range(20)]
        long = {**ALERT, "say": " ".join(words)}
        channels = {f"{'c' * chance.randint(1, 25)}{n}": channel(chance.random() * 1e4) for n in range(9)}
        told = report(answer(alerts=[long], channels=channels, vehicle="車" * 30))
        width = chance.randint(20, 240)
        lines = page(told, width, colour=False)
        assert max(map(columns, lines)) <= width
        joined = "".join("".join(lines).split())
        assert "".join(words) in joined
        assert all(name in joined for name in channels)
        # Colour changes what a line looks like, and nothing of what it says.
        coloured = page(told, width, colour=True)
        assert [
            line.replace("\x1b[1m", "").replace("\x1b[1;31m", "").replace("\x1b[0m", "") for line in coloured
        ] == lines


def test_what_a_wire_says_gives_a_terminal_no_orders() -> None:
    rude = channel(None, "absent", reason="status=\x1b[2J\x07\x9berror\nline")
    for line in (
        *page(report(answer(channels={"map": rude})), 80, colour=False),
        short(report(answer(vehicle="\x1b]0;x"))),
    ):
        assert line.isprintable()


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.0, "0.0 s"), (3.21, "3.2 s"), (9.96, "9 s"), (59.9, "59 s"), (60, "1 min"), (250, "4 min 10 s"),
     (3600, "1 h"), (7500, "2 h 5 min"), (86400 * 3 + 7200, "3 d 2 h")],
)  # fmt: skip
def test_a_length_of_time_has_two_units_at_most(seconds: float, words: str) -> None:
    assert span(seconds) == words


async def test_a_card_that_does_not_answer_holds_up_nobody_and_keeps_one_thread(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    stalled, calls = threading.Event(), []

    def statvfs(path: Path) -> os.statvfs_result:
        calls.append(path)
        stalled.wait(30.0)
        return real(path)

    real = os.statvfs
    monkeypatch.setattr(free_space.os, "statvfs", statvfs)
    space = FreeSpace(tmp_path)
    turns = 0

    async def tick() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0.01)

    ticking = asyncio.ensure_future(tick())
    told = await asyncio.gather(*(space.look() for _ in range(5)))
    ticking.cancel()
    assert {t["problem"] for t in told} == {"the card does not answer"}
    assert len(calls) == 1
    # Half a second of waiting, and the loop went on meanwhile.
    assert turns >= 5
    stalled.set()
    assert (await space.look())["size"] == real(tmp_path).f_blocks * real(tmp_path).f_frsize
