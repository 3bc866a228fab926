"""Logs brought in by the command line, in this process."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

import polars as pl

from cabcanary.cli.main import main
from cabcanary.store.manifest import Manifest, read_manifests


def cabcanary(*words: object) -> tuple[int, str, str]:
    """Exit code, output and errors of a command."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(w) for w in words])
    return code, out.getvalue(), err.getvalue()


def bring(file: Path, folder: Path, *more: object) -> tuple[str, pl.DataFrame, Manifest]:
    """What the command said, and the one drive of the folder."""
    code, out, err = cabcanary("import", file, "--folder", folder, "--vehicle", "Van", *more)
    assert code == 0, err
    ((path, manifest),), _ = read_manifests(folder)
    return out, pl.read_parquet(path.with_name(f"{manifest.drive}.parquet")), manifest
