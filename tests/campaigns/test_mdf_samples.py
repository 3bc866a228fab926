"""The MDF4 samples of asammdf's source release are read: a smoke test of the format, with other people's files.

Long, because it fetches the release (11.7 MB) the way pip fetches anything else; nothing of it is kept.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
from pathlib import Path

import pytest
from harness import command

from cabcanary.review.exchange.log_columns import columns_of
from cabcanary.store.manifest import read_manifests

RELEASE = "8.8.28"


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("release")
    fetch = ["download", "-q", "--no-deps", "--no-binary", "asammdf", f"asammdf=={RELEASE}", "-d", str(folder)]
    subprocess.run([sys.executable, "-m", "pip", *fetch], check=True, timeout=600)
    with tarfile.open(folder / f"asammdf-{RELEASE}.tar.gz") as archive:
        archive.extractall(folder, filter="data")
    return next(folder.rglob("gui/resources"))


@pytest.mark.long
@pytest.mark.parametrize(
    "name",
    ["ASAP2_Demo_V171.mf4", "test_batch.mf4", "test_metadata.mf4", "test_batch_cut_0.mf4", "test_batch_cut_1.mf4"],
)
def test_every_sample_of_the_release_is_read(samples: Path, name: str) -> None:
    columns = columns_of(samples / name)
    assert columns
    assert all(c.name and c.count > 0 for c in columns)


@pytest.mark.long
def test_a_sample_comes_in_as_a_drive(samples: Path, tmp_path: Path) -> None:
    mapping = tmp_path / "map.toml"
    mapping.write_text('[columns]\n"ASAM.M.SCALAR.UBYTE.FORM_X_PLUS_4" = { channel = "engine_speed", unit = "rpm" }\n')
    arguments = ["import", str(samples / "ASAP2_Demo_V171.mf4"), "--mapping", str(mapping), "--vehicle", "bench van"]
    done = subprocess.run(
        command(*arguments, "--folder", str(tmp_path / "van")), capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    ((_, manifest),), faults = read_manifests(tmp_path / "van")
    assert faults == []
    # The demonstration of the ASAM MDF format lasts 12 s.
    assert manifest.length_s == pytest.approx(12.4, abs=0.5)
