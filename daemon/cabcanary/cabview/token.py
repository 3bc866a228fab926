"""The token by which another computer is let in: from a file, compared in constant time, never written anywhere."""

from __future__ import annotations

import hashlib
import hmac
import stat
import time
from typing import TYPE_CHECKING

from cabcanary.processes.rate import RateLimit

if TYPE_CHECKING:
    from pathlib import Path

#: 16 characters at random are 80 bits and more.
SHORTEST = 16
#: Wrong ones that are looked at: a person types no faster, and a program guesses no longer.
_TRIES_PER_S, _TRIES_AT_ONCE = 0.5, 5
COOKIE = "cabcanary"


class TokenError(ValueError):
    """The token cannot be used; the text says why and what to do."""


def read_token(path: Path) -> str:
    """The token in a file that only its owner can read.

    Raises:
        TokenError: others can, it cannot be read, or it is too short.
    """
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):
            raise TokenError(f"{path} is no file; name the file that holds the token")
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise TokenError(f"{path} can be read by others; run: chmod 600 {path}")
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise TokenError(f"{path}: {getattr(error, 'strerror', None) or 'is no text'}; see --token-file") from error
    if len(token) < SHORTEST or not token.isascii() or not token.isprintable() or " " in token:
        raise TokenError(f"{path} must hold {SHORTEST} or more plain characters; run: openssl rand -hex 16 > {path}")
    return token


class Door:
    """Who is let in. Without a token everybody is: then the pages are for this computer alone."""

    def __init__(self, token: str | None) -> None:
        self._token = token
        self._tries = RateLimit(_TRIES_PER_S, _TRIES_AT_ONCE)
        #: What a browser keeps is made from the token and is not the token; it outlasts a start of the server.
        self.cookie = "" if token is None else hmac.new(token.encode(), b"cabcanary pages", hashlib.sha256).hexdigest()

    @property
    def locked(self) -> bool:
        """Whether a token is asked for."""
        return self._token is not None

    def is_open_to(self, cookie: str, authorization: str) -> bool:
        """Whether these, as a request brings them, let it in."""
        if self._token is None or _same(cookie, self.cookie):
            return True
        kind, _, given = authorization.partition(" ")
        return kind.lower() == "bearer" and self.try_token(given.strip())

    def try_token(self, given: str) -> bool:
        """Whether this is the token. After a few wrong ones even the right one has to wait."""
        if self._token is None:
            return True
        if not self._tries.allows(time.monotonic_ns()):
            return False
        right = _same(given, self._token)
        if right:
            self._tries = RateLimit(_TRIES_PER_S, _TRIES_AT_ONCE)
        return right


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "surrogateescape"), wanted.encode())
