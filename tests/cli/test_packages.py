"""Wheel and source package hold what is needed, and nothing else; the wheel works without this repository beside it."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
#: What a browser is given; the plots' library with its licence.
STATIC = (
    "pages.css", "light.js", "cab.js", "fresh.js", "drive.css", "drive.js", "strip.js", "grounds.js",
    "uPlot.iife.min.js", "uPlot.min.css", "uPlot.LICENSE",
)  # fmt: skip

pytestmark = [
    pytest.mark.waits,
    pytest.mark.skipif(
        importlib.util.find_spec("hatchling") is None, reason="hatchling, which builds them, is not here"
    ),
]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Both packages, made without a network from what git has."""
    place = tmp_path_factory.mktemp("built")
    (place / "src").mkdir()
    kept = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, capture_output=True, check=True)
    subprocess.run(["tar", "-x", "-C", str(place / "src")], input=kept.stdout, check=True)
    words = [sys.executable, "-m", "hatchling", "build", "-d", str(place / "dist")]
    done = subprocess.run(words, cwd=place / "src", capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return place / "dist"


def test_the_wheel_holds_the_program_the_bench_and_its_settings(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    assert {name.split("/")[0].split("-")[0] for name in names} == {"cabcanary", "cabcanary_bench"}
    for needed in (
        "cabcanary/__main__.py",
        "cabcanary/live/status.schema.json",
        *(f"cabcanary/cabview/static/{name}" for name in STATIC),
        "cabcanary_bench/config/bench-van.toml",
        "cabcanary_bench/config/rules/mixture.toml",
        "cabcanary_bench/data/wltc_class3b.csv",
    ):
        assert needed in names
    assert not [name for name in names if "test" in name.lower().split("/")[0] or name.endswith(".pyc")]


def test_the_source_package_has_all_that_git_has(built: Path) -> None:
    (sdist,) = built.glob("*.tar.gz")
    with tarfile.open(sdist) as packed_file:
        packed = {name.partition("/")[2] for name in packed_file.getnames()}
    kept = subprocess.run(["git", "ls-tree", "-r", "--name-only", "HEAD"], cwd=ROOT, capture_output=True, check=True)
    assert set(kept.stdout.decode().splitlines()) <= packed


def test_the_plots_library_is_the_released_one_and_its_licence_travels_with_it() -> None:
    static = ROOT / "daemon" / "cabcanary" / "cabview" / "static"
    first = (static / "uPlot.iife.min.js").read_text(encoding="utf-8").splitlines()[0]
    assert first == "/*! https://github.com/leeoniya/uPlot (v1.6.32) */"
    assert "The MIT License (MIT)" in (static / "uPlot.LICENSE").read_text(encoding="utf-8")


def test_an_unpacked_wheel_checks_the_vehicles_that_it_brings(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    zipfile.ZipFile(wheel).extractall(tmp_path)
    van = tmp_path / "cabcanary_bench/config/market-hatchback.toml"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), *map(str, _libraries())])}
    for words in (["check", str(van)], ["bench", "over-boost", "--without-wires"], ["--version"]):
        done = subprocess.run(
            [sys.executable, "-m", "cabcanary", *words],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, ""), words


def _libraries() -> list[str]:
    return [place for place in sys.path if place.endswith("site-packages")]
