"""A fault of the monitor's own: heard when it blinds, and never the end of the watch."""

from __future__ import annotations

import asyncio
import io
import os
import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from cabcanary.alerts.sounds import CANNOT_SEE
from cabcanary.channels.pipeline import Pipeline
from cabcanary.clock import Clock
from cabcanary.model import EventKind, Frame, Priority, Quality, Reading, Value
from cabcanary.plan.plan import load_plan
from cabcanary.processes.helper import Helper
from cabcanary.processes.host import AlreadyWatchedError, claim
from cabcanary.processes.places import Kind, Peer
from cabcanary.processes.status import Status
from cabcanary.rules import engine
from cabcanary.rules.engine import Engine
from cabcanary.runtime import daemon as daemon_module
from cabcanary.runtime.daemon import Daemon
from cabcanary.settings.outputs import Button

pytestmark = pytest.mark.waits


SETTINGS = """
rules = ["van.rules.toml"]
[vehicle]
name = "bench van"
stage = "sensors only"
[limits]
confirmed_by = "a tuner"
[daemon]
folder = "{folder}"
[sources.adc]
kind = "iio"
device = "converter"
folder = "{folder}/none"
[channels.supply]
source = "adc"
item = "voltage1"
unit = "V"
[channels.engine_running]
derive = "engine_running"
supply = "supply"
[buzzer]
pin = 18
"""
RULES = """
[[rule]]
id = "supply_high"
priority = "warning"
say = "Supply too high"
do = "Stop the engine"
when = "supply > 16 V"
"""


@contextmanager
def made(tmp_path: Path) -> Iterator[Daemon]:
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=MockPWMPin)
    (tmp_path / "van.toml").write_text(SETTINGS.format(folder=tmp_path))
    (tmp_path / "van.rules.toml").write_text(RULES)
    stream = io.StringIO()
    made = Daemon(load_plan(tmp_path / "van.toml"), Clock(), stream)
    made.stream = stream
    yield made
    made._outputs.close()
    made._heartbeat.close()
    made._console.close(1.0)
    made._writer.stop(1.0)
    Device.pin_factory.reset()
    Device.pin_factory = before


@pytest.fixture
async def daemon(tmp_path: Path):
    with made(tmp_path) as one:
        yield one


def sounding() -> float | None:
    pin = Device.pin_factory.pin(18)
    return pin.frequency if pin.state else None


async def test_a_fault_in_the_warning_path_sounds_as_cannot_see_and_the_next_tick_comes(daemon, monkeypatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    with monkeypatch.context() as patch:
        patch.setattr(daemon._pipeline, "step", broken)
        for _ in range(5):
            daemon._tick()
        # "cannot see" begins at 1500 Hz.
        assert sounding() == 1500.0
    daemon._console.close(1.0)
    assert daemon.stream.getvalue().count("fault in the monitor itself: ZeroDivisionError: a bug") == 1


async def test_a_daemon_that_is_started_anew_is_told_which_wideband_was_hot(tmp_path, monkeypatch) -> None:
    begun: list[list[str]] = []
    monkeypatch.setattr(Pipeline, "hot", lambda _: ["lambda"])
    monkeypatch.setattr(Pipeline, "begin_hot", lambda _, names, *__: begun.append(names))
    with made(tmp_path) as first:
        assert begun == []
        first._tick()
        first._hot.wait(10.0)
    with made(tmp_path):
        assert begun == [["lambda"]]


async def test_the_tick_moves_by_what_the_pace_asks(daemon, monkeypatch) -> None:
    came: list[int] = []

    class Slower:
        def __init__(self, *_: object) -> None:
            pass

        def shift_ns(self, _newest: object, now_ns: int) -> int:
            came.append(now_ns)
            return 40_000_000

    monkeypatch.setattr("cabcanary.runtime.daemon.Pace", Slower)
    ticking = asyncio.ensure_future(daemon._keep_ticking())
    await asyncio.sleep(0.5)
    ticking.cancel()
    # 20 ms of the tick and 40 of the shift; a busy machine is late for one, and no sooner for most.
    assert statistics.median(b - a for a, b in pairwise(came)) >= 50_000_000


async def test_once_the_fault_is_gone_its_sound_is_too(daemon, monkeypatch) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(daemon._engine, "step", lambda _frame: 1 // 0)
        daemon._tick()
        assert sounding() == 1500.0
    daemon._tick()
    assert sounding() is None


async def test_a_fault_behind_the_warning_path_keeps_no_warning_back(daemon, monkeypatch) -> None:
    def broken(*_: object) -> None:
        raise OSError("no card")

    monkeypatch.setattr(daemon._recorder, "step", broken)
    before = daemon._tick()
    assert daemon._tick() > before
    assert sounding() is None
    daemon._console.close(1.0)
    assert "fault in recording or showing: OSError: no card" in daemon.stream.getvalue()


async def test_ticks_that_come_more_than_a_period_late_are_counted_and_not_caught_up(daemon, monkeypatch) -> None:
    class Loop:
        now = 0.0

        def time(self) -> float:
            return self.now

    hand, ticks = Loop(), []
    # Seconds by which each sleep is too long, the period being 0.02 s.
    too_long = [0.0, 0.0, 0.03, 0.0, 0.055, 0.015, 0.0]

    async def sleep(seconds: float) -> None:
        if len(ticks) == len(too_long):
            raise asyncio.CancelledError
        hand.now += seconds + too_long[len(ticks)]

    def tick() -> int:
        ticks.append(round(hand.now, 3))
        return 0

    monkeypatch.setattr(daemon, "_loop", hand)
    monkeypatch.setattr(daemon, "_tick", tick)
    monkeypatch.setattr("cabcanary.runtime.daemon.asyncio.sleep", sleep)
    with pytest.raises(asyncio.CancelledError):
        await daemon._keep_ticking()
    monkeypatch.undo()
    # Due at 0.06 and 0.12 as well, each then the first of one and of two that are more than 0.02 s late.
    assert ticks == [0.02, 0.04, 0.09, 0.1, 0.175, 0.195, 0.2]
    assert daemon.late_ticks == 3


async def test_a_source_that_fails_by_a_fault_of_its_own_is_started_again(daemon, monkeypatch) -> None:
    monkeypatch.setattr("cabcanary.processes.status.Backoff.next_s", lambda *_: 0.0)
    runs = []

    async def run() -> None:
        runs.append(1)
        if len(runs) < 3:
            raise KeyError("bug")
        await asyncio.Event().wait()

    status = daemon._supervisor.status("wire", EventKind.SOURCE)
    task = asyncio.get_running_loop().create_task(daemon._supervisor.keep_running(run, status))
    for _ in range(200):
        await asyncio.sleep(0)
    assert len(runs) == 3
    assert "stopped by a fault of its own (KeyError" in status.words
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def test_a_folder_belongs_to_one_daemon(tmp_path: Path) -> None:
    assert claim(tmp_path) >= 0
    with pytest.raises(AlreadyWatchedError, match="watches already"):
        claim(tmp_path)


def test_a_folder_that_cannot_be_written_is_no_reason_not_to_watch(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    assert claim(tmp_path / "file" / "folder") == -1


async def test_an_output_that_fails_silences_no_other_and_is_told_of(daemon, monkeypatch) -> None:
    class Dead:
        def play(self, _sound: object, _words: str) -> None:
            raise OSError("pin gone")

        def silence(self) -> None:
            raise OSError("pin gone")

    daemon._annunciator._players = (Dead(), *daemon._annunciator._players)
    daemon._annunciator.insist(CANNOT_SEE, 0)
    assert sounding() == 1500.0
    daemon._tick()
    daemon._console.close(1.0)
    assert daemon.stream.getvalue().count("an output fails: OSError: pin gone") == 1


def eio(*_: object) -> None:
    raise OSError(5, "Input/output error")


async def test_a_buzzer_whose_pin_fails_is_told_by_the_lamp_and_the_feed_and_ends_no_pattern(
    daemon, monkeypatch, caplog
) -> None:
    (buzzer,) = daemon._outputs.players
    told = []
    monkeypatch.setattr(daemon._feed, "event", told.append)
    monkeypatch.setattr(buzzer, "_set", eio)
    monkeypatch.setattr("cabcanary.alerts.own._BORNE_NS", 300_000_000)
    daemon._annunciator.insist(CANNOT_SEE, 0)
    for _ in range(40):
        daemon._tick()
        await asyncio.sleep(0.02)
    raised = [e for e in told if e.kind is EventKind.ALERT and e.what == "output_lost"]
    assert [(e.data["state"], e.data["raised"], e.data["priority"]) for e in raised] == [
        ("active, unacknowledged", True, "caution")
    ]
    assert "Input/output error" in raised[0].data["figures"]
    # The lamp shows the caution as soon as its proof is over; no timer of the pattern has left a trace.
    assert daemon._lamp._standing["output_lost"] is Priority.CAUTION
    assert caplog.text == ""
    daemon._console.close(1.0)
    assert daemon.stream.getvalue().count("HELPER      buzzer: fails: OSError: [Errno 5] Input/output error") == 1
    assert "Traceback" not in daemon.stream.getvalue()


async def test_acknowledging_takes_note_of_a_lost_output_too_and_it_ends_with_the_loss(daemon, monkeypatch) -> None:
    monkeypatch.setattr("cabcanary.alerts.own._BORNE_NS", 0)
    (buzzer,) = daemon._outputs.players
    with monkeypatch.context() as patch:
        patch.setattr(buzzer, "_set", eio)
        daemon._annunciator.insist(CANNOT_SEE, 0)
        daemon._tick()
        assert daemon._commands.acknowledge("button") == ["output_lost"]
    daemon._annunciator.insist(CANNOT_SEE, 1)
    assert [c.state for c in daemon._own.step(2, daemon._lost_parts())] == ["normal"]


async def test_a_pin_that_fails_at_the_stop_keeps_no_drive_from_the_archive(daemon, monkeypatch) -> None:
    (buzzer,) = daemon._outputs.players
    archived = []

    async def archive() -> None:
        archived.append(1)

    with monkeypatch.context() as patch:
        patch.setattr(buzzer, "_set", eio)
        patch.setattr(buzzer._device, "close", eio)
        patch.setattr(daemon._wiring, "stop", eio)
        patch.setattr(daemon._archiving, "archive", archive)
        await daemon._shut_down()
    assert archived == [1]
    assert "stopped: this vehicle is no longer watched" in daemon.stream.getvalue()
    assert "fault in stopping the sources: OSError" in daemon.stream.getvalue()


async def test_a_watcher_that_takes_no_heartbeat_any_more_is_told(daemon, monkeypatch) -> None:
    from cabcanary.settings.outputs import Watcher
    from cabcanary.watch import listen_at

    settings = daemon._plan.settings.model_copy(update={"watcher": Watcher()})
    daemon._plan = replace(daemon._plan, settings=settings)
    ear = listen_at(settings.daemon.watch_path)
    assert daemon._heartbeat.beat()
    assert "watcher_lost" not in daemon._lost_parts()
    ear.close()
    assert not daemon._heartbeat.beat()
    monkeypatch.setattr("cabcanary.runtime.daemon._UNHEARD_S", 0.0)
    assert "nobody takes the heartbeat" in daemon._lost_parts()["watcher_lost"]["watcher"]


async def test_without_a_watcher_in_the_settings_none_is_missed(daemon, monkeypatch) -> None:
    monkeypatch.setattr("cabcanary.runtime.daemon.FIRST_S", 0.0)
    assert "watcher_lost" not in daemon._lost_parts()


async def test_a_helper_that_cannot_be_started_is_tried_again(monkeypatch) -> None:
    tries = []

    async def no_process(*_: object, **__: object) -> None:
        tries.append(1)
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr("cabcanary.processes.child.Child.start", no_process)
    monkeypatch.setattr("cabcanary.processes.status.Backoff.next_s", lambda *_: 0.0)
    told: list[str] = []
    helper = Helper("cabcanary.none", {}, Status("helper", lambda _n, _ok, words: told.append(words)), lambda _m: None)
    task = asyncio.get_running_loop().create_task(helper.run())
    for _ in range(50):
        await asyncio.sleep(0)
    assert len(tries) > 2
    assert "cannot be started" in told[0]
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def test_the_pin_library_loads_where_nothing_may_be_written(tmp_path: Path) -> None:
    # A service may run in a folder that it cannot write to; /proc is one that nobody can.
    pytest.importorskip("lgpio")
    code = "from cabcanary.pins import pin_library; pin_library(); import lgpio; print('loaded')"
    done = subprocess.run([sys.executable, "-c", code], cwd="/proc", capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "loaded", done.stderr


def test_the_unit_gives_the_pin_library_a_folder() -> None:
    unit = (Path(__file__).parents[2] / "systemd" / "cabcanary.service").read_text()
    assert "Environment=LG_WD=%S/cabcanary" in unit


async def test_a_button_writes_a_note_of_the_moment_and_acknowledges_nothing(daemon):
    remember = {"remember": Button(source="switches", item="note")}
    daemon._commands._buttons = daemon._plan.settings.buttons.model_copy(update=remember)
    daemon._commands.pressed("switches", "ignition")
    assert [e.kind for e in daemon._feed.recent() if e.kind is EventKind.NOTE] == []
    daemon._commands.pressed("switches", "note")
    assert [(e.what, e.text) for e in daemon._feed.recent() if e.kind is EventKind.NOTE] == [
        ("button", "remember this")
    ]
    assert not [e for e in daemon._feed.recent() if e.kind is EventKind.ACKNOWLEDGE]
    # A drive that begins later has it among what led to it.
    assert [e["text"] for e in daemon._recorder._early_events if e["kind"] == "note"] == ["remember this"]


# --- a fault in the very tick in which something trips -------------------------------------------------------------


def supply(daemon, volts: float) -> None:
    daemon._slots.put(Reading("adc", "voltage1", volts * 1000, daemon._clock.now_ns()))


class Once:
    """Raises the first time it is called, and then does what it stands for."""

    def __init__(self, real) -> None:
        self.real, self.calls = real, 0

    def __call__(self, *args: object, **kwargs: object) -> object:
        self.calls += 1
        if self.calls == 1:
            raise ZeroDivisionError("a bug")
        return self.real(*args, **kwargs)


@pytest.mark.parametrize("where", ["figures", "update"])
async def test_a_fault_in_the_tick_of_a_trip_does_not_swallow_the_warning(daemon, monkeypatch, where: str) -> None:
    supply(daemon, 14.0)
    daemon._tick()
    if where == "figures":
        monkeypatch.setattr("cabcanary.rules.engine.figures", Once(engine.figures))
    else:
        monkeypatch.setattr(daemon._annunciator, "update", Once(daemon._annunciator.update))
    supply(daemon, 17.0)
    daemon._tick()
    supply(daemon, 17.0)
    daemon._tick()
    # The warning begins at 1600 Hz.
    assert sounding() == 1600.0
    assert daemon._lamp._standing == {"supply_high": Priority.WARNING}


async def test_after_a_broken_tick_each_alert_is_told_once_and_none_a_second_time(daemon, monkeypatch) -> None:
    first = daemon._engine._runners[0].rule
    known, sudden, lost = (replace(first, id=name) for name in ("known", "sudden", "lost"))
    other = Engine([known, sudden, lost], {"supply": ("supply",)}, {"supply": "V"}, None)
    monkeypatch.setattr(daemon, "_engine", other)
    update, given = daemon._annunciator.update, []

    def watched(changes, now_ns, **more):
        given.append([c.alert for c in changes])
        return update(changes, now_ns, **more)

    monkeypatch.setattr(daemon._annunciator, "update", watched)
    monkeypatch.setattr(other._runners[1].when, "run", lambda *_: False)
    monkeypatch.setattr(other._runners[2].when, "run", lambda *_: False)
    supply(daemon, 17.0)
    daemon._tick()
    assert given == [["known"]]
    with monkeypatch.context() as patch:
        patch.setattr(other._runners[2].when, "run", lambda *_: True)
        patch.setattr(daemon._annunciator, "update", lambda *_, **__: 1 // 0)
        daemon._tick()
        patch.setattr(daemon._annunciator, "update", watched)
        # Now one trips by itself, one was lost with the broken tick, and one has been sounding since before.
        patch.setattr(other._runners[1].when, "run", lambda *_: True)
        daemon._tick()
        assert given[1:] == [["sudden", "lost"]]
        # And it is asked once: the next tick has nothing to add.
        daemon._tick()
        assert given[2:] == [[]]


async def test_a_rule_that_cannot_be_worked_out_is_heard_and_the_others_go_on(daemon, monkeypatch) -> None:
    runner = daemon._engine._runners[0]
    broken = replace(runner.rule, id="broken")
    other = Engine([broken, runner.rule], {"supply": ("supply",)}, {"supply": "V"}, None)

    def stumble(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(other._runners[0].machine, "step", stumble)
    monkeypatch.setattr(daemon, "_engine", other)
    supply(daemon, 14.0)
    daemon._tick()
    supply(daemon, 17.0)
    daemon._tick()
    assert sounding() == 1600.0
    supply(daemon, 14.0)
    daemon._tick()
    # The good rule has gone; that the other cannot be worked out is only known where it is asked.
    assert "rule broken" in "".join(daemon._supervisor.faults)


async def test_a_watch_whose_ticks_fail_is_told_to_nobody(daemon, monkeypatch) -> None:
    ran = []
    monkeypatch.setattr(daemon._vigil, "ran", ran.append)
    daemon._tick()
    assert len(ran) == 1
    monkeypatch.setattr(daemon._engine, "step", lambda _: 1 // 0)
    daemon._tick()
    assert len(ran) == 1


async def test_it_is_deaf_once_all_that_sounds_is_lost(daemon) -> None:
    assert not daemon._outputs.deaf
    daemon._outputs._statuses["buzzer"].bad("its pin is gone")
    assert daemon._outputs.deaf


# --- what waits for the warnings, and what does not ------------------------------------------------------------------


async def turns() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


async def test_systemd_hears_ready_once_the_first_tick_has_looked_and_not_before(daemon, monkeypatch) -> None:
    # An upgrade that does not come to READY is rolled back; a watch that never looked must not pass for one.
    told = []
    monkeypatch.setattr(daemon_module, "notify", lambda message: told.append((message, daemon._armed.is_set())))
    running = asyncio.ensure_future(daemon.run())
    await asyncio.wait_for(daemon._armed.wait(), 60.0)
    await turns()
    daemon._stop.set()
    await asyncio.wait_for(running, 60.0)
    assert [armed for message, armed in told if message == "READY=1"] == [True]


async def test_recovery_begins_only_when_the_first_tick_has_looked(daemon, monkeypatch) -> None:
    runs = []

    async def archiver() -> list[str]:
        runs.append(1)
        return []

    monkeypatch.setattr(daemon._archiving, "archive", archiver)
    archive, tick = (
        asyncio.ensure_future(work) for work in (daemon._archiving.run(daemon._armed), asyncio.Event().wait())
    )
    await turns()
    assert runs == []
    tick.cancel()
    tick = asyncio.ensure_future(daemon._keep_ticking())
    while not runs:
        await asyncio.sleep(0.01)
    # And again when the card fails in mid-drive: old drives may make room.
    daemon._recorder_told("cannot record: No space left on device", False)
    while len(runs) < 2:
        await asyncio.sleep(0.01)
    for task in (archive, tick):
        task.cancel()
    await asyncio.gather(archive, tick, return_exceptions=True)


async def test_night_comes_and_goes_with_its_channel(daemon, monkeypatch) -> None:
    settings = daemon._plan.settings
    sounds = settings.sounds.model_copy(update={"night_when": "lights"})
    changed = replace(daemon._plan, settings=settings.model_copy(update={"sounds": sounds}))
    monkeypatch.setattr(daemon, "_plan", changed)
    for level, quality, night in (
        (1.0, Quality.GOOD, True),
        (0.0, Quality.GOOD, False),
        (1.0, Quality.GOOD, True),
        (None, Quality.ABSENT, False),  # not known: as loud as by day
    ):
        daemon._follow_key(Frame(0, {"lights": Value(level, quality, 0)}), drive_ended=False)
        assert daemon._annunciator.loudness.night is night


@pytest.mark.parametrize(
    ("key", "drive_ended", "lit"),
    [
        ((1.0, Quality.GOOD), True, True),  # the engine has stalled: the key is still on
        ((None, Quality.ABSENT), True, True),  # not known is not off
        ((0.0, Quality.STALE), True, True),
        ((0.0, Quality.GOOD), False, False),
        (None, False, True),  # no key on a wire: the drive's end stands for it
        (None, True, False),
    ],
)
async def test_what_the_lamp_must_remember_ends_with_the_key_or_without_one_with_the_drive(
    daemon, monkeypatch, key, drive_ended, lit
) -> None:
    kept = []
    memory = SimpleNamespace(last=True, keep=kept.append)
    monkeypatch.setattr(daemon, "_lamp_memory", memory)
    monkeypatch.setattr(type(daemon._plan), "ignition", "ignition" if key else None)
    daemon._lamp.stay_out = daemon._lamp.proved = True
    daemon._lamp.update(Frame(0, {"supply": Value(14.0, Quality.GOOD, 0)}), [])
    assert daemon._lamp.shown.name == "stay_out_of_boost"
    values = {"ignition": Value(*key, 0)} if key else {}
    daemon._follow_key(Frame(5, values), drive_ended=drive_ended)
    assert daemon._lamp.stay_out is lit
    told = [e.what for e in daemon._feed.recent() if e.kind is EventKind.LAMP]
    assert told == ([] if lit else ["not_yet_watching"])
    # What a restart would show changes with it, and is written once.
    assert kept == ([] if lit else [False])


# --- the feed's places ----------------------------------------------------------------------------------------------


async def test_the_running_messenger_has_places_of_its_own_at_the_feed(daemon, monkeypatch) -> None:
    places, messenger = daemon._feed._places, Peer(4711, os.getuid())
    assert places.kind(messenger) is Kind.OWN
    monkeypatch.setattr(daemon, "_messenger", SimpleNamespace(process=None))
    assert places.kind(messenger) is Kind.OWN
    # Started again it has another number.
    monkeypatch.setattr(daemon, "_messenger", SimpleNamespace(process=SimpleNamespace(pid=4711)))
    assert places.kind(messenger) is Kind.HELPER
