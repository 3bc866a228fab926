"""The form that takes the token: by POST alone, so that it is in no address and no log."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from starlette.responses import RedirectResponse, Response

from cabcanary.cabview.html import page
from cabcanary.cabview.token import COOKIE, Door

if TYPE_CHECKING:
    from starlette.requests import Request

_A_YEAR_S = 365 * 24 * 3600
_FORM = (
    '<h1>Token</h1><form method="post" action="/login"><label for="token">The token of this vehicle\'s pages</label>'
    '<input id="token" name="token" type="password" autocomplete="current-password" required autofocus>'
    '<button type="submit" class="do-it">Log in</button></form>'
)
_WRONG = '<p role="alert" class="wrong">That is not the token, or it was tried too often. Wait some seconds.</p>'


async def fields_of(request: Request) -> dict[str, str]:
    """The fields of a form. The guard has seen to its length."""
    body = (await request.body()).decode("utf-8", "replace")
    try:
        return {name: found[-1] for name, found in parse_qs(body, max_num_fields=10).items()}
    except ValueError:
        # More fields than any form of ours has: none of them is taken.
        return {}


class Login:
    """GET shows the form, POST takes the token."""

    def __init__(self, door: Door) -> None:
        self._door = door

    async def answer(self, request: Request) -> Response:
        """One request."""
        if request.method != "POST":
            return page("Log in", "login", _FORM)
        if not self._door.try_token((await fields_of(request)).get("token", "")):
            refused = page("Log in", "login", _WRONG + _FORM)
            refused.status_code = 401
            return refused
        answer = RedirectResponse("/cab", 303)
        if self._door.locked:
            answer.set_cookie(COOKIE, self._door.cookie, max_age=_A_YEAR_S, httponly=True, samesite="strict")
        return answer
