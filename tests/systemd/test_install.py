"""One step installs, upgrades, rolls back, removes: nothing of ours is left, nothing of the owner's is touched."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
INSTALL = ROOT / "systemd" / "install"
UNITS = sorted(unit.name for unit in (ROOT / "systemd").glob("*.service"))

pytestmark = pytest.mark.waits

#: Programs of the system, as far as the installer asks them: each writes down how it was called.
_FAKES = {
    # A unit comes up unless the version that is current is written in `refused`; what came up last is remembered.
    "systemctl": """
        for word in "$@"; do last=$word; done
        case " $* " in
        *" is-active "*) [ -e "$FAKE/active.$last" ] ;;
        *" is-enabled "*) [ -e "$FAKE/enabled.$last" ] && echo enabled ;;
        *" enable "*) touch "$FAKE/enabled.$last" ;;
        *" disable "*) rm -f "$FAKE/enabled.$last" ;;
        *" stop "*) rm -f "$FAKE/active.$last" ;;
        *" restart "*)
            rm -f "$FAKE/active.$last"
            [ "$(readlink "$SYSTEM/opt/cabcanary/current")" != "$(cat "$FAKE/refused" 2>/dev/null)" ] &&
                touch "$FAKE/active.$last" ;;
        esac""",
    # An environment whose Python knows pip, and a check that ends as `checked` says.
    "python3": """
        if [ "$1" != -m ]; then exec "$REAL" "$@"; fi
        for word in "$@"; do last=$word; done
        mkdir -p "$last/bin"
        printf '%s\\n' '#!/bin/sh' 'echo "python $*" >>"$FAKE/called"' \\
            'case "$*" in *" check "*) exit $(cat "$FAKE/checked" 2>/dev/null || echo 0) ;; esac' >"$last/bin/python"
        printf '#!%s/bin/python\\n' "$last" >"$last/bin/cabcanary"
        echo "home = /usr/bin" >"$last/pyvenv.cfg"
        chmod +x "$last"/bin/*""",
    "systemd-sysusers": """
        printf 'cabcanary:x:1:1::/:/x\\ncabcanary-pages:x:2:2::/:/x\\n' >"$SYSTEM/etc/passwd"
        printf 'gpio:x:3:\\ncabcanary:x:1:\\ncabcanary-pages:x:2:\\n' >"$SYSTEM/etc/group" """,
    "systemd-tmpfiles": """
        mkdir -p "$SYSTEM/run/cabcanary" "$SYSTEM/var/lib/cabcanary/drives" "$SYSTEM/var/lib/cabcanary/remarks"
        chmod 2750 "$SYSTEM/var/lib/cabcanary/drives" """,
    "userdel": 'for word in "$@"; do last=$word; done; sed -i "/^$last:/d" "$SYSTEM/etc/passwd" "$SYSTEM/etc/group"',
    "groupdel": 'for word in "$@"; do last=$word; done; sed -i "/^$last:/d" "$SYSTEM/etc/group"',
    "udevadm": "",
    "apt-get": "",
}


class Computer:
    """A root folder, and a copy of what the repository has for the installer."""

    def __init__(self, folder: Path, like: Computer | None = None) -> None:
        self.folder = folder
        self.root, self.fake, self.source = folder / "root", folder / "fake", folder / "source"
        if like is not None:
            shutil.copytree(like.folder, folder, symlinks=True)
            return
        for inner in (self.root / "etc", self.root / "run/systemd/system", self.fake / "bin", self.source):
            inner.mkdir(parents=True)
        for name in ("etc/passwd", "etc/group"):
            (self.root / name).touch()
        for name, text in _FAKES.items():
            file = self.fake / "bin" / name
            file.write_text(f'#!/bin/sh\necho "{name} $*" >>"$FAKE/called"\n{text}\n')
            file.chmod(0o755)
        shutil.copytree(ROOT / "systemd", self.source / "systemd")
        (self.source / "config").mkdir()
        (self.source / "simulators").mkdir()
        (self.source / "daemon/cabcanary").mkdir(parents=True)
        shutil.copy(ROOT / "pyproject.toml", self.source)
        self.version("1.0")

    def version(self, number: str) -> None:
        (self.source / "daemon/cabcanary/__init__.py").write_text(f'__version__ = "{number}"\n')

    def run(self, *words: str, expect: int = 0, answer: str = "") -> str:
        done = subprocess.run(
            ["bash", str(self.source / "systemd/install"), "--root", str(self.root), *words],
            env={
                "PATH": f"{self.fake / 'bin'}:/usr/sbin:/usr/bin:/sbin:/bin",
                "FAKE": str(self.fake),
                "SYSTEM": str(self.root),
                "REAL": str(Path(sys.executable).resolve()),
            },
            input=answer,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == expect, done.stdout + done.stderr
        return done.stdout + done.stderr

    def settings(self, more: str = "") -> Path:
        folder = self.source.parent / "mine"
        (folder / "rules").mkdir(parents=True, exist_ok=True)
        (folder / "rules/boost.toml").write_text("# boost\n")
        (folder / "vehicle.toml").write_text(f'rules = ["rules/boost.toml"]\n[vehicle]\nname = "van"\n{more}')
        return folder / "vehicle.toml"

    def called(self) -> list[str]:
        file = self.fake / "called"
        return file.read_text().splitlines() if file.exists() else []

    @property
    def current(self) -> str:
        return (self.root / "opt/cabcanary/current").readlink().name

    def state(self) -> dict[str, str]:
        """Every file, folder and link of the root, with what is in it."""
        found = {}
        for path in sorted(self.root.rglob("*")):
            name = str(path.relative_to(self.root))
            if path.is_symlink():
                found[name] = f"-> {path.readlink()}"
            else:
                found[name] = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        return found

    def units_up(self) -> list[str]:
        return sorted(file.name.removeprefix("active.") for file in self.fake.glob("active.*"))


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path)


@pytest.fixture(scope="module")
def one_installed(tmp_path_factory: pytest.TempPathFactory) -> Computer:
    made = Computer(tmp_path_factory.mktemp("one"))
    made.run("--config", str(made.settings()))
    return made


@pytest.fixture
def installed(tmp_path: Path, one_installed: Computer) -> Computer:
    return Computer(tmp_path / "computer", like=one_installed)


def test_a_dry_run_says_every_file_and_changes_nothing(computer: Computer) -> None:
    before = computer.state()
    said = computer.run("--dry-run", "--config", str(computer.settings()), "--overlay", "w1-gpio")
    assert computer.state() == before
    assert not [line for line in computer.called() if not line.startswith(("python3 -c", "python3 -", "systemctl"))]
    assert not [line for line in computer.called() if re.search("enable --|restart|daemon-reload", line)]
    real = Computer(computer.root.parent / "real")
    real.run("--config", str(real.settings()))
    opt = str(real.root / "opt/cabcanary/")
    laid = {f"{real.root}/{name}" for name in set(real.state()) - set(before)}
    # What the folders of its versions hold is said as one step each.
    for path in sorted(path for path in laid if not path.startswith(opt) and Path(path).is_file()):
        named = path.replace(str(real.root), str(computer.root))
        assert named in said or path.endswith(("passwd", "group", "rules/boost.toml")), path
    assert "would copy rules/boost.toml" in said
    assert "dtoverlay=w1-gpio" in said


def test_it_begins_with_what_it_is_not(computer: Computer) -> None:
    said = " ".join(computer.run("--dry-run").split())
    for words in (
        "a monitor, not protection",
        "Limits come from a qualified tuner",
        "examples",
        "parked",
        "Fuse the feed",
        "restraint, brake and steering",
        "exhaust, fuel and hot parts",
        "law where you live",
    ):
        assert words in said
    assert said.startswith("cabcanary is a monitor, not protection")


def test_after_one_step_every_unit_runs_by_the_program_that_was_laid(computer: Computer) -> None:
    said = computer.run("--config", str(computer.settings()))
    assert computer.units_up() == UNITS
    for unit in UNITS:
        text = (computer.root / "etc/systemd/system" / unit).read_text()
        program, *words = re.findall(r"^ExecStart=(.*)$", text, re.MULTILINE)[0].split()
        assert (computer.root / program.removeprefix("/")).is_file()
        assert (computer.root / words[-1].removeprefix("/")).is_file()
    # No script knows the folder that stood for the root.
    assert (computer.root / "opt/cabcanary/bin/cabcanary").read_text().startswith("#!/opt/cabcanary/1.0-")
    assert (computer.root / "usr/local/bin/cabcanary").readlink() == Path("/opt/cabcanary/bin/cabcanary")
    assert "done" in said


def test_a_second_run_changes_nothing(installed: Computer) -> None:
    before, calls = installed.state(), len(installed.called())
    assert "nothing to do" in installed.run("--config", str(installed.settings()))
    assert installed.state() == before
    assert not [line for line in installed.called()[calls:] if re.search("restart|venv|pip|sysusers|tmpfiles", line)]


def test_without_settings_all_is_laid_and_nothing_started(computer: Computer) -> None:
    said = computer.run()
    assert "cabcanary new /etc/cabcanary/vehicle.toml" in said
    assert computer.units_up() == []
    computer.run("--config", str(computer.settings()))
    assert computer.units_up() == UNITS


def test_settings_that_are_there_are_never_overwritten(installed: Computer) -> None:
    mine = installed.root / "etc/cabcanary/vehicle.toml"
    (installed.root / "etc/cabcanary/rules/boost.toml").write_text("# edited\n")
    before = mine.read_bytes()
    said = installed.run("--config", str(installed.settings("stage = 'other'\n")), expect=1)
    assert "other settings are there already" in said
    assert "what to do:" in said
    installed.version("1.1")
    installed.run("upgrade")
    assert mine.read_bytes() == before
    assert (installed.root / "etc/cabcanary/rules/boost.toml").read_text() == "# edited\n"


def test_an_upgrade_goes_to_the_new_version_and_keeps_the_one_before(installed: Computer) -> None:
    old = installed.current
    drive = installed.root / "var/lib/cabcanary/drives/d.parquet"
    drive.write_text("a drive")
    for number in ("1.1", "1.2"):
        installed.version(number)
        before = installed.current
        installed.run("upgrade")
        assert installed.current.startswith(f"{number}-")
    assert sorted(p.name for p in (installed.root / "opt/cabcanary").glob("1.*")) == [before, installed.current]
    assert old != before
    assert drive.read_text() == "a drive"
    installed.run("roll-back")
    assert installed.current == before
    assert installed.units_up() == UNITS


def test_a_version_that_does_not_watch_is_rolled_back_units_too(installed: Computer) -> None:
    old, unit = installed.current, installed.root / "etc/systemd/system/cabcanary.service"
    laid = unit.read_text()
    installed.version("2.0")
    changed = installed.source / "systemd/cabcanary.service"
    changed.write_text(changed.read_text() + "# of version 2\n")
    shutil.copy(changed, installed.source / "systemd/cabcanary-more.service")
    version = installed.run("--dry-run").split("cabcanary 2.0-")[1].split()[0]
    (installed.fake / "refused").write_text(f"2.0-{version}")
    said = installed.run("upgrade", expect=1)
    assert installed.current == old
    assert unit.read_text() == laid
    assert not (installed.root / "etc/systemd/system/cabcanary-more.service").exists()
    assert set(UNITS) <= set(installed.units_up())
    assert f"{old} is back and watches" in said


def test_the_daemon_is_given_a_minute_to_say_that_it_watches(installed: Computer) -> None:
    (installed.fake / "bin/timeout").write_text('#!/bin/sh\necho "timeout $*" >>"$FAKE/called"\nexit 124\n')
    (installed.fake / "bin/timeout").chmod(0o755)
    installed.version("2.0")
    said = installed.run("upgrade", expect=1)
    assert "timeout 60 systemctl restart cabcanary.service" in installed.called()
    # Neither version came up here: that is said as loudly as it is bad.
    assert "YOU ARE NOT MONITORED" in said


def test_settings_that_the_new_version_refuses_leave_the_old_one_running(installed: Computer) -> None:
    old = installed.current
    installed.version("2.0")
    (installed.fake / "checked").write_text("2")
    calls = len(installed.called())
    assert f"{old} goes on" in installed.run("upgrade", expect=1)
    assert installed.current == old
    assert not [line for line in installed.called()[calls:] if "restart" in line]


def test_uninstalled_it_leaves_settings_and_drives_and_nothing_of_its_own(computer: Computer) -> None:
    boot = computer.root / "boot/firmware/config.txt"
    boot.parent.mkdir(parents=True)
    boot.write_text("# mine\ndtparam=audio=on\n")
    before = computer.state()
    overlays = ("--overlay", "w1-gpio", "--overlay", "gpio-shutdown,gpio_pin=17")
    computer.run("--config", str(computer.settings("[mqtt]\n")), *overlays)
    assert "[all]\ndtoverlay=w1-gpio\n" in boot.read_text()
    computer.run("--overlay", "w1-gpio")
    assert boot.read_text().count("dtoverlay=w1-gpio") == 1
    drive = computer.root / "var/lib/cabcanary/drives/d.parquet"
    drive.write_text("a drive")
    computer.run("uninstall")
    assert boot.read_text() == "# mine\ndtparam=audio=on\n"
    kept = {name for name in computer.state() if name not in before and "." in name}
    assert kept == {
        "etc/cabcanary/vehicle.toml",
        "etc/cabcanary/rules/boost.toml",
        "var/lib/cabcanary/drives/d.parquet",
    }
    assert computer.units_up() == []
    assert not list(computer.fake.glob("enabled.*"))
    # The files keep their owner, or their number would be another user's one day.
    assert "cabcanary:" in (computer.root / "etc/passwd").read_text()
    computer.run("uninstall", "--purge", answer="no\n", expect=1)
    assert drive.exists()
    computer.run("uninstall", "--purge", answer="yes\n")
    folders_of_debian = {
        "etc/systemd",
        "etc/systemd/system",
        "etc/udev",
        "etc/tmpfiles.d",
        "usr",
        "usr/local",
        "var",
        "var/lib",
    }
    left = {name for name in computer.state() if name not in before} - folders_of_debian
    assert left <= {"opt"}
    assert (computer.root / "etc/passwd").read_text() == (computer.root / "etc/group").read_text() == ""


def test_the_way_to_a_broker_is_opened_and_closed_with_the_settings(installed: Computer) -> None:
    drop_in = installed.root / "etc/systemd/system/cabcanary.service.d/mqtt.conf"
    mine = installed.root / "etc/cabcanary/vehicle.toml"
    assert not drop_in.exists()
    mine.write_text(mine.read_text() + '# [mqtt]\n[mqtt]\nhost = "broker.lan"\n')
    installed.run()
    assert drop_in.exists()
    assert [line for line in installed.called() if "restart" in line][
        -len(UNITS)
    ] == "systemctl restart cabcanary.service"
    mine.write_text(mine.read_text().replace("\n[mqtt]", "\n# [mqtt]"))
    installed.run()
    assert not drop_in.exists()


def test_where_systemd_does_not_run_it_says_so_and_lays_all(computer: Computer) -> None:
    shutil.rmtree(computer.root / "run/systemd")
    said = computer.run("--config", str(computer.settings()))
    assert "nothing could be started" in said
    assert computer.units_up() == []
    assert len(list(computer.fake.glob("enabled.*"))) == len(UNITS)


def test_an_installation_by_hand_is_left_alone_and_named(computer: Computer) -> None:
    (computer.root / "opt/cabcanary/bin").mkdir(parents=True)
    before = computer.state()
    assert "an installation by hand is in the way" in computer.run(expect=1)
    assert computer.state() == before


@pytest.mark.parametrize("words", [("--what",), ("--config",), ("--overlay", "a b"), ("install", "--purge")])
def test_a_wrong_command_ends_with_2_before_anything_is_done(computer: Computer, words: tuple[str, ...]) -> None:
    before = computer.state()
    assert "install --help" in computer.run(*words, expect=2)
    assert computer.state() == before


@pytest.mark.parametrize("script", ["install", "build-deb"])
def test_the_scripts_have_no_error_that_a_shells_checker_knows(script: str) -> None:
    file = ROOT / "systemd" / script
    assert os.access(file, os.X_OK)
    subprocess.run(["bash", "-n", str(file)], check=True, timeout=60)
    if shutil.which("shellcheck"):
        done = subprocess.run(["shellcheck", str(file)], capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stdout
