"""The command line as data, read from its parser: for completion by shells, and for the manual.

The one place that reads what argparse keeps to itself; `tests/contracts/test_private_interfaces.py` notices a change.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field

#: As wide as no usage is: the reader of a page wraps it.
_WIDE = 100_000


@dataclass(frozen=True, slots=True)
class Argument:
    """An option (`flags`), or a word in its place (none). `value` names what it takes; empty for a switch."""

    flags: tuple[str, ...]
    value: str
    help: str
    choices: tuple[str, ...] = ()
    #: It takes all the words that are left.
    many: bool = False


@dataclass(frozen=True, slots=True)
class Verb:
    """A command, by all its words (`rules test`), and those below it."""

    words: tuple[str, ...]
    help: str
    usage: str
    about: str
    epilog: str
    arguments: tuple[Argument, ...]
    below: tuple[Verb, ...] = field(default=())

    @property
    def name(self) -> str:
        """Its last word."""
        return self.words[-1] if self.words else ""

    def all(self) -> tuple[Verb, ...]:
        """It and every one below it."""
        return (self, *(v for verb in self.below for v in verb.all()))


def described(parser: argparse.ArgumentParser, words: tuple[str, ...] = (), help_: str = "") -> Verb:
    """The whole command line of a parser."""
    arguments, below = [], []
    for action in parser._actions:  # noqa: SLF001
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001
            helps = {a.dest: a.help or "" for a in action._choices_actions}  # noqa: SLF001
            below += [described(p, (*words, name), helps.get(name, "")) for name, p in action.choices.items()]
        elif action.help != argparse.SUPPRESS:
            arguments.append(_argument(parser, action))
    return Verb(
        words, help_, _usage(parser), parser.description or "", parser.epilog or "", tuple(arguments), tuple(below)
    )


def _argument(parser: argparse.ArgumentParser, action: argparse.Action) -> Argument:
    metavar = action.metavar if action.metavar is not None else action.dest.upper()
    value = "" if action.nargs == 0 else " ".join(metavar) if isinstance(metavar, tuple) else str(metavar)
    said = (action.help or "") % {**vars(action), "prog": parser.prog} if "%" in (action.help or "") else action.help
    choices = tuple(map(str, action.choices)) if action.choices is not None else ()
    return Argument(tuple(action.option_strings), value, said or "", choices, action.nargs in ("*", "+"))


def _usage(parser: argparse.ArgumentParser) -> str:
    formatter = argparse.HelpFormatter(parser.prog, width=_WIDE)
    formatter.add_usage(parser.usage, parser._actions, parser._mutually_exclusive_groups, prefix="")  # noqa: SLF001
    return formatter.format_help().strip()
