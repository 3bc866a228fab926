"""A condition's text -> what the grammar makes of it, and faults at their place."""

from __future__ import annotations

from importlib import resources
from typing import Any, NoReturn

from lark import Lark, Token, Tree
from lark.exceptions import UnexpectedCharacters, UnexpectedEOF, UnexpectedInput

from cabcanary.expressions.names import ConditionError

#: As long as a rule file lets a condition be.
_LONGEST = 2000
_GRAMMAR = resources.files(__package__).joinpath("grammar.lark").read_text(encoding="utf-8")
_LARK = Lark(_GRAMMAR, parser="lalr", propagate_positions=True, maybe_placeholders=True)


def read(text: str) -> Tree[Token]:
    """The text by the grammar.

    Raises:
        ConditionError: it does not follow the grammar, or is longer than anybody reads.
    """
    # Before the grammar is asked: what nobody can read takes it minutes.
    if len(text) > _LONGEST:
        raise ConditionError(f"longer than {_LONGEST} characters", 1, 1, "split the rule in two")
    try:
        return _LARK.parse(text)
    except UnexpectedInput as error:
        raise _grammar_error(text, error) from error


def _grammar_error(text: str, error: UnexpectedInput) -> ConditionError:
    if isinstance(error, UnexpectedEOF) or getattr(getattr(error, "token", None), "type", "") == "$END":
        lines = text.splitlines() or [""]
        return ConditionError("the condition stops too early", len(lines), len(lines[-1]) + 1, "complete it")
    what = "this character" if isinstance(error, UnexpectedCharacters) else f"'{getattr(error, 'token', '')}'"
    rest = text[error.pos_in_stream or 0 :][:1]
    fix = "a condition reads like: boost > 2 psi and lambda > ceiling(boost)"
    if rest == "=":
        fix = "compare with > >= < or <=; sensors are never exactly equal to a number"
    return ConditionError(f"did not expect {what} here", error.line, error.column, fix)


def place(node: Any) -> tuple[int, int]:
    """Line and column of a part of the tree, from 1."""
    if isinstance(node, Token):
        return node.line or 1, node.column or 1
    return getattr(node.meta, "line", 1), getattr(node.meta, "column", 1)


def fail(node: Any, message: str, fix: str) -> NoReturn:
    """Raise what is wrong with a part of the tree.

    Raises:
        ConditionError: always.
    """
    line, column = place(node)
    raise ConditionError(message, line, column, fix)
