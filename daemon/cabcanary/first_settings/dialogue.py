"""Asks one question after the other at a terminal, and keeps every answer at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.first_settings.answers import AnswersError, answers_of
from cabcanary.first_settings.forms import FormError, read, shown
from cabcanary.first_settings.question import Question, get, put
from cabcanary.first_settings.questions import QUESTIONS

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.first_settings.devices import Places
    from cabcanary.first_settings.question import Offer, Raw

HOW = """\
Type an answer or its number. Enter: leave it as it is, or for later. -: I don't know yet. ?: why it is asked.
<: back to the one before. Ctrl-D: stop here; everything so far is kept, and the same command goes on.
"""
_BACK, _WHY, _UNKNOWN = "<", "?", "-"


class StoppedError(Exception):
    """The person has had enough for now."""


class Dialogue:
    """`ask` shows a prompt and returns a line (EOFError: the person stops); `tell` shows one; `keep` keeps answers."""

    def __init__(
        self, ask: Callable[[str], str], tell: Callable[[str], None], keep: Callable[[Raw], None], places: Places
    ) -> None:
        self._ask, self._tell, self._keep, self._places = ask, tell, keep, places

    def hold(self, raw: Raw) -> Raw:
        """Ask everything that makes sense; returns the answers.

        Raises:
            StoppedError: the person stopped; what was answered is kept.
        """
        self._tell(HOW)
        gone: list[int] = []
        at = 0
        while at < len(QUESTIONS):
            if not QUESTIONS[at].when(raw):
                at += 1
                continue
            answered = self._one(QUESTIONS[at], raw, len(gone) + 1)
            if answered is None:
                at = gone.pop() if gone else at
                continue
            gone.append(at)
            if answered != raw:
                raw = answered
                self._keep(raw)
            at += 1
        return raw

    def _one(self, question: Question, raw: Raw, number: int) -> Raw | None:
        """The answers with this one; None: back to the question before."""
        self._tell(f"\n{number}. {question.ask}")
        if question.form == "by stage":
            return self._by_stage(question, raw)
        offers = question.offers(raw, self._places)
        for n, offer in enumerate(offers, 1):
            self._tell(f"   {n}  {offer.words}")
        if not offers and question.nothing:
            self._tell(f"   {question.nothing}")
        present = get(raw, question.path)
        while True:
            line = self._line("" if present is None else f" [{shown(present)}]")
            if line == _BACK:
                return None
            if line == _WHY:
                self._tell(f"   {question.why or 'It goes into the settings as you say it.'}")
                continue
            if not line:
                return raw
            if line == _UNKNOWN:
                return put(raw, question.path, None)
            answered = self._taken(question, raw, offers, line)
            if answered is not None:
                return answered

    def _taken(self, question: Question, raw: Raw, offers: list[Offer], line: str) -> Raw | None:
        """The answers with what was typed; None where it cannot be, which has been told."""
        try:
            values = _chosen(offers, line)
            if values is None:
                values = {question.path: read(question.form, line)}
            for path, value in values.items():
                raw = put(raw, path, value)
            answers_of(raw)
        except (FormError, AnswersError) as error:
            self._tell(f"   {error}")
            return None
        return raw

    def _by_stage(self, question: Question, raw: Raw) -> Raw | None:
        stages = get(raw, "vehicle.stages") or ["as it is"]
        known: dict[str, Any] = dict(get(raw, question.path) or {})
        unit = get(raw, "hoses.unit") or "psi"
        for stage in stages:
            while True:
                line = self._line(f" {stage}, {unit}" + (f" [{shown(known[stage])}]" if stage in known else ""))
                if line == _BACK:
                    return None
                if line == _WHY:
                    self._tell(f"   {question.why}")
                    continue
                if line == _UNKNOWN:
                    known.pop(stage, None)
                elif line:
                    try:
                        known[stage] = read("number", line)
                    except FormError as error:
                        self._tell(f"   {error}")
                        continue
                break
        return put(raw, question.path, known or None)

    def _line(self, prompt: str) -> str:
        try:
            return self._ask(f"  {prompt}> ").strip()
        except EOFError:
            raise StoppedError from None


def _chosen(offers: list[Offer], line: str) -> dict[str, Any] | None:
    """What the offer with this number, or the one that begins so, answers."""
    if line.isdigit() and 1 <= int(line) <= len(offers):
        return offers[int(line) - 1].values
    keys = [o for o in offers if line in [v for v in o.values.values() if isinstance(v, str)]]
    return keys[0].values if keys else None
