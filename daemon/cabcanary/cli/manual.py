"""`cabcanary manual`: the manual page in roff (groff_man(7)), made from the parser."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary import __version__
from cabcanary.cli.shared import DEFAULT_CONFIG, DEFAULT_FOLDER, SAFETY

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.cli.described import Argument, Verb

_CODES = (
    ("0", "Success. Of status: it watches, and nothing stands."),
    (
        "1",
        "It did not work. Of check: not watched for what boost needs. Of status: something stands or cannot be seen.",
    ),
    ("2", "The settings or the command are wrong."),
    ("3", "Of status and reload: no daemon runs or answers."),
)
_FILES = (
    (str(DEFAULT_CONFIG), "Settings, as the units have it."),
    (str(DEFAULT_FOLDER), "Recordings and what the monitor remembers."),
    ("/run/cabcanary", "Sockets of the feed and of the watcher, under systemd."),
)
_ENVIRONMENT = (
    ("NO_COLOR", "Where it is set and not empty, nothing is written in colour."),
    ("COLUMNS", "How wide a page is, where that is not the terminal's width."),
)


def manual(root: Verb) -> str:
    """The page, in ASCII: a character beyond it is written by its number."""
    return "\n".join([*_page(root), ""])


def _page(root: Verb) -> Iterator[str]:
    yield f'.TH CABCANARY 1 "" "cabcanary {_text(__version__)}" "User Commands"'
    yield ".SH NAME"
    yield f"cabcanary \\- {_text(root.about.rstrip('.'))}"
    yield ".SH SYNOPSIS"
    yield _text(root.usage)
    yield ".SH DESCRIPTION"
    yield _text(SAFETY)
    yield ".SH OPTIONS"
    yield from _arguments(root)
    yield ".SH COMMANDS"
    for verb in root.all():
        if verb.words:
            yield from _verb(verb)
    for heading, rows in (("EXIT STATUS", _CODES), ("FILES", _FILES), ("ENVIRONMENT", _ENVIRONMENT)):
        yield f".SH {heading}"
        for name, words in rows:
            yield from (".TP", rf"\fB{_text(name)}\fR", _text(words))


def _verb(verb: Verb) -> Iterator[str]:
    yield f".SS {_text(' '.join(verb.words))}"
    yield _text(verb.usage)
    yield ".PP"
    yield _text(verb.about or verb.help[:1].upper() + verb.help[1:] + ".")
    yield from _arguments(verb)
    epilog = verb.epilog.replace(SAFETY, "").strip()
    if epilog:
        yield from (".PP", _text(epilog))


def _arguments(verb: Verb) -> Iterator[str]:
    for argument in verb.arguments:
        yield from (".TP", _tag(argument))
        choices = f" One of: {', '.join(argument.choices)}." if argument.choices else ""
        yield _text((argument.help or "As it says") + choices)


def _tag(argument: Argument) -> str:
    value = rf"\fI{_text(argument.value)}\fR" if argument.value else ""
    flags = ", ".join(rf"\fB{_text(flag)}\fR" for flag in argument.flags)
    return f"{flags} {value}".strip()


def _text(words: str) -> str:
    """Words as roff takes them: nothing in them is an order, and what is not ASCII stands by its number."""
    escaped = " ".join(words.split()).replace("\\", "\\e").replace("-", "\\-").replace("'", "\\(aq")
    plain = "".join(c if ord(c) < 128 else f"\\[u{ord(c):04X}]" for c in escaped)
    return f"\\&{plain}" if plain.startswith(".") else plain
