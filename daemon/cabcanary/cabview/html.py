"""The frame around every page, and text that is safe in it."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from starlette.responses import HTMLResponse

if TYPE_CHECKING:
    from collections.abc import Iterable

#: On every page: it hurts where it is not known.
SAFETY = (
    "This is a monitor, not protection: it cannot stop an engine from being damaged. Limits come from a qualified "
    "tuner; those that come with it are examples."
)
_EYES = "Look at the road. Park before you look into drives."


def text(words: object) -> str:
    """Anything as text in a page, or in an attribute between double quotes."""
    return escape(str(words), quote=True)


def page(title: str, here: str, main: str, scripts: Iterable[str] = (), styles: Iterable[str] = ()) -> HTMLResponse:
    """A whole page. `here` names the place it is of (`cab`, `drives`, `login`); `scripts` and
    `styles` are files of `static/`, besides those of every page."""
    # A script of type module waits for the page by itself.
    loaded = "".join(f'<script{_kind(s)} src="/static/{text(s)}"></script>' for s in scripts)
    dressed = "".join(f'<link rel="stylesheet" href="/static/{text(s)}">' for s in ("pages.css", *styles))
    links = "".join(
        f'<a href="{path}"{_current(here == name)}>{words}</a>'
        for name, path, words in (("cab", "/cab", "Cab"), ("drives", "/drives", "Drives"))
    )
    nav = "" if here == "login" else f'<nav aria-label="Pages">{links}</nav>'
    return HTMLResponse(
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{text(title)} - cabcanary</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark"><link rel="icon" href="data:,">'
        f'<script src="/static/light.js"></script>{dressed}{loaded}</head>'
        f'<body class="{text(here)}"><header><p class="name">cabcanary</p>{nav}'
        '<button type="button" id="light" class="quiet">Light: auto</button></header>'
        f"<main>{main}</main><footer><p>{_EYES} {SAFETY}</p></footer></body></html>"
    )


def _kind(script: str) -> str:
    """Ours are modules; the library for plots, which is none, is there before them."""
    return " defer" if script.endswith(".min.js") else ' type="module"'


def _current(is_here: object) -> str:
    return ' aria-current="page"' if is_here else ""
