"""`cabcanary pages`: the pages for the cab and for drives, served beside the daemon."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.cli.shared import DEFAULT_CONFIG, SAFETY

if TYPE_CHECKING:
    import argparse
    import socket

OK, FAILED, WRONG = 0, 1, 2
#: Not one of the registered ports, and none that other programs commonly take.
_PORT = 8468
_LAST_PORT = 65535
_INSTALL = "the pages need two libraries that are not here; install them with: pip install 'cabcanary[pages]'"


def add_pages(verbs: Any) -> None:
    """Add the command to the parser."""
    pages = verbs.add_parser(
        "pages",
        help="serve pages: one for the cab, others to look into drives when parked",
        description="Serve pages for a browser, as a process of its own beside the daemon: what stands and a few "
        "values for the cab, and recorded drives. For this computer alone unless --host says otherwise.",
        epilog=f"Look at the road. Park before you look into drives. {SAFETY}",
    )
    pages.add_argument("--config", type=Path, default=DEFAULT_CONFIG, help=f"settings file (default {DEFAULT_CONFIG})")
    pages.add_argument(
        "--host", default="127.0.0.1", help="address to listen at (default 127.0.0.1); any other needs --token-file"
    )
    pages.add_argument("--port", type=int, default=_PORT, help=f"port to listen at; 0: any (default {_PORT})")
    pages.add_argument(
        "--token-file", type=Path, metavar="FILE", help="file with the token that a browser must give; chmod 600"
    )
    pages.set_defaults(run=_pages)


def _pages(options: argparse.Namespace) -> int:
    import asyncio

    from cabcanary.settings.load import load_settings
    from cabcanary.validation.problems import SettingsError

    if not 0 <= options.port <= _LAST_PORT:
        print(f"--port {options.port} is no port; write 0 to {_LAST_PORT}", file=sys.stderr)
        return WRONG
    try:
        settings = load_settings(options.config).model
    except SettingsError as error:
        print(error, file=sys.stderr)
        return WRONG
    try:
        from cabcanary.cabview.app import Pages, serve
        from cabcanary.cabview.chosen import chosen_values
        from cabcanary.cabview.http_server import BindError, bind, is_loopback
        from cabcanary.cabview.token import Door, TokenError, read_token
    except ModuleNotFoundError as error:
        if error.name not in ("starlette", "uvicorn", "h11"):
            raise
        print(_INSTALL, file=sys.stderr)
        return FAILED
    try:
        if options.token_file is None and not is_loopback(options.host):
            raise TokenError(f"--host {options.host} can be reached by others: name the file of a token, --token-file")
        token = None if options.token_file is None else read_token(options.token_file)
    except TokenError as error:
        print(error, file=sys.stderr)
        return WRONG
    try:
        listening = bind(options.host, options.port)
    except BindError as error:
        print(error, file=sys.stderr)
        return FAILED
    with listening:
        print(f"pages at {_address(listening)}/cab and {_address(listening)}/drives", flush=True)
        asyncio.run(serve(Pages(settings, chosen_values(settings), Door(token)), listening))
    return OK


def _address(listening: socket.socket) -> str:
    host, port = listening.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"
