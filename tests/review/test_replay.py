"""What ran live is what is played again: the same alerts at the same ticks, with their sounds, in their time."""

from __future__ import annotations

import asyncio
import json
import shutil
from typing import TYPE_CHECKING

import pytest
from live_drive import TICK_NS, Live
from small_van import RULES, SETTINGS, Wires

from cabcanary.alerts.words import alert_event
from cabcanary.cli.main import main
from cabcanary.model import Event, EventKind
from cabcanary.plan.plan import load_plan
from cabcanary.recorder.archiver import archive_all
from cabcanary.review.replay.recording import open_playable
from cabcanary.review.replay.replay import Wanted, play

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.alerts.sounds import Sound


class Told(Live):
    """A drive whose alerts are recorded as the daemon records them, and in which somebody acknowledges."""

    heard: list[tuple[int, str, str]]

    def __init__(self, plan, folder, wires) -> None:
        super().__init__(plan, folder, wires)
        self.heard = []

    def step(self):
        before = len(self.changes)
        super().step()
        self.tell(self.changes[before:])

    def tell(self, changes):
        for change in changes:
            self.heard.append((change.time_ns, change.alert, change.state))
            self.recorder.event(alert_event(change))

    def acknowledge(self):
        """Between two ticks."""
        now_ns = self.now_ns + TICK_NS // 2
        self.recorder.event(Event(now_ns, EventKind.ACKNOWLEDGE, "button", "acknowledged"))
        self.tell(self.engine.acknowledge(now_ns))

    def shelve(self, alert: str, seconds: float):
        now_ns = self.now_ns + TICK_NS // 2
        changes = self.engine.shelve(alert, int(seconds * 1e9), now_ns)
        data = {"until": now_ns + int(seconds * 1e9), "one_shot": False}
        self.recorder.event(Event(now_ns, EventKind.SHELVE, alert, "put aside", data))
        self.tell(changes)


class Made:
    def __init__(self, folder: Path, seed: int) -> None:
        self.settings = folder / "van.toml"
        self.settings.write_text(SETTINGS)
        (folder / "rules.toml").write_text(RULES)
        self.folder = folder / "state"
        live = Told(load_plan(self.settings), self.folder, Wires(seed))
        live.run(150, running=False)
        live.run(300, running=True)
        live.acknowledge()
        live.run(100, running=True)
        live.shelve("over_boost", 1.0)
        live.run(300, running=True)
        live.key_off(80)
        live.finish()
        self.heard = live.heard
        self.journal = folder / "kept.ccj"
        shutil.copy(next((self.folder / "journal").glob("*.ccj")), self.journal)
        archive_all(self.folder)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Made:
    return Made(tmp_path_factory.mktemp("van"), 3)


def replayed(made: Made, *arguments: object, code: int = 0, capsys) -> dict:
    capsys.readouterr()
    options = [str(a) for a in arguments]
    assert main(["replay", "--folder", str(made.folder), "--speed", "max", "--json", *options]) == code
    return json.loads(capsys.readouterr().out)


def test_the_drive_has_something_to_tell(made):
    states = {state for _, _, state in made.heard}
    assert {alert for _, alert, _ in made.heard} >= {"lean_under_boost", "over_boost", "cannot_see_lambda"}
    assert any("unacknowledged" in s for s in states)
    assert any("shelved" in s for s in states)


@pytest.mark.parametrize("seed", range(4, 10))
def test_a_drive_gives_the_alerts_that_were_raised_live_at_the_same_ticks(tmp_path, seed, capsys):
    made = Made(tmp_path, seed)
    answer = replayed(made, "last", capsys=capsys)
    assert answer["same"] is True
    played = [(a["t"], a["alert"], a["state"]) for a in answer["alerts"]]
    assert played == [h for h in made.heard if h[0] >= played[0][0]]
    assert played[-1] == made.heard[-1]
    assert len(played) > 10


def test_a_journal_is_played_as_its_archive_is(made, capsys):
    assert replayed(made, made.journal, capsys=capsys) == replayed(made, "last", capsys=capsys)


def test_an_archive_file_is_played_by_its_path(made, capsys):
    (samples,) = made.folder.glob("drives/*/*/*.parquet")
    assert replayed(made, samples, capsys=capsys)["same"] is True


def test_an_alert_that_is_not_raised_again_is_named_and_ends_with_1(made, tmp_path, capsys):
    shutil.copytree(made.folder, tmp_path / "state")
    (events,) = (tmp_path / "state").glob("drives/*/*/*.events.jsonl")
    lines = [json.loads(line) for line in events.read_text().splitlines()]
    late = next(e for e in lines if e["kind"] == "alert" and e["what"] == "lean_under_boost")
    late["t"] += TICK_NS
    events.write_text("\n".join(map(json.dumps, lines)) + "\n")
    (samples,) = (tmp_path / "state").glob("drives/*/*/*.parquet")
    answer = replayed(made, samples, code=1, capsys=capsys)
    assert answer["same"] is False
    assert [(m["alert"], m["t"]) for m in answer["missing"]] == [("lean_under_boost", late["t"])]
    assert [(m["alert"], m["t"]) for m in answer["new"]] == [("lean_under_boost", late["t"] - TICK_NS)]
    assert main(["replay", str(samples), "--speed", "max"]) == 1
    assert "they differ" in capsys.readouterr().out


def test_other_rules_are_tried_and_what_they_change_is_shown(made, tmp_path, capsys):
    other = tmp_path / "other.toml"
    other.write_text(RULES.replace("boost > 8 psi", "boost > 2 psi"))
    answer = replayed(made, "last", "--rules", other, capsys=capsys)
    assert {(a["alert"], a["state"]) for a in answer["alerts"]} >= {("lean_under_boost", "active, unacknowledged")}
    assert {m["alert"] for m in answer["new"]} == {"over_boost"}
    assert "active, unacknowledged" in {m["state"] for m in answer["new"]}
    assert main(["replay", "last", "--folder", str(made.folder), "--speed", "max", "--rules", str(other)]) == 0
    assert "now only   over_boost: active" in capsys.readouterr().out


def test_a_log_of_another_program_is_played_with_the_rules_of_a_settings_file(made, tmp_path, capsys):
    log = tmp_path / "log.csv"
    rows = [f"{n / 50:.2f},{5.0 if 100 < n < 300 else -9.0},{0.95 if n > 200 else 0.8}" for n in range(400)]
    log.write_text("time_s,boost_as_burnt [psi],lambda [lambda]\n" + "\n".join(rows) + "\n")
    answer = replayed(made, log, "--config", made.settings, capsys=capsys)
    assert answer["same"] is None
    lean = [a for a in answer["alerts"] if a["alert"] == "lean_under_boost"]
    assert [a["state"] for a in lean] == ["active, unacknowledged", "normal"]
    # 0.12 s after lambda has passed 0.88 at 4.02 s.
    assert lean[0]["s"] == pytest.approx(4.14, abs=0.021)
    assert main(["replay", str(log)]) == 2
    assert "say with --config whose channels" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nothing"], "there is no drive 'nothing'"),
        (["last", "--speed", "max", "--sound", "bell"], "too fast to be heard"),
        (["last", "--sound", "configured"], "needs --config"),
        (["last", "--wires", "--speed", "max"], "bytes need their real time"),
        (["last", "--wires", "--speed", "2", "--sound", "bell"], "leave --sound and --from away"),
        (["last", "--rules", "/no/such/rules.toml"], "cannot be read"),
    ],
)
def test_a_wrong_command_is_answered_in_words(made, arguments, words, capsys):
    assert main(["replay", "--folder", str(made.folder), *arguments]) == 2
    assert words in capsys.readouterr().err


# --- sounds and time ---------------------------------------------------------------------------------------------


class Ear:
    """An output that keeps what it was told, and when."""

    def __init__(self) -> None:
        self.heard: list[tuple[float, str]] = []
        self.now = lambda: 0.0

    def play(self, sound: Sound, words: str) -> None:
        self.heard.append((self.now(), sound.name))

    def silence(self) -> None:
        self.heard.append((self.now(), "silence"))


def heard_of(made: Made, wanted: Wanted, ear: Ear) -> tuple[object, float]:
    async def listen():
        loop = asyncio.get_running_loop()
        began = loop.time()
        ear.now = lambda: loop.time() - began
        with open_playable(str(made.journal), None) as drive:
            result = await play(drive, drive.plan, wanted, [ear])
        return result, loop.time() - began

    return asyncio.run(listen())


def test_it_is_heard_as_it_was_in_the_cab(made):
    ear = Ear()
    result, _ = heard_of(made, Wanted(None), ear)
    assert result.same
    assert {name for _, name in ear.heard} >= {"warning", "silence"}


def test_at_a_speed_it_takes_its_time(made):
    ear = Ear()
    result, took = heard_of(made, Wanted(20.0, to_s=6.0), ear)
    assert result.ticks == pytest.approx(300, abs=2)
    assert took >= 0.28  # 6 s at twenty times the speed, on a clock of its own
    first = next(s for s in result.steps if s.state == "active, unacknowledged")
    at, name = ear.heard[0]
    assert name in ("warning", "caution", "cannot_see")
    assert at >= result.seconds(first.time_ns) / 20 - 0.02


def test_what_sounds_when_the_wanted_part_begins_is_heard_from_there(made):
    whole = Ear()
    result, _ = heard_of(made, Wanted(None), whole)
    began = [s for s in result.steps if s[1:] == ("lean_under_boost", "active, unacknowledged")][-1]
    ended = next(s for s in result.steps if s.alert == began.alert and s.time_ns > began.time_ns)
    middle = result.seconds((began.time_ns + ended.time_ns) // 2)
    part = Ear()
    again, _ = heard_of(made, Wanted(None, from_s=middle), part)
    assert again.steps == result.steps
    assert part.heard
    assert part.heard[0][1] != "silence"
    assert len(part.heard) < len(whole.heard)
