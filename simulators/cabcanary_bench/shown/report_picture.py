"""A plot of `cabcanary report` as a picture of its own: mixture against boost in the bench's first drive."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import cabcanary.review.report.page as page
from cabcanary.review.report.report import make_report
from cabcanary.store.archive import Column, SampleWriter
from cabcanary.store.rows import Rows

if TYPE_CHECKING:
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan

_NAN = float("nan")


def report_picture(plan: Plan, frames: list[Frame]) -> str:
    """The plot of a drive of these frames, with the page's own style within it."""
    with tempfile.TemporaryDirectory() as folder:
        samples = Path(folder) / "drive.parquet"
        _write(samples, plan, frames)
        html = make_report(samples).html
    found = re.search(r'<svg [^>]*aria-labelledby="boost-t boost-d">.*?</svg>', html, re.DOTALL)
    assert found is not None, "the report of this drive has that plot"
    picture = found[0].replace("<svg ", '<svg width="640" ', 1)
    style = Path(page.__file__).with_name("page.css").read_text(encoding="utf-8")
    paper = '<rect width="100%" height="100%" style="fill: var(--paper)"/>'
    return picture.replace("><title", f"><style>{style}</style>{paper}<title", 1) + "\n"


def _write(samples: Path, plan: Plan, frames: list[Frame]) -> None:
    names = plan.channel_units
    about = {
        "drive": samples.stem, "settings": plan.settings_text, "rules": plan.rule_texts,
        "baselines": plan.baselines.model_dump(),
    }  # fmt: skip
    writer = SampleWriter(samples, [Column(n, u) for n, u in names.items()], about)
    every = {n: [f.values[n] for f in frames] for n in names}
    rows = Rows(
        np.array([f.time_ns for f in frames], np.int64),
        {n: np.array([_NAN if v.value is None else v.value for v in column]) for n, column in every.items()},
        {n: np.array([v.quality for v in column], np.uint8) for n, column in every.items()},
        {n: np.array([v.uncertainty for v in column]) for n, column in every.items()},
    )
    writer.add(rows)
    writer.close()
