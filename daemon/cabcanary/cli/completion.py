"""`cabcanary completion`: what a shell needs to complete commands, made from the parser."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from cabcanary.cli.described import Argument, Verb

_BASH = """\
# cabcanary: completion for bash.
_cabcanary() {{
    local word=${{COMP_WORDS[COMP_CWORD]}} before=${{COMP_WORDS[COMP_CWORD - 1]}} verb= words= n
    for ((n = 1; n < COMP_CWORD; n++)); do
        case "$verb ${{COMP_WORDS[n]}}" in
            {verbs}) verb="${{verb:+$verb }}${{COMP_WORDS[n]}}" ;;
        esac
    done
    COMPREPLY=()
    case "$verb $before" in
{values}
    esac
    if [[ $word == -* ]]; then
        case "$verb" in
{options}
        esac
    else
        case "$verb" in
{plain}
        esac
    fi
    COMPREPLY=($(compgen -W "$words" -- "$word"))
}}
# Where nothing fits, the names of files do.
complete -o default -F _cabcanary cabcanary
"""


def bash(root: Verb) -> str:
    """The script for bash."""
    verbs = [v for v in root.all() if v.words]
    heads = "|".join(f'"{" ".join(v.words[:-1])} {v.name}"' for v in verbs)
    values, options, plain = [], [], []
    for verb in root.all():
        key = " ".join(verb.words)
        for argument in verb.arguments:
            if argument.flags and argument.value:
                left = "|".join(f'"{key} {flag}"' for flag in argument.flags)
                values.append(f'        {left}) COMPREPLY=($(compgen -W "{_among(argument)}" -- "$word")); return ;;')
        flags = " ".join(flag for a in verb.arguments for flag in a.flags)
        words = " ".join(
            [*(v.name for v in verb.below), *(c for a in verb.arguments if not a.flags for c in a.choices)]
        )
        options.append(f'            "{key}") words="{flags}" ;;')
        plain.append(f'            "{key}") words="{words}" ;;')
    return _BASH.format(verbs=heads, values="\n".join(values), options="\n".join(options), plain="\n".join(plain))


def _among(argument: Argument) -> str:
    return " ".join(argument.choices)


def _words(verb: Verb) -> Iterator[str]:
    """What may stand behind a command: those below it, and the choices of its words."""
    yield from (v.name for v in verb.below)
    yield from (choice for a in verb.arguments if not a.flags for choice in a.choices)


def zsh(root: Verb) -> str:
    """The script for zsh, as a function of its completion system."""
    lines = ["#compdef cabcanary", "# cabcanary: completion for zsh.", *_zsh_verb(root)]
    return "\n".join([*lines, "compdef _cabcanary cabcanary", ""])


def _zsh_verb(verb: Verb) -> Iterator[str]:
    name = "_".join(["_cabcanary", *verb.words])
    yield f"{name}() {{"
    specs = [_zsh_option(a) for a in verb.arguments if a.flags]
    specs += [_zsh_word(n, a) for n, a in enumerate((a for a in verb.arguments if not a.flags), 1)]
    if verb.below:
        told = " ".join(f"{v.name}\\:{shlex.quote(_zsh_text(v.help))}" for v in verb.below)
        specs += [shlex.quote(f"1:command:(({told}))"), shlex.quote("*::argument:->below")]
    yield "    local curcontext=$curcontext state line"
    yield "    _arguments -C " + " ".join(specs)
    if verb.below:
        yield "    [[ $state == below ]] && case $words[1] in"
        for below in verb.below:
            yield f"        {below.name}) {'_'.join(['_cabcanary', *below.words])} ;;"
        yield "    esac"
    yield "}"
    for below in verb.below:
        yield from _zsh_verb(below)


def _zsh_word(place: int, argument: Argument) -> str:
    return shlex.quote(f"{'*' if argument.many else place}:{_zsh_value(argument)}")


def _zsh_option(argument: Argument) -> str:
    takes = f":{_zsh_value(argument)}" if argument.value else ""
    return " ".join(shlex.quote(f"{flag}[{_zsh_text(argument.help)}]{takes}") for flag in argument.flags)


def _zsh_value(argument: Argument) -> str:
    among = f"({' '.join(argument.choices)})" if argument.choices else "_files"
    return f"{_zsh_text(argument.value).lower()}:{among}"


def _zsh_text(text: str) -> str:
    """Without what means something to zsh inside a description."""
    return "".join(" " if c in "[]:'\"`$\\()" else c for c in text)


def fish(root: Verb) -> str:
    """The script for fish."""
    return "\n".join(["# cabcanary: completion for fish.", *_fish_verb(root), ""])


def _fish_verb(verb: Verb) -> Iterator[str]:
    seen = "; and ".join(f"__fish_seen_subcommand_from {word}" for word in verb.words)
    none = f"not __fish_seen_subcommand_from {' '.join(v.name for v in verb.below)}" if verb.below else ""
    begin = f"complete -c cabcanary -n {shlex.quote('; and '.join(filter(None, (seen, none))) or 'true')}"
    for below in verb.below:
        yield f"{begin} -f -a {below.name} -d {shlex.quote(below.help)}"
    for argument in verb.arguments:
        among = f" -a {shlex.quote(' '.join(argument.choices))}" if argument.choices else ""
        takes = (" -x" if argument.choices else " -r") if argument.value and argument.flags else ""
        flags = "".join(f" -l {f[2:]}" if f.startswith("--") else f" -s {f[1:]}" for f in argument.flags)
        if flags or among:
            yield f"{begin}{flags}{takes}{among} -d {shlex.quote(argument.help)}"
    for below in verb.below:
        yield from _fish_verb(below)


SHELLS: dict[str, Callable[[Verb], str]] = {"bash": bash, "zsh": zsh, "fish": fish}
