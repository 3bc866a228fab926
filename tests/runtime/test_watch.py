"""The watcher: two seconds after the last heartbeat it sounds; an ordered stop is quiet. It needs nobody."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from harness import Ride, command, wait_for

from cabcanary.cli.main import main
from cabcanary.processes.host import ALIVE, STOPPING, Heartbeat
from cabcanary.watch import Watch, WatcherError, listen_at, read_tables
from cabcanary_bench.wiring.gpio import PINS_VARIABLE, read_changes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

pytestmark = pytest.mark.waits


# --- when it sounds, without waiting ------------------------------------------------------------------------------


def test_two_seconds_after_the_last_heartbeat_it_sounds_and_not_before() -> None:
    watch = Watch(0.0)
    for n in range(50):
        watch.heard(ALIVE, n * 0.2)
        assert watch.step(n * 0.2) is None
    assert watch.step(9.8 + 1.999) is None
    assert watch.step(9.8 + 2.0) is True
    assert watch.step(100.0) is None


def test_it_falls_silent_when_the_daemon_is_back_and_sounds_again_when_it_goes_again() -> None:
    watch = Watch(0.0)
    watch.heard(ALIVE, 0.0)
    assert watch.step(2.0) is True
    watch.heard(ALIVE, 5.0)
    assert watch.step(5.0) is False
    assert watch.step(7.0) is True


def test_an_ordered_stop_is_quiet_for_ever_and_the_next_start_is_watched_again() -> None:
    watch = Watch(0.0)
    watch.heard(ALIVE, 0.0)
    watch.heard(STOPPING, 1.0)
    assert watch.step(1e6) is None
    watch.heard(ALIVE, 1e6 + 1)
    assert watch.step(1e6 + 3.0) is True


def test_an_ordered_stop_ends_the_sound() -> None:
    watch = Watch(0.0)
    watch.heard(ALIVE, 0.0)
    assert watch.step(2.0) is True
    watch.heard(STOPPING, 3.0)
    assert watch.step(3.0) is False


def test_a_daemon_that_never_comes_up_is_heard_too() -> None:
    watch = Watch(0.0)
    assert watch.step(59.0) is None
    assert watch.step(60.0) is True


# --- what it needs --------------------------------------------------------------------------------------------------


def test_it_watches_though_the_rest_of_the_settings_is_wrong(tmp_path: Path) -> None:
    file = tmp_path / "van.toml"
    file.write_text(f'nonsense = 1\n[daemon]\nfolder = "{tmp_path}"\n[watcher]\npin = 23\nkind = "active"\n')
    path, spec = read_tables(file)
    assert (path, spec.pin, spec.kind) == (tmp_path / "watch.sock", 23, "active")


@pytest.mark.parametrize("text", ["[watcher]\npin = -1\n", "[watcher\n"])
def test_settings_that_it_cannot_use_are_one_clear_line(tmp_path: Path, text: str, capsys) -> None:
    file = tmp_path / "van.toml"
    file.write_text(text)
    assert main(["watch", str(file)]) == 2
    assert f"run: cabcanary check {file}" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_tried_again_and_wrong_settings_are_not(tmp_path: Path) -> None:
    file = tmp_path / "van.toml"
    file.write_text(f'[daemon]\nfolder = "{tmp_path / "no" / "such"}"\n')
    (tmp_path / "no").write_text("a file where a folder should be")
    # systemd starts it again after 1 and not after 2 (RestartPreventExitStatus=2).
    assert main(["watch", str(file)]) == 1


def test_sockets_lie_in_memory_where_systemd_gives_a_folder(tmp_path: Path, monkeypatch) -> None:
    file = tmp_path / "van.toml"
    file.write_text(f'[daemon]\nfolder = "{tmp_path}"\n')
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/cabcanary")
    assert read_tables(file)[0] == Path("/run/cabcanary/watch.sock")
    monkeypatch.delenv("RUNTIME_DIRECTORY")
    assert read_tables(file)[0] == tmp_path / "watch.sock"


def test_nobody_else_may_speak_for_the_daemon(tmp_path: Path) -> None:
    ear = listen_at(tmp_path / "watch.sock")
    assert (tmp_path / "watch.sock").stat().st_mode & 0o777 == 0o660
    ear.close()


def test_a_second_watcher_refuses_and_a_killed_ones_socket_is_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "watch.sock"
    first = listen_at(path)
    with pytest.raises(WatcherError, match="another watcher listens"):
        listen_at(path)
    first.close()
    listen_at(path).close()


def test_a_heartbeat_that_nobody_hears_or_that_does_not_fit_is_not_waited_for(tmp_path: Path) -> None:
    heart = Heartbeat(tmp_path / "watch.sock")
    assert heart.beat() is False
    ear = listen_at(tmp_path / "watch.sock")
    # Nobody fetches: the kernel keeps a few (net.unix.max_dgram_qlen), the rest is not sent.
    sent = [heart.beat() for _ in range(5000)]
    assert sent[0]
    assert not sent[-1]
    ear.close()
    heart.close()


# --- as processes ---------------------------------------------------------------------------------------------------


class Watcher:
    def __init__(self, config: Path, environment: dict[str, str], log: Path) -> None:
        self.log = log
        with log.open("ab") as out:
            self.process = subprocess.Popen(command("watch", str(config)), stdout=out, stderr=out, env=environment)
        wait_for("the watcher", lambda: "watching for" in self.text, 10.0)

    @property
    def text(self) -> str:
        return self.log.read_text()

    def stop(self) -> int:
        self.process.terminate()
        return self.process.wait(30)


@pytest.fixture
def watcher(tmp_path: Path) -> Iterator[Callable[..., Watcher]]:
    made: list[Watcher] = []

    def make(config: Path, folder: Path, pins: Path | None = None) -> Watcher:
        more = {"GPIOZERO_PIN_FACTORY": "cabcanary-bench", PINS_VARIABLE: str(pins)} if pins else {}
        made.append(Watcher(config, {**os.environ, "CABCANARY_BENCH": str(folder), **more}, tmp_path / "watcher.log"))
        return made[-1]

    yield make
    for one in made:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait()


def test_a_killed_daemon_is_heard_on_the_watchers_own_line(
    ride: Callable[..., Ride], van_settings: Callable[..., Path], watcher: Callable[..., Watcher], tmp_path: Path
) -> None:
    config = van_settings(more="\n[watcher]\npin = 23\n")
    driven = ride(config=config, own_time=False)
    pins = tmp_path / "watcher-pins.jsonl"
    one = watcher(config, driven.folder, pins)
    driven.start()
    driven.event("sound", "start_up")
    time.sleep(3.0)  # longer than it waits for a heartbeat
    assert "HAS STOPPED" not in one.text
    driven.kill()
    killed_ns = time.monotonic_ns()
    wait_for("the sound", lambda: "THE MONITOR HAS STOPPED" in one.text)
    first = next(c for c in read_changes(pins) if c["state"] and c["t"] > killed_ns)
    # Before that it has proved its line with the start-up sound, which begins with 660 Hz. This one begins with 1320
    # Hz, on GPIO23 and no other pin. The last heartbeat was at most 0.2 s before.
    sounding = [c for c in read_changes(pins) if c["state"] and c["frequency"] == 1320]
    assert {c["pin"] for c in read_changes(pins)} == {"GPIO23"}
    assert sounding
    assert next(c for c in read_changes(pins) if c["state"])["frequency"] == 660
    assert first["frequency"] == 1320
    assert first["t"] - killed_ns > 1.5e9
    driven.start()
    wait_for("the end of the sound", lambda: "the monitor is back" in one.text)
    wait_for("a silent pin", lambda: read_changes(pins)[-1]["state"] == 0)
    assert one.stop() == 0


def test_a_hung_daemon_is_heard_too_and_an_ordered_stop_is_quiet(
    ride: Callable[..., Ride], van_settings: Callable[..., Path], watcher: Callable[..., Watcher]
) -> None:
    config = van_settings()
    driven = ride(config=config, own_time=False)
    one = watcher(config, driven.folder)
    driven.start()
    driven.event("sound", "start_up")
    os.kill(driven.pid, signal.SIGSTOP)
    wait_for("the sound", lambda: "THE MONITOR HAS STOPPED" in one.text)
    os.kill(driven.pid, signal.SIGCONT)
    wait_for("the end of the sound", lambda: "the monitor is back" in one.text)
    # Without a pin the terminal's bell rings.
    assert "\a♪ monitor stopped" in one.text
    assert driven.stop() == 0
    time.sleep(3.0)
    assert one.text.count("THE MONITOR HAS STOPPED\n") + one.text.count("THE MONITOR HAS STOPPED:") <= 2
    assert one.text.rstrip("\a").endswith("the monitor is back\n")
    assert one.stop() == 0
