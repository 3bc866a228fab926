"""In a Debian of its own the installer and the package do what they say, with Debian's own Python, users and systemd.

Takes minutes, root and Debian's packages. CABCANARY_DEBIAN names the release. Nothing is started in it, since no
systemd runs there. The package is also installed on 64-bit ARM, and drives the bench there, where a kernel runs such
programs under user-mode emulation (Debian's qemu-user-static, and its handler in binfmt_misc).
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[2]
_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
#: Not ours: logs, caches, what systemctl notes for itself, and the lists of Debian's own packages.
_NOT_LOOKED_AT = {"proc", "dev", "sys", "src", "tmp", "root", "run"} | {
    f"var/{name}" for name in ("cache", "log", "lib/dpkg", "lib/apt")
}

_EMULATED = Path("/proc/sys/fs/binfmt_misc/qemu-aarch64")

pytestmark = [
    pytest.mark.long,
    pytest.mark.in_time,
    pytest.mark.timeout(3600),
    pytest.mark.skipif(os.geteuid() != 0 or shutil.which("debootstrap") is None, reason="needs root and debootstrap"),
]


class Debian:
    """A small Debian in a folder."""

    def __init__(self, root: Path, arch: str | None = None) -> None:
        self.root = root
        release = os.environ.get("CABCANARY_DEBIAN", "bookworm")
        packages = "--include=python3-venv,systemd,udev,libportaudio2,ca-certificates"
        machine = [] if arch is None else ["--arch", arch]
        _do("debootstrap", *machine, "--variant=minbase", packages, release, str(root))
        here = Path("/")
        settings = [
            here / "etc" / name for name in ("resolv.conf", "hosts", "pip.conf", "ssl/certs/ca-certificates.crt")
        ]
        for file in (*settings, *(here / "etc/apt/apt.conf.d").iterdir()):
            if file.is_file():
                there = root / file.relative_to(here)
                # A link in the new root would lead out of it.
                there.unlink(missing_ok=True)
                shutil.copyfile(file, there)
        kept = _do("git", "-C", str(ROOT), "ls-files", "-co", "--exclude-standard").stdout.splitlines()
        for name in kept:
            if (ROOT / name).is_file():
                (root / "src" / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(ROOT / name, root / "src" / name)

    def run(self, *words: str, expect: int = 0, **more: str) -> str:
        pip = {key: value for key, value in os.environ.items() if key.startswith("PIP_") or "CERT" in key}
        done = subprocess.run(
            ["chroot", str(self.root), *words],
            env={**pip, "PATH": _PATH, "HOME": "/root", "LANG": "C.UTF-8", **more},
            cwd=self.root,
            capture_output=True,
            text=True,
            timeout=1200,
        )
        assert done.returncode == expect, done.stdout[-3000:] + done.stderr[-3000:]
        return done.stdout + done.stderr

    def files(self) -> set[str]:
        found = set()
        for folder, folders, files in os.walk(self.root):
            inner = Path(folder).relative_to(self.root)
            folders[:] = [name for name in folders if str(inner / name) not in _NOT_LOOKED_AT]
            found |= {str(inner / name) for name in (*folders, *files)}
        return found


def _do(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, capture_output=True, text=True, check=True, timeout=1200)


@contextlib.contextmanager
def _mounted(root: Path, *devices: str) -> Iterator[None]:
    """What Debian's programs need to run, and folders of packages that pip is told of here; all is unmounted again."""
    mounted = []
    try:
        # systemd-tmpfiles asks for it.
        _do("mount", "-t", "proc", "proc", str(root / "proc"))
        mounted.append(root / "proc")
        for device in devices:
            _do("mount", "--bind", device, str(root / device.lstrip("/")))
            mounted.append(root / device.lstrip("/"))
        for word in os.environ.get("PIP_FIND_LINKS", "").split():
            if Path(word).is_dir():
                target = root / word.lstrip("/")
                target.mkdir(parents=True, exist_ok=True)
                _do("mount", "--bind", word, str(target))
                mounted.append(target)
        yield
    finally:
        for target in reversed(mounted):
            _do("umount", str(target))


@pytest.fixture(scope="module")
def debian(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Debian]:
    root = tmp_path_factory.mktemp("debian") / "root"
    made = Debian(root)
    with _mounted(root):
        yield made


def test_installed_twice_upgraded_rolled_back_and_removed(debian: Debian) -> None:
    before = debian.files()
    install = ("bash", "/src/systemd/install")
    debian.run(*install)
    said = debian.run(*install, "--config", "/src/config/bench-van.toml")
    assert "nothing could be started" in said
    assert "nothing to do" in debian.run(*install, "--config", "/src/config/bench-van.toml")
    debian.run("cabcanary", "check", "/etc/cabcanary/vehicle.toml")
    _look_at(debian, "/etc/systemd/system")
    init = debian.root / "src/daemon/cabcanary/__init__.py"
    number = init.read_text()
    try:
        init.write_text('"""Another."""\n__version__ = "99.1"\n')
        debian.run(*install, "upgrade")
        assert "99.1" in debian.run("cabcanary", "--version")
        debian.run(*install, "roll-back")
        assert "99.1" not in debian.run("cabcanary", "--version")
    finally:
        init.write_text(number)
    drive = debian.root / "var/lib/cabcanary/drives/d.parquet"
    drive.write_text("a drive")
    debian.run("/opt/cabcanary/current/systemd/install", "uninstall")
    assert drive.exists()
    assert "cabcanary" in debian.run("id", "-nu", "cabcanary")
    debian.run(*install, "uninstall", "--purge", "--yes")
    assert {name for name in debian.files() - before if "__pycache__" not in name} == set()
    assert "cabcanary" not in (debian.root / "etc/passwd").read_text() + (debian.root / "etc/group").read_text()


def test_the_package_is_built_installed_without_a_network_and_removed(debian: Debian) -> None:
    debian.run("bash", "/src/systemd/build-deb")
    package = next((debian.root / "src/dist").glob("cabcanary_*.deb"))
    before = debian.files()
    shutil.copytree(ROOT / "config/rules", debian.root / "etc/cabcanary/rules")
    shutil.copy(ROOT / "config/bench-van.toml", debian.root / "etc/cabcanary/vehicle.toml")
    inside = "/" + str(package.relative_to(debian.root))
    debian.run("dpkg", "-i", inside, PIP_NO_INDEX="1", PIP_FIND_LINKS="")
    debian.run("cabcanary", "check", "/etc/cabcanary/vehicle.toml")
    _look_at(debian, "/lib/systemd/system")
    assert "nothing to do" in debian.run("dpkg", "-i", inside)
    debian.run("dpkg", "-r", "cabcanary")
    assert (debian.root / "etc/cabcanary/vehicle.toml").exists()
    debian.run("dpkg", "-P", "cabcanary")
    shutil.rmtree(debian.root / "etc/cabcanary")
    assert {name for name in debian.files() - before if "__pycache__" not in name} == set()


@pytest.mark.skipif(not _EMULATED.exists(), reason="needs qemu-user-static and its handler in binfmt_misc")
def test_on_64_bit_arm_the_package_is_installed_without_a_network_and_drives_the_bench(tmp_path: Path) -> None:
    debian = Debian(tmp_path / "root", "arm64")
    shutil.copytree(ROOT / "config/rules", debian.root / "etc/cabcanary/rules")
    shutil.copy(ROOT / "config/bench-van.toml", debian.root / "etc/cabcanary/vehicle.toml")
    _do("bash", str(debian.root / "src/systemd/build-deb"), "--arch", "arm64")
    package = next((debian.root / "src/dist").glob("cabcanary_*_arm64.deb"))
    # The simulated wires are pseudo-terminals.
    with _mounted(debian.root, "/dev", "/dev/pts"):
        assert debian.run("uname", "-m").strip() == "aarch64"
        debian.run("dpkg", "-i", "/" + str(package.relative_to(debian.root)), PIP_NO_INDEX="1", PIP_FIND_LINKS="")
        assert "no problem found" in debian.run("cabcanary", "check", "/etc/cabcanary/vehicle.toml")
        assert "Promised and kept" in debian.run("cabcanary", "bench")
        debian.run("dpkg", "-P", "cabcanary")


def _look_at(debian: Debian, folder: str) -> None:
    units = sorted(unit.name for unit in (ROOT / "systemd").glob("*.service"))
    assert "cabcanary" not in debian.run("systemd-analyze", "verify", *(f"{folder}/{unit}" for unit in units))
    for unit in units:
        assert debian.run("systemctl", "is-enabled", unit).strip() == "enabled"
    # drives: the daemon's, read by the pages' group, closed to others.
    folders = ("/var/lib/cabcanary/drives", "/var/lib/cabcanary/remarks", "/var/lib/cabcanary", "/run/cabcanary")
    assert debian.run("stat", "-c", "%a %U %G", *folders).splitlines() == [
        "2750 cabcanary cabcanary-pages",
        "2770 cabcanary cabcanary-pages",
        "711 cabcanary cabcanary",
        "755 cabcanary cabcanary",
    ]
