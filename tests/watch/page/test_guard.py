"""Who may ask the page's server: one check for each rule, over real HTTP.

The rules are OWASP's for cross-site request forgery, DNS rebinding and security headers (cheat sheet series), and W3C
Content Security Policy 3.
"""

import re
import socket
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from pydantic import ValidationError

from listener.settings.watch import PageSettings
from listener.watch.page.guard import (
    MOST_BODY_BYTES,
    TRIES,
    TRY_EVERY_S,
    Guard,
    Refused,
)
from tests.watch.page.parts import TOKEN, served


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    with served(tmp_path_factory.mktemp("guard"), [4.0], length_s=30.0) as page:
        page.wait_alert()
        yield page


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    with served(tmp_path_factory.mktemp("token"), [4.0], page={"token": TOKEN, "host": "0.0.0.0", "names": ["tower.example"]}) as page:
        page.wait_alert()
        yield page


PATHS = ("/", "/history", "/settings", "/enter", "/static/main.js", "/history.csv", "/nothing-here", "/clips/1")


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_lets_a_browser_load_nothing_from_anywhere_else(page, path):
    _, headers, _ = page.ask(path)
    policy = dict(part.strip().partition(" ")[::2] for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'" and policy["frame-ancestors"] == "'none'" and policy["base-uri"] == "'none'"
    assert {policy[name] for name in policy if name not in ("default-src", "frame-ancestors", "base-uri")} == {"'self'"}
    assert headers["x-content-type-options"] == "nosniff" and headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "no-referrer" and headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"
    assert "access-control-allow-origin" not in headers and "server" not in headers


@pytest.mark.parametrize("path", ["/", "/history", "/settings", "/enter"])
def test_no_page_names_anything_outside_itself_nor_holds_script_or_style(page, path):
    _, _, body = page.ask(path)
    text = body.decode()
    assert not re.search(r"""(src|href|action)=["'](https?:)?//""", text)
    assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\son\w+=|\sstyle=|javascript:", text)


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8765", "127.0.0.1.evil.example", "192.168.1.7", "tower", ""])
def test_a_host_that_is_not_this_computer_is_refused(page, host):
    """DNS rebinding: a stranger's name that points here."""
    assert page.ask("/", headers={"Host": host})[0] == 421


@pytest.mark.parametrize("host", ["localhost", "localhost:1", "127.0.0.1", "127.1.2.3:80", "[::1]:8765"])
def test_names_of_this_computer_are_served(page, host):
    assert page.ask("/", headers={"Host": host})[0] == 200


def test_two_host_headers_are_refused(page):
    with socket.create_connection(("127.0.0.1", page.port), timeout=5) as client:
        client.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n")
        assert client.recv(100).startswith(b"HTTP/1.1 400")


@pytest.mark.parametrize(
    "headers, status",
    [
        ({"Content-Type": "application/json"}, 403),
        ({"Content-Type": "application/json", "Origin": "null"}, 403),
        ({"Content-Type": "application/json", "Origin": "https://evil.example"}, 403),
        ({"Content-Type": "application/json", "Origin": "http://127.0.0.1:1"}, 403),
        ({"Content-Type": "application/json", "Sec-Fetch-Site": "cross-site", "own": "1"}, 403),
        ({"Content-Type": "text/plain", "own": "1"}, 415),
    ],
    ids=["no origin", "null", "stranger", "another port", "cross-site", "a simple form"],
)
def test_a_post_from_another_site_acknowledges_nothing(page, headers, status):
    headers = dict(headers)
    if headers.pop("own", ""):
        headers["Origin"] = f"http://127.0.0.1:{page.port}"
    alert_id = page.wait_alert()
    assert page.ask("/do/acknowledge", "POST", {"alert_id": alert_id}, headers, own=False)[0] == status
    assert page.wait_alert() == alert_id and not page.rows("acknowledge")


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "OPTIONS"])
def test_only_posts_do_anything(page, method):
    assert page.ask("/do/acknowledge", method)[0] in (403, 405)
    assert not page.rows("acknowledge")


def test_a_body_is_bounded_whatever_it_says_of_its_length(page):
    assert page.ask("/do/note", "POST", b"x" * (MOST_BODY_BYTES + 1))[0] == 413
    assert page.ask("/do/note", "POST", b"", {"Content-Length": "-1"})[0] in (400, 411)
    origin = f"http://127.0.0.1:{page.port}"
    with socket.create_connection(("127.0.0.1", page.port), timeout=5) as client:
        head = f"POST /do/note HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\nOrigin: {origin}\r\nContent-Type: application/json\r\n"
        client.sendall(head.encode() + b"Transfer-Encoding: chunked\r\n\r\n")
        assert client.recv(100).startswith(b"HTTP/1.1 411")


def test_a_body_that_does_not_come_is_given_up(page):
    origin = f"http://127.0.0.1:{page.port}"
    with socket.create_connection(("127.0.0.1", page.port), timeout=12) as client:
        head = f"POST /do/note HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\nOrigin: {origin}\r\nContent-Type: application/json\r\n"
        client.sendall(head.encode() + b"Content-Length: 50\r\n\r\n{")
        began = time.monotonic()
        client.recv(100)
        assert 4 < time.monotonic() - began < 8


@pytest.mark.parametrize(
    "path",
    [
        "/clips/../journal.db", "/clips/%2e%2e/journal.db", "/clips/..%2fjournal.db", "/clips/1/../../journal.db",
        "/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static//etc/passwd", "/static/....//app.py",
        "/clips/-1", "/clips/0x1", "/clips/99999999999999999999999", "/clips/1.flac",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_clips_or_the_page(page, path):
    status, _, body = page.ask(path)
    assert status in (400, 404)
    assert b"SQLite" not in body and b"import" not in body and b"root:" not in body


def test_a_clip_that_the_journal_names_elsewhere_is_not_served(page):
    alert_id = page.wait_alert()
    page.station.logbook.append("evidence", {"file": "../../../../etc/hostname"}, about=alert_id)
    page.wait("the row is written", lambda s: any("etc" in str(r.body) for r in page.rows("evidence")))
    body = page.ask(f"/clips/{alert_id}")[2]
    with open("/etc/hostname", "rb") as name:
        assert body != name.read()


# -- beyond this computer --------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.7.5", "tower.example"])
def test_beyond_this_computer_a_token_is_needed_already_in_the_settings(host):
    with pytest.raises(ValidationError, match="can be reached from the network: set a token"):
        PageSettings(host=host)
    with pytest.raises(ValidationError, match="at least 16 characters"):
        PageSettings(host=host, token="short")
    assert not PageSettings(host=host, token=TOKEN).is_local


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.8.8.8"])
def test_on_this_computer_it_is_not(host):
    assert PageSettings(host=host).is_local


def test_without_the_token_nothing_is_told_or_taken(guarded):
    alert_id = guarded.wait_alert()
    for path in ("/", "/events", "/history", "/history.csv", "/settings", f"/clips/{alert_id}"):
        status, _, body = guarded.ask(path)
        assert status == 401 and b"Launch" not in body, path
    assert guarded.do_status("acknowledge", alert_id=alert_id) == 401
    for wrong in ("", "x" * len(TOKEN), TOKEN[:-1], TOKEN + "x"):
        assert guarded.ask("/events", headers={"Authorization": f"Bearer {wrong}"})[0] == 401
        assert guarded.ask("/", headers={"Cookie": f"listener_page={wrong}"})[0] == 401
    assert guarded.wait_alert() == alert_id


def test_a_browser_is_led_to_the_form_and_in(guarded):
    status, headers, _ = guarded.ask("/", headers={"Accept": "text/html"})
    assert (status, headers["location"]) == (303, "/enter")
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    assert guarded.ask("/enter", "POST", b"token=wrong-wrong-wrong-wrong", form)[0] == 403
    status, headers, _ = guarded.ask("/enter", "POST", f"token={TOKEN}".encode(), form)
    cookie = headers["set-cookie"]
    assert status == 303 and "HttpOnly" in cookie and "SameSite=strict" in cookie and TOKEN not in cookie
    assert guarded.ask("/", headers={"Cookie": cookie.partition(";")[0]})[0] == 200


def test_wrong_tokens_side_by_side_are_no_faster_than_one_after_the_other(tmp_path):
    """By the form and as bearer tokens, from many clients at once; who is in stays in."""
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    right = f"token={TOKEN}".encode()
    with served(tmp_path, [], page={"token": TOKEN}) as own:
        cookie = {"Cookie": own.ask("/enter", "POST", right, form)[1]["set-cookie"].partition(";")[0]}

        def guess(n: int) -> int:
            if n % 2:
                return own.ask("/enter", "POST", f"token=wrong-wrong-wrong-{n}".encode(), form)[0]
            return own.ask("/events", headers={"Authorization": f"Bearer wrong-wrong-wrong-{n}"})[0]

        began = time.monotonic()
        with ThreadPoolExecutor(20) as clients:
            statuses = list(clients.map(guess, range(100)))
        looked_at = sum(status in (401, 403) for status in statuses)
        assert TRIES <= looked_at <= TRIES + 1 + (time.monotonic() - began) / TRY_EVERY_S
        assert set(statuses) <= {401, 403, 429} and statuses.count(429) == 100 - looked_at
        status, _, body = own.ask("/enter", "POST", right, form)
        assert status == 429 and b"Too many wrong tokens" in body, "a right one must not stand out"
        assert own.ask("/", headers=cookie)[0] == 200
        time.sleep(TRY_EVERY_S + 0.2)
        assert own.ask("/enter", "POST", right, form)[0] == 303


def test_guesses_from_the_network_lock_nobody_out_who_sits_at_the_computer():
    guard = Guard(lambda *_: None, PageSettings(token=TOKEN, host="0.0.0.0"))
    for n in range(TRIES):
        assert not guard.try_token("wrong", {"client": (f"10.0.0.{n}", 1)})
    with pytest.raises(Refused, match="too many wrong tokens"):
        guard.try_token(TOKEN, {"client": ("10.0.0.99", 1)})
    assert guard.try_token(TOKEN, {"client": ("127.0.0.1", 1)})


def test_the_token_is_told_nowhere(guarded):
    bearer = {"Authorization": f"Bearer {TOKEN}"}
    for path in ("/settings", "/history?kind=all", "/history.jsonl?kind=all"):
        status, _, body = guarded.ask(path, headers=bearer)
        assert status == 200 and TOKEN.encode() not in body
    assert TOKEN.encode() not in (guarded.folder / "journal.db").read_bytes()


def test_that_the_network_can_reach_it_is_told(guarded):
    assert any("can be reached from the network" in row.body["detail"] for row in guarded.rows("fault"))


@pytest.mark.parametrize("host, status", [("tower.example", 200), ("TOWER.example:80", 200), ("10.0.0.7:8765", 200), ("evil.example", 421)])
def test_beyond_this_computer_its_addresses_and_the_names_in_the_settings_are_served(guarded, host, status):
    assert guarded.ask("/", headers={"Host": host, "Authorization": f"Bearer {TOKEN}"})[0] == status
