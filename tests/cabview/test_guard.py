"""Who gets in, from where, and for how long: the pages' process, asked as browsers and others ask."""

from __future__ import annotations

import http.client
import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import Browser, PagesProcess, served
from harness import command, wait_for
from selenium.webdriver.support.expected_conditions import staleness_of

from cabcanary.cabview.guard import LONGEST_BODY
from cabcanary.cabview.stream import MOST_CLIENTS
from cabcanary_bench.paths import config_folder

pytestmark = pytest.mark.waits

VAN = config_folder() / "bench-van.toml"
TOKEN = "a-token-that-nobody-else-has"
LATE_S = 40.0


@pytest.fixture(scope="module")
def open_pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PagesProcess]:
    """Pages of this computer alone, with no daemon beside them."""
    with served(VAN, env={"CABCANARY_BENCH": str(tmp_path_factory.mktemp("open"))}) as pages:
        yield pages


@pytest.fixture(scope="module")
def locked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PagesProcess]:
    """Pages that ask for a token."""
    folder = tmp_path_factory.mktemp("locked")
    with served(VAN, "--token-file", str(token_file(folder)), env={"CABCANARY_BENCH": str(folder)}) as pages:
        yield pages


def token_file(folder: Path, token: str = TOKEN, mode: int = 0o600) -> Path:
    path = folder / "token"
    path.write_text(token + "\n")
    path.chmod(mode)
    return path


def ask(pages: PagesProcess, method: str, path: str, body: str = "", **headers: str) -> tuple[int, dict[str, str], str]:
    """Status, headers and text of one answer; `_` in a header's name stands for `-`."""
    asked = http.client.HTTPConnection("127.0.0.1", pages.port, timeout=LATE_S)
    try:
        asked.request(method, path, body or None, {k.replace("_", "-"): v for k, v in headers.items()})
        answer = asked.getresponse()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read().decode()
    finally:
        asked.close()


def log_in(pages: PagesProcess, token: str) -> tuple[int, dict[str, str], str]:
    return ask(pages, "POST", "/login", f"token={token}", Origin=pages.url)


def test_every_answer_holds_the_browser_to_our_own_files(open_pages: PagesProcess) -> None:
    for path, kept in (("/cab", "no-store"), ("/nothing", "no-store"), ("/static/cab.js", "no-cache")):
        _, headers, _ = ask(open_pages, "GET", path)
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self';")
        assert "unsafe" not in policy
        assert (headers["x-content-type-options"], headers["referrer-policy"]) == ("nosniff", "same-origin")
        assert headers["cache-control"] == kept
        assert "server" not in headers


def test_no_page_has_a_script_or_a_style_inside_it_or_names_another_host(open_pages: PagesProcess) -> None:
    for path in ("/cab", "/login"):
        status, _, text = ask(open_pages, "GET", path)
        assert status == 200
        assert "<style" not in text
        assert " style=" not in text
        assert "<script>" not in text
        assert "http:" not in text
        assert "https:" not in text


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "", "[evil]", "localhost.evil"]
)
def test_a_name_that_is_not_ours_is_refused(host: str, open_pages: PagesProcess) -> None:
    assert ask(open_pages, "GET", "/cab", Host=host)[0] == 421


def test_addresses_and_our_own_names_are_taken(open_pages: PagesProcess) -> None:
    for host in ("127.0.0.1:1", "[::1]:80", "localhost", "192.168.1.9:8468", socket.gethostname()):
        assert ask(open_pages, "GET", "/cab", Host=host)[0] == 200


@pytest.mark.parametrize(
    ("headers", "code"),
    [
        ({}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Sec_Fetch_Site": "same-site"}, 403),
        ({"Origin": "SELF", "Sec_Fetch_Site": "cross-site"}, 403),
        ({"Origin": "SELF"}, 502),
        ({"Sec_Fetch_Site": "same-origin"}, 502),
        # A program that brings a token is no browser that was led astray.
        ({"Authorization": "Bearer x"}, 502),
    ],
)  # fmt: skip
def test_only_our_own_page_may_change_anything(headers: dict[str, str], code: int, open_pages: PagesProcess) -> None:
    sent = {k: open_pages.url if v == "SELF" else v for k, v in headers.items()}
    status, _, text = ask(open_pages, "POST", "/cab/acknowledge", **sent)
    assert status == code
    if code == 502:
        assert "no monitor runs" in json.loads(text)["error"]


def test_nothing_is_changed_by_get_and_other_methods_are_refused(open_pages: PagesProcess) -> None:
    assert ask(open_pages, "GET", "/cab/acknowledge")[0] == 405
    for method in ("PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT"):
        assert ask(open_pages, method, "/cab", Origin=open_pages.url)[0] in (400, 405)


def test_a_body_that_is_too_long_or_of_no_length_is_refused_before_it_is_read(open_pages: PagesProcess) -> None:
    assert ask(open_pages, "POST", "/login", "token=" + "x" * LONGEST_BODY, Origin=open_pages.url)[0] == 413
    told = ask(open_pages, "POST", "/login", Origin=open_pages.url, Transfer_Encoding="chunked")
    assert told[0] == 411


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/app.py", "/static//etc/passwd", "/static/....//app.py",
     "/static/%00", "/static/"],
)  # fmt: skip
def test_no_path_leads_out_of_the_folder_of_files(path: str, open_pages: PagesProcess) -> None:
    status, _, text = ask(open_pages, "GET", path)
    assert status in (400, 404, 405)
    assert "import" not in text


def test_without_the_token_there_is_nothing_but_the_way_to_give_it(locked: PagesProcess) -> None:
    status, headers, _ = ask(locked, "GET", "/cab", Accept="text/html")
    assert (status, headers["location"]) == (303, "/login")
    assert ask(locked, "GET", "/cab/stream")[0] == 401
    assert ask(locked, "POST", "/cab/acknowledge", Origin=locked.url)[0] == 401
    assert ask(locked, "GET", "/login")[0] == 200


def test_a_wrong_token_is_refused_and_the_right_one_gives_a_cookie_that_is_not_the_token(locked: PagesProcess) -> None:
    status, headers, text = log_in(locked, "wrong")
    assert (status, "set-cookie" in headers) == (401, False)
    assert 'role="alert"' in text
    assert ask(locked, "GET", "/cab", Authorization="Bearer wrong")[0] == 401
    assert ask(locked, "GET", "/cab", Cookie="cabcanary=wrong")[0] == 401
    assert ask(locked, "GET", f"/cab?token={TOKEN}")[0] == 401
    status, headers, _ = log_in(locked, TOKEN)
    assert (status, headers["location"]) == (303, "/cab")
    cookie = headers["set-cookie"]
    assert TOKEN not in cookie
    assert {"httponly", "samesite=strict", "path=/"} <= {part.strip().lower() for part in cookie.split(";")}
    assert ask(locked, "GET", "/cab", Cookie=cookie.split(";")[0])[0] == 200
    assert ask(locked, "GET", "/cab", Authorization=f"Bearer {TOKEN}")[0] == 200


def test_in_a_browser_the_form_lets_in_whoever_has_the_token_and_nobody_else(locked: PagesProcess) -> None:
    browser = Browser()
    try:
        browser.get(f"{locked.url}/drives")
        assert browser.current_url == f"{locked.url}/login"
        assert browser.grave_faults() == []
        for token, path in (("wrong", "/login"), (TOKEN, "/cab")):
            field = browser.find_element("id", "token")
            field.send_keys(token)
            browser.find_element("css selector", "form button").click()
            # The refusal has the form's own address: it is there once the form that was sent is gone.
            wait_for("the answer", lambda field=field: staleness_of(field)(browser))
            wait_for(path, lambda path=path: browser.current_url == f"{locked.url}{path}")
        browser.until("the stream", "document.getElementById('kind').textContent === 'No monitor'")
        assert TOKEN not in browser.execute_script("return document.cookie + location.href + document.referrer")
        # The refusal of the wrong one, as the browser's log has it, and nothing else.
        assert [c for c in browser.complaints() if "401" not in c] == []
    finally:
        browser.quit()


def test_after_a_few_wrong_ones_even_the_right_one_waits(locked: PagesProcess) -> None:
    for _ in range(8):
        log_in(locked, "wrong")
    assert log_in(locked, TOKEN)[0] == 401
    # Who is in already stays in.
    wait_for("the right one", lambda: log_in(locked, TOKEN)[0] == 303)


def test_so_many_clients_and_no_more_each_gets_its_place_back(open_pages: PagesProcess) -> None:
    opened = [follower(open_pages) for _ in range(MOST_CLIENTS)]
    try:
        assert all(b" 200 " in o.recv(4096) for o in opened)
        status, _, text = ask(open_pages, "GET", "/cab/stream")
        assert (status, "pages are open already" in text) == (503, True)
    finally:
        for one in opened:
            one.close()
    again = wait_for("a place", lambda: answers(open_pages))
    assert again


def follower(pages: PagesProcess) -> socket.socket:
    """A client of the stream that has asked, with a small buffer of its own."""
    made = socket.socket()
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    made.settimeout(LATE_S)
    made.connect(("127.0.0.1", pages.port))
    made.sendall(b"GET /cab/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
    return made


def answers(pages: PagesProcess) -> bool:
    with follower(pages) as one:
        return b" 200 " in one.recv(4096)


def test_a_client_that_sends_its_request_byte_by_byte_is_let_go(open_pages: PagesProcess) -> None:
    with socket.create_connection(("127.0.0.1", open_pages.port), timeout=LATE_S) as slow:
        slow.sendall(b"GET /cab HTTP/1.1\r\n")
        began = time.monotonic()
        with pytest.raises(OSError):  # noqa: PT012
            while time.monotonic() - began < LATE_S:
                slow.sendall(b"x")
                time.sleep(0.2)
            pytest.fail("it was borne for ever")


def test_the_stream_beats_without_a_daemon_and_says_so(open_pages: PagesProcess) -> None:
    with follower(open_pages) as one:
        told = b""
        while told.count(b"data: ") < 3:
            told += one.recv(4096)
    states = [json.loads(line[6:]) for line in told.split(b"\n") if line.startswith(b"data: ") and line.endswith(b"}")]
    assert {s["state"] for s in states} == {"gone"}
    assert states[0]["headline"] == "NO MONITOR RUNS"
    assert [s["at"] for s in states] == sorted({s["at"] for s in states})


# --- the command ------------------------------------------------------------------------------------------------


def refused(*words: str) -> tuple[int, str]:
    done = subprocess.run(command("pages", "--config", str(VAN), "--port", "0", *words), capture_output=True, text=True,
                          timeout=60, check=False, env={**os.environ, "CABCANARY_BENCH": "/nonexistent"})  # fmt: skip
    assert (done.stdout, done.stderr.count("\n")) == ("", 1)
    return done.returncode, done.stderr


def test_beyond_this_computer_it_does_not_start_without_a_token(tmp_path: Path) -> None:
    for host in ("0.0.0.0", "::", "192.0.2.7", "example.test"):
        code, told = refused("--host", host)
        assert (code, "--token-file" in told) == (2, True)
    for path, words in (
        (token_file(tmp_path, mode=0o644), "can be read by others; run: chmod 600"),
        (tmp_path / "none", "No such file"),
        (tmp_path, "is no file"),
    ):
        code, told = refused("--host", "0.0.0.0", "--token-file", str(path))
        assert (code, words in told) == (2, True)
    for token in ("short", "with a blank in it, and long enough", "x" * 15):
        path = token_file(tmp_path, token)
        code, told = refused("--token-file", str(path))
        assert (code, "must hold 16 or more" in told, token in told) == (2, True, False)


_WITHOUT = """
import sys
class Finder:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] == sys.argv[1]:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Finder())
from cabcanary.cli.main import main
sys.exit(main(["pages", "--config", sys.argv[2]]))
"""


@pytest.mark.parametrize("library", ["starlette", "uvicorn"])
def test_without_its_libraries_it_says_in_a_line_how_to_install_them(library: str) -> None:
    words = [sys.executable, "-c", _WITHOUT, library, str(VAN)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.endswith("install them with: pip install 'cabcanary[pages]'\n")
    assert done.stderr.count("\n") == 1


def test_a_port_that_is_taken_is_told_in_a_line(open_pages: PagesProcess) -> None:
    code, told = refused("--port", str(open_pages.port))
    assert (code, "choose another with --port" in told) == (1, True)
