"""The rules that a drive is tried with: those of a file, or those that it was driven with, for the drive's channels."""

from __future__ import annotations

import gc
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.plan.plan import plan_from_texts
from cabcanary.review.rules.rule_files import is_settings
from cabcanary.settings.load import load_rule_file, load_settings, rules_from_text, settings_from_text
from cabcanary.store.baselines import Baselines, BaselinesError, read_baselines
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.rules.rule import Rule
    from cabcanary.rules.rule_set import NotFitted

#: What a drive's own rules are called.
DRIVEN_WITH = "the rules it was driven with"


class RulesError(Exception):
    """Rules that cannot be tried on a drive; the text says why."""


@dataclass(frozen=True, slots=True)
class RuleBook:
    """Rules ready for drives with these channels, and what they need of the vehicle."""

    rules: tuple[Rule, ...]
    not_fitted: tuple[NotFitted, ...]
    roots: Mapping[str, tuple[str, ...]]
    channel_units: Mapping[str, str]
    running: str | None


@dataclass(frozen=True, slots=True)
class RuleSource:
    """Where rules come from: the texts of files, or None for those that each drive was driven with.

    `baselines` (JSON) take the place of those that a drive kept.
    """

    name: str = DRIVEN_WITH
    texts: tuple[tuple[str, str], ...] | None = None
    baselines: str = ""


def source_of(file: Path) -> RuleSource:
    """The rules of a rule file, or of all rule files that a settings file names, with the baselines in its folder.

    Raises:
        SettingsError: a file is faulty.
        RulesError: the baselines cannot be read.
    """
    if not is_settings(file):
        return RuleSource(str(file), ((str(file), load_rule_file(file).text),))
    settings = load_settings(file).model
    texts = [load_rule_file(file.parent / name) for name in settings.rules]
    try:
        measured = read_baselines(settings.daemon.folder)
    except BaselinesError as error:
        raise RulesError(str(error)) from error
    kept = measured.model_dump_json() if measured.baselines else ""
    return RuleSource(str(file), tuple((str(t.file), t.text) for t in texts), kept)


_BOOKS: dict[tuple[Any, ...], RuleBook] = {}


def book_for(source: RuleSource, about: Mapping[str, Any], drive: Path) -> RuleBook:
    """The rules for a drive of which its file says `about`; drives of the same settings share one book.

    Raises:
        RulesError: its settings make no sense to this version, or the rules do not fit them.
    """
    texts = source.texts if source.texts is not None else tuple(about["rules"].items())
    baselines = source.baselines or json.dumps(about.get("baselines") or {})
    key = (about["settings"], texts, baselines)
    if key not in _BOOKS:
        _BOOKS[key] = _build(about["settings"], texts, baselines, drive)
    return _BOOKS[key]


def _build(settings: str, texts: tuple[tuple[str, str], ...], baselines: str, drive: Path) -> RuleBook:
    try:
        loaded = settings_from_text(settings, drive)
        files = [rules_from_text(text, Path(name)) for name, text in texts]
        plan = plan_from_texts(loaded, files, Baselines.model_validate_json(baselines), outputs=False)
    except SettingsError as error:
        raise RulesError(f"with the channels of this drive:\n{error}") from error
    except (ValueError, TypeError) as error:
        raise RulesError(f"what it was driven with makes no sense to this version: {error}") from error
    rules = plan.rules
    # All that was made to get here stays; looking through it again and again costs as much as half a drive.
    gc.freeze()
    return RuleBook(rules.rules, rules.not_fitted, plan.pipeline().roots(), plan.channel_units, plan.running)


def hand_over() -> dict[tuple[Any, ...], RuleBook]:
    """All books that were built so far, for another process to `take_over`."""
    return dict(_BOOKS)


def take_over(books: Mapping[tuple[Any, ...], RuleBook]) -> None:
    """Use books that another process has built."""
    _BOOKS.update(books)
