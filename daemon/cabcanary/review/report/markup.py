"""HTML and SVG as text that is well formed, with everything that a person wrote escaped."""

from __future__ import annotations

from html import escape

#: Characters that XML knows no way to write, from a name or a note.
_NO_TEXT = {n: " " for n in range(32) if n not in (9, 10, 13)}


class Markup(str):
    """Text that is markup already; any other is escaped where it is put into an element."""

    __slots__ = ()


def text(words: str) -> Markup:
    """Words as markup."""
    return words if isinstance(words, Markup) else Markup(escape(words.translate(_NO_TEXT)))


def el(tag: str, /, *children: str, **attributes: str | float) -> Markup:
    """An element. `_` in an attribute's name stands for `-`, and one behind it is left out (`class_`)."""
    told = "".join(f' {_name(key)}="{text(_value(value))}"' for key, value in attributes.items())
    if not children:
        # Elements that HTML lets stand alone, and those of SVG, end at once; others would swallow what follows.
        return Markup(f"<{tag}{told}/>" if tag in _ALONE else f"<{tag}{told}></{tag}>")
    return Markup(f"<{tag}{told}>{''.join(text(child) for child in children)}</{tag}>")


def joined(*parts: str) -> Markup:
    """Several pieces, one behind the other."""
    return Markup("".join(text(part) for part in parts))


def sideways(what: str, words: str, kind: str = "wide") -> Markup:
    """What may be wider than a telephone: it is moved sideways by itself, with keys as well."""
    return el("div", what, class_=kind, tabindex="0", role="group", aria_label=words)


_ALONE = {"meta", "br", "path", "line", "rect", "circle"}


def _name(key: str) -> str:
    return key.rstrip("_").replace("_", "-") if key != "viewBox" else key


def _value(value: str | float) -> str:
    return value if isinstance(value, str) else number(value)


def number(value: float) -> str:
    """A coordinate: a tenth of a unit is finer than any printer."""
    found = f"{value:.1f}"
    return found.removesuffix(".0") if found != "-0.0" else "0"
