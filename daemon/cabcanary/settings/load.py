"""Read a TOML file into its model; a syntax error alone, otherwise every error at once with its line."""

from __future__ import annotations

import re
import stat
import tomllib
import types
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Generic, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from cabcanary.settings.rule_schema import RuleFile
from cabcanary.settings.schema import Settings
from cabcanary.spelling import spelt
from cabcanary.validation.positions import Positions
from cabcanary.validation.problems import Problem, SettingsError, nearest

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from pydantic_core import ErrorDetails

#: Settings are written by hand; a file this large is something else.
_LARGEST_FILE = 1_000_000


T = TypeVar("T", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Loaded(Generic[T]):
    """A model, the text it came from, and where everything stands in it."""

    file: Path
    text: str
    model: T
    positions: Positions

    def problem(self, path: tuple[str | int, ...], message: str, fix: str = "") -> Problem:
        """A problem at the key `path` of this file."""
        return _problem(self.file, self.positions, path, message, fix)


@dataclass(frozen=True, slots=True)
class _Help:
    """What a person is pointed to: the guide to this kind of file, and what to write for a key."""

    guide: str
    hints: Mapping[str, str]


def load_settings(file: Path) -> Loaded[Settings]:
    """Load a settings file.

    Raises:
        SettingsError: the file cannot be read, is no TOML, or says something that cannot be.
    """
    return _load(file, Settings)


def load_rule_file(file: Path) -> Loaded[RuleFile]:
    """Load a rule file; its conditions are not looked into here.

    Raises:
        SettingsError: the file cannot be read, is no TOML, or says something that cannot be.
    """
    return _load(file, RuleFile)


def load_file(file: Path, model: type[T], guide: str, hints: Mapping[str, str]) -> Loaded[T]:
    """Load any other TOML file with a model of its own; `hints` say what to write for a key, `guide` where all stand.

    Raises:
        SettingsError: the file cannot be read, is no TOML, or says something that cannot be.
    """
    return _load(file, model, _Help(guide, hints))


def settings_from_text(text: str, file: Path) -> Loaded[Settings]:
    """Like `load_settings`, for a text kept elsewhere, such as in a recording."""
    return _parse(text, file, Settings)


def rules_from_text(text: str, file: Path) -> Loaded[RuleFile]:
    """Like `load_rule_file`, for a text kept elsewhere."""
    return _parse(text, file, RuleFile)


def _load(file: Path, model: type[T], helping: _Help | None = None) -> Loaded[T]:
    try:
        found = file.stat()
        if not stat.S_ISREG(found.st_mode):
            # A pipe without a writer would be waited for, for ever.
            raise SettingsError([Problem(file, 1, "", "this is no file", "name a file of settings or rules (TOML)")])
        if found.st_size > _LARGEST_FILE:
            raise SettingsError([Problem(file, 1, "", "this file is too large to be settings")])
        text = file.read_text(encoding="utf-8-sig")  # some editors begin a file with a byte order mark
    except OSError as error:
        raise SettingsError(
            [
                Problem(
                    file,
                    1,
                    "",
                    f"cannot be read: {error.strerror or error}",
                    "check the path and permissions",
                )
            ]
        ) from error
    except UnicodeDecodeError as error:
        raise SettingsError(
            [Problem(file, 1, "", f"is not UTF-8 text (byte {error.start})", "save it as UTF-8")]
        ) from error
    return _parse(text, file, model, helping)


def _parse(text: str, file: Path, model: type[T], helping: _Help | None = None) -> Loaded[T]:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([_syntax_problem(file, text, str(error))]) from error
    except ValueError as error:
        # Python bounds the digits of an integer, and says so by an error of its own, without a place.
        raise SettingsError([Problem(file, 1, "", "a number in this has too many digits to be meant")]) from error
    except RecursionError as error:
        raise SettingsError([Problem(file, 1, "", "this is nested too deeply to be settings")]) from error
    positions = Positions(text)
    try:
        return Loaded(file, text, model.model_validate(data), positions)
    except ValidationError as error:
        chosen = helping or _Help("config/README.md", _EXAMPLES)
        problems = [_from_pydantic(file, positions, model, e, chosen) for e in error.errors(include_url=False)]
        raise SettingsError(problems) from error


def _syntax_problem(file: Path, text: str, message: str) -> Problem:
    words, _, where = message.partition(" (at ")
    line, column = text.count("\n") + 1, 0
    numbers = [int(n) for n in where.replace(",", " ").replace(")", " ").split() if n.isdigit()]
    if len(numbers) == 2:
        line, column = numbers
    # As TOML counts them: nothing but a line feed ends a line.
    lines = text.split("\n")
    here = lines[line - 1] if 0 < line <= len(lines) else ""
    return Problem(file, line, "", f"this is not valid TOML: {words}", _syntax_fix(here, words), column)


def _syntax_fix(line: str, words: str) -> str:
    """What a beginner most likely meant."""
    if any(quote in line for quote in "“”„‘’"):
        return 'write straight quotes, as in "text"; a word processor has put in curly ones'
    _, sign, value = line.partition("=")
    if sign and words.startswith("Invalid value") and re.match(r"\s*[A-Za-z/$]", value):
        return 'put text between straight quotes, as in kind = "iio"'
    if "overwrite a value" in words or "twice" in words:
        return "this key or table stands here for the second time; remove one"
    return "mend this first, then check again"


def _problem(file: Path, positions: Positions, path: tuple[str | int, ...], message: str, fix: str = "") -> Problem:
    line, column = positions.key(path)
    return Problem(file, line, dotted(path), message, fix, column)


def dotted(path: tuple[str | int, ...]) -> str:
    """A key path as people write it: channels.map.curve.points[1]."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _from_pydantic(
    file: Path, positions: Positions, model: type[BaseModel], error: ErrorDetails, helping: _Help
) -> Problem:
    path, parent, here = _without_tags(model, error["loc"])
    kind, context = error["type"], error.get("ctx", {})
    name = str(path[-1]) if path else ""
    if kind == "extra_forbidden":
        known = list(parent.model_fields) if parent is not None else []
        return _problem(file, positions, path, "unknown key", nearest(name, known))
    if kind == "missing":
        return _problem(file, positions, path, "this key is missing", f"add {helping.hints.get(name, f'{name} = …')}")
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        return _tag_problem(file, positions, path, here, error)
    if kind == "string_pattern_mismatch" and "a-z" in str(context.get("pattern", "")):
        return _problem(
            file, positions, path, f"{error['input']!r} is not a name", "use small letters, digits and _ only"
        )
    # Our own validators say what is wrong and, after a semicolon, what to do.
    message, _, fix = error["msg"].removeprefix("Value error, ").removeprefix("Input ").partition("; ")
    fix = fix or _fix_for(kind, name, context, error.get("input"), helping)
    return _problem(file, positions, path, _lower(message), fix)


def _lower(message: str) -> str:
    """Pydantic begins with a capital; a name in capitals stays one."""
    return message if message[1:2].isupper() else message[:1].lower() + message[1:]


def _tag_problem(
    file: Path, positions: Positions, path: tuple[str | int, ...], union: Any, error: ErrorDetails
) -> Problem:
    context = error.get("ctx", {})
    key = str(context.get("discriminator", "'kind'")).strip("'")
    known = _tags(union, key)
    if error["type"] == "union_tag_not_found":
        choices = " or ".join(f'{key} = "{tag}"' for tag in known)
        return _problem(file, positions, path, f"'{key}' is missing", f"write {choices}")
    message = f"{key} = '{context.get('tag')}' does not exist"
    return _problem(file, positions, (*path, key), message, nearest(str(context.get("tag")), known))


def _tags(union: Any, key: str) -> list[str]:
    """The values of `key` that choose a member of a tagged union."""
    members = _plain(union)
    if not isinstance(members, tuple):
        return []
    fields = [m.model_fields.get(key) for member in members if _is_model(m := _plain(member))]
    found = [str(tag) for field in fields if field for tag in get_args(field.annotation)]
    return found or [t for member in members for t in _tags(member, key)]


_EXAMPLES = {
    "vehicle": "a table [vehicle] with name and stage",
    "device": 'device = "…", the converter\'s name as the kernel gives it',
    "port": 'port = "/dev/ttyUSB0"',
    "interface": 'interface = "slcan"',
    "channel": 'channel = "/dev/ttyACM0"',
    "items": "a table of items, each with how often it is wanted a second, such as rpm = 10",
    "kind": 'kind = "linear"',
    "below_idle_kpa": "below_idle_kpa = 25.0, a little under this engine's lowest pressure at idle",
    "of": 'of = "…", the name of a channel, or in a table of a rule file a unit',
    "gives": 'gives = "lambda", a unit',
    "host": 'host = "localhost"',
    "id": 'id = "over_boost"',
    "priority": 'priority = "warning"',
    "say": 'say = "Boost too high"',
    "do": 'do = "Lift off gently"',
    "unit": 'unit = "kPa"',
    "source": 'source = "adc", the name of a [sources.…] table',
    "item": 'item = "voltage0"',
    "name": 'name = "bench van"',
    "stage": 'stage = "sensors only"',
    "points": "points = [[0.5, 20.0], [4.5, 250.0]]",
    "sources": 'a table such as [sources.adc] with kind = "iio"',
    "channels": "a table such as [channels.map] with source, item and unit",
    "when": 'when = "boost > 8 psi"',
}


_PAIRS = ("rails", "ends", "plausible", "range")


def _fix_for(kind: str, name: str, context: dict[str, Any], given: Any, helping: _Help) -> str:
    """What would be accepted instead, in one line."""
    if name in helping.hints and kind.startswith(("too_short", "list_type", "string_t")):
        return f"write {helping.hints[name]}"
    if name in _PAIRS and kind == "too_long":
        return f"write two numbers with a decimal point, as in {name} = [0.25, 4.75]"
    if kind.endswith("_parsing") and isinstance(given, str) and re.match(r"\s*[-+.\d]", given):
        return f"write the bare number, as in {name} = {re.match(r'[-+.0-9]*', given.strip())[0]}"  # type: ignore[index]
    bounds = [f"{word} {spelt(context[k])}" for k, word in _BOUNDS.items() if k in context]
    if bounds:
        return f"give {name} a value " + " and ".join(bounds)
    if kind == "literal_error":
        return f"use one of: {context.get('expected', '')}".replace("'", "")
    if kind.endswith(("_type", "_parsing")):
        return f"{name} takes {_TYPES.get(kind.rpartition('_')[0], 'another kind of value')}"
    return f"correct {name} here; {helping.guide} shows each key with an example"


_BOUNDS = {
    "ge": "of at least",
    "gt": "above",
    "le": "of at most",
    "lt": "below",
    "min_length": "with a length of at least",
    "max_length": "with a length of at most",
}
_TYPES = {
    "float": "a number",
    "int": "a whole number",
    "string": "text in quotes",
    "list": "a list in [ ]",
    "dict": "a table",
    "bool": "true or false",
    "tuple": "a pair in [ ]",
    "model": "a table",
}


def _without_tags(
    model: type[BaseModel], location: tuple[str | int, ...]
) -> tuple[tuple[str | int, ...], type[BaseModel] | None, Any]:
    """Pydantic's location -> the path in the file (union tags left out), the model that holds the last key, and
    the kind of value that belongs there.
    """
    path: list[str | int] = []
    here: Any = model
    parent: type[BaseModel] | None = model
    for part in location:
        kind = _plain(here)
        if isinstance(kind, tuple):
            here = _member(kind, str(part))
            continue
        path.append(part)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            parent = kind
            field = kind.model_fields.get(str(part))
            here = field.annotation if field else None
            # The discriminator of a union that is a field's whole type sits in the field, not the annotation.
        else:
            arguments = get_args(kind)
            here = arguments[-1] if arguments else None
    return tuple(path), parent, here


def _plain(annotation: Any) -> Any:
    """Strip Annotated and Optional; a real union becomes the tuple of its members."""
    while get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    if get_origin(annotation) in (Union, types.UnionType):
        members = [a for a in get_args(annotation) if a is not type(None)]
        models = [m for m in members if isinstance(_plain(m), tuple) or _is_model(_plain(m))]
        if len(models) > 1:
            return tuple(models)
        return _plain(members[0])
    return annotation


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _member(members: tuple[Any, ...], tag: str) -> Any:
    """The member of a tagged union that `tag` stands for; a nested union takes the tags of its members."""
    for member in members:
        kind = _plain(member)
        if isinstance(kind, tuple):
            if tag == "derived":
                return member
        elif tag == "measured" or any(tag in get_args(f.annotation) for f in kind.model_fields.values()):
            return member
    return None
