"""Where the van's settings lie: in the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

_HERE = Path(__file__).parent


def config_folder() -> Path:
    """The folder with the bench van's settings and rules."""
    packaged = _HERE / "config"
    return packaged if packaged.is_dir() else _HERE.parent.parent / "config"


def scenario_folder() -> Path:
    """The folder with the scenarios that come with the bench."""
    return _HERE / "scenarios"
