"""What the page's server tells and takes, over real HTTP, beside a running station."""

import csv
import io
import json
import logging
import resource
import select
import socket
import statistics
import subprocess
import sys
import threading
import time
from datetime import datetime
from itertools import islice, pairwise
from pathlib import Path

import pytest
import uvicorn

from listener.keep.records import Records
from listener.watch.page import crowd as crowds
from listener.watch.page import serve
from listener.watch.page.crowd import Crowd
from listener.watch.page.feed import Feed
from listener.watch.page.strip import by_second
from listener.watch.state import Strip
from tests.watch.page.parts import STEPS, Served, event_stream, served

CLIENTS = 200


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    with served(tmp_path_factory.mktemp("server"), [3.0]) as page:
        page.wait_alert()
        yield page


# -- what happens is sent -----------------------------------------------------------------------------------


def test_a_new_page_is_told_everything_and_then_looks_four_times_a_second(page):
    with event_stream(page) as events:
        kinds, ids, looks = [], [], []
        for event, id, data in events:
            kinds.append(event)
            if event == "row":
                ids.append(data["id"])
                assert id == str(data["id"])
            if event == "look":
                looks.append((time.monotonic(), data))
            if len(looks) == 9:
                break
    assert kinds[0] == "begin" and kinds.count("begin") == 1
    assert ids == list(range(1, ids[-1] + 1))
    assert looks[0][1]["channels"][0]["name"] == "Launch"
    # The first comes at once; eight more in two seconds.
    assert 1.5 < looks[-1][0] - looks[0][0] < 3.0


def test_a_page_that_comes_back_gets_each_row_once_from_where_it_was(page):
    top = page.station.cursor
    with event_stream(page, "/events?after=3") as events:
        rows = []
        for event, _, data in events:
            if event == "row":
                rows.append(data["id"])
            if event == "look":
                break
    assert rows[: top - 3] == list(range(4, top + 1))


def test_a_page_of_another_journal_is_told_to_start_over(page):
    with event_stream(page, "/events?after=999999") as events:
        event, _, begin = next(events)
    assert event == "begin" and begin["start_over"] is True and begin["cursor"] == 0


def test_an_alert_is_sent_within_three_tenths_of_a_second_of_its_row_and_acknowledged_once_by_the_first(tmp_path):
    with served(tmp_path, [4.0]) as page, event_stream(page) as events:
        for event, _, data in events:
            if event == "row" and data["kind"] == "alert":
                row_s, told_s, alert_id = data["monotonic_s"], time.monotonic(), data["id"]
            if event == "look" and data["channels"][0]["unacknowledged"]:
                shown_s = time.monotonic()
                break
        assert told_s - row_s < 0.3 and shown_s - row_s < 0.3
        assert page.do("acknowledge", alert_id=alert_id, who="Ann") == (200, {"acknowledged": alert_id})
        assert page.do("acknowledge", alert_id=alert_id, who="Bo") == (200, {"acknowledged": alert_id, "already": True})
        page.wait("the row", lambda s: page.rows("acknowledge"))
        assert [row.body["who"] for row in page.rows("acknowledge")] == ["Ann"]
        assert page.station.snapshot().channels[0].last_alert.acknowledged_by == "Ann"


def test_seconds_of_the_strip_hold_the_loudest_level_and_the_share_of_speech():
    tenths = [Strip(100.0 + k / 10, -60.0 + k, -50.0, k % 2 == 0) for k in range(10)]
    assert by_second([*tenths, Strip(102.5, -30.0, -20.0, True)]) == [[100, -51.0, 0.5], [102, -30.0, 1.0]]


# -- what people do is taken, and is a row of the journal ---------------------------------------------------


def test_note_mark_and_step_are_journalled_with_who(page):
    alert_id = page.wait_alert()
    assert page.do("note", alert_id=alert_id, who=" Ann ", text="heard it too")[0] == 200
    assert page.do("mark", alert_id=alert_id, who="Ann", mark="drill")[0] == 200
    assert page.do("step", alert_id=alert_id, who="Bo", step=STEPS[0])[0] == 200
    assert page.do("step", alert_id=alert_id, step=STEPS[0], done=False)[0] == 200
    page.wait("four rows", lambda s: len(page.rows("step")) == 2)
    assert page.rows("note")[0].body == {"text": "heard it too", "who": "Ann"} and page.rows("note")[0].about == alert_id
    assert page.rows("mark")[0].body == {"mark": "drill", "who": "Ann"}
    done, taken_back = page.rows("step")
    alert = next(row for row in page.rows("alert") if row.id == alert_id)
    since_s = (datetime.fromisoformat(done.utc) - datetime.fromisoformat(alert.utc)).total_seconds()
    assert done.body.pop("since_call_s") == pytest.approx(since_s, abs=0.05)
    assert done.body == {"step": STEPS[0], "number": 1, "done": True, "who": "Bo", "told": False, "within_s": 15.0, "still_open": []}
    assert taken_back.body == {"step": STEPS[0], "number": 1, "done": False, "who": "page"}
    assert done.channel == "Launch"


@pytest.mark.parametrize(
    "what, body, status, said",
    [
        ("note", {"text": ""}, 422, "text"),
        ("note", {"text": "x" * 1001}, 422, "text"),
        ("mark", {"mark": "who knows"}, 422, "mark"),
        ("step", {"step": "open the gate"}, 404, "watch.steps"),
        ("step", {"step": STEPS[0], "since_call_s": -4_000}, 422, "since_call_s"),
        ("step", {"step": STEPS[0], "alert_id": 1}, 404, "not an alert"),
        ("resolve", {"ending": "launched"}, 404, "watch.resolved_as"),
        ("resolve", {}, 422, "ending"),
        ("note", {"text": "a", "alert_id": 1}, 404, "not an alert"),
        ("acknowledge", {"alert_id": 999_999}, 404, "not an alert"),
        ("acknowledge", {"alert_id": 0}, 422, "alert_id"),
        ("acknowledge", {"alert_id": 1, "stop": True}, 422, "stop"),
        ("acknowledge", {"who": "x" * 41}, 422, "who"),
    ],
)
def test_what_cannot_be_is_one_line_and_no_row(page, what, body, status, said):
    before = page.station.cursor
    given, answer = page.do(what, **{"alert_id": page.wait_alert(), **body})
    assert given == status and said in answer["error"] and "\n" not in answer["error"]
    assert not [row for row in page.station.rows_after(before) if row.kind in ("note", "mark", "step", "resolve", "acknowledge")]


def test_what_is_not_json_is_one_line(page):
    status, _, body = page.ask("/do/note", "POST", b"{not json")
    assert status == 422 and "JSON" in json.loads(body)["error"]


# -- history -------------------------------------------------------------------------------------------------


def test_history_finds_by_day_channel_kind_and_words(page):
    alert_id = page.wait_alert()
    day = page.rows("alert")[0].utc[:10]
    clip = page.wait("the clip", lambda s: page.rows("evidence"))[0]
    shown = page.ask(f"/history?day={day}&channel=Launch&kind=alert")[2].decode()
    assert f'id="row-{alert_id}"' in shown and f'src="/clips/{alert_id}"' in shown
    assert f'id="row-{alert_id}"' in page.ask("/history?text=suspend")[2].decode()
    for empty in ("day=2001-01-01", "channel=Deck", "text=zebra", "before=1"):
        assert "No rows." in page.ask(f"/history?{empty}")[2].decode(), empty
    status, headers, sound = page.ask(f"/clips/{alert_id}")
    assert status == 200 and headers["content-type"] == "audio/flac"
    assert sound == (page.folder / clip.body["file"]).read_bytes() and sound[:4] == b"fLaC"
    assert page.ask("/clips/1")[0] == 404


@pytest.mark.parametrize("asked", ["day=yesterday", "kind=nonsense", "before=x", "day=2031-13-01"])
def test_a_search_that_makes_no_sense_says_so(page, asked):
    status, _, body = page.ask(f"/history?{asked}")
    assert status == 400 and 'role="alert"' in body.decode()
    assert page.ask(f"/history.csv?{asked}")[0] == 400


def test_exports_hold_the_rows_that_the_journal_holds(page):
    page.wait("everything written", lambda s: Records(page.folder).last_id() == s.cursor)
    records = Records(page.folder)
    rows = {row.id: row for row in records.rows()}
    lines = [json.loads(line) for line in page.ask("/history.jsonl?kind=all")[2].decode().splitlines()]
    assert [line["id"] for line in lines][: len(rows)] == sorted(rows)
    assert all(lines[k]["body"] == row.body for k, row in enumerate(rows.values()))
    table = list(csv.DictReader(io.StringIO(page.ask("/history.csv?kind=alert")[2].decode())))
    assert [line["kind"] for line in table] == ["alert"] * len([r for r in rows.values() if r.kind == "alert"])


def test_what_was_written_by_people_is_shown_as_text_and_never_as_markup(page):
    page.do("note", alert_id=page.wait_alert(), who="<b>x</b>", text="<script>alert(1)</script>")
    page.wait("the note", lambda s: "<script>" in str([row.body for row in page.rows("note")]))
    shown = page.ask("/history?kind=note")[2].decode()
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in shown and "<script>alert" not in shown and "<b>x" not in shown


# -- slow and half-open clients ------------------------------------------------------------------------------


@pytest.mark.alone
def test_two_hundred_slow_and_half_open_clients_stall_no_alert(tmp_path):
    """A hundred connections that never finish their request, and a hundred pages that never read what they are sent."""
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, max(4096, resource.getrlimit(resource.RLIMIT_NOFILE)[1])))
    with served(tmp_path, [9.0]) as page:
        crowd = [socket.create_connection(("127.0.0.1", page.port), timeout=5) for _ in range(CLIENTS)]
        try:
            for n, client in enumerate(crowd):
                whole = n % 2
                client.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\n{'' if not whole else chr(13) + chr(10)}".encode())
            with event_stream(page) as events:
                row_s = None
                for event, _, data in events:
                    if event == "row" and data["kind"] == "alert":
                        row_s = data["monotonic_s"]
                    if event == "look" and data["channels"][0]["unacknowledged"]:
                        delay_s = time.monotonic() - row_s
                        break
            assert delay_s < 0.3
            assert page.ask("/history")[0] == 200
            assert page.station.snapshot().channels[0].state == "CALL HEARD"
            # The half-open ones are not kept.
            time.sleep(3.0)
            closed = 0
            for client in crowd[::2]:
                client.settimeout(0.05)
                try:
                    closed += client.recv(100) == b""
                except ConnectionResetError:
                    closed += 1
                except TimeoutError:
                    pass
            assert closed == CLIENTS // 2
        finally:
            for client in crowd:
                client.close()


def unread_stream(page, buffer_bytes: int = 2_048) -> socket.socket:
    """A client that asks for events and never reads one."""
    client = socket.socket()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
    client.settimeout(10)
    client.connect(("127.0.0.1", page.port))
    client.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\n\r\n".encode())
    return client


def is_cut(client: socket.socket) -> bool:
    """Whether the server has ended the connection, without reading what it sent."""
    poll = select.poll()
    poll.register(client, select.POLLRDHUP)
    return bool(poll.poll(0))


@pytest.mark.alone
def test_three_hundred_clients_that_never_read_are_bounded_and_the_desks_own_page_stays_fast(tmp_path, caplog, monkeypatch):
    """The oldest that nobody reads go; a page that is read is neither cut off nor slowed, and nothing is logged of it."""
    monkeypatch.setattr(crowds, "READ_BYTES", 60_000)  # as if the desk's page had been open for a minute or two
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, max(4096, resource.getrlimit(resource.RLIMIT_NOFILE)[1])))
    with served(tmp_path, [], channels=2) as page, event_stream(page) as events:
        taken = 0
        while taken < 80_000:
            taken += len(json.dumps(next(events)[2]))
        crowd = [unread_stream(page) for _ in range(300)]
        try:
            looks_s, asks_s, ends_s = [], [], time.monotonic() + 6.0
            while time.monotonic() < ends_s:
                while next(events)[0] != "look":
                    pass
                looks_s.append(time.monotonic())
                began = time.monotonic()
                assert page.ask("/")[0] == 200
                asks_s.append(time.monotonic() - began)
            gaps_s = [after - before for before, after in pairwise(looks_s)]
            print(f"page median {statistics.median(asks_s):.3f} s, most {max(asks_s):.3f} s; looks apart at most {max(gaps_s):.2f} s")
            assert statistics.median(asks_s) < 0.1 and max(asks_s) < 1.0
            assert max(gaps_s) < 1.5, "the cover NOT LIVE comes after two seconds"
            assert sum(not is_cut(client) for client in crowd) <= crowds.MOST_STREAMS
            with event_stream(page) as fresh:  # one more page that is opened now
                assert next(fresh)[0] == "begin"
        finally:
            for client in crowd:
                client.close()
        time.sleep(0.5)
    unheard = [r for r in caplog.records if r.levelno >= logging.WARNING and not r.name.startswith("listener")]
    assert not unheard, [record.getMessage() for record in unheard][:5]


CROWDED = """
import resource, sys, threading
from pathlib import Path
resource.setrlimit(resource.RLIMIT_NOFILE, (160, 160))
sys.path.insert(0, sys.argv[2])
from tests.watch.page.parts import served
if __name__ == "__main__":
    with served(Path(sys.argv[1]), []) as page:
        print(page.port, flush=True)
        sys.stdin.readline()
        print(page.station.logbook.journal.trouble or "journal written", flush=True)
"""


@pytest.mark.alone
def test_a_crowd_takes_no_file_that_the_watch_needs_and_writes_no_flood(tmp_path):
    """300 connections to a program that may open 160 files: they once took all of them, and each refusal a traceback."""
    (tmp_path / "crowded.py").write_text(CROWDED)
    root = Path(__file__).parents[3]
    command = [sys.executable, str(tmp_path / "crowded.py"), str(tmp_path), str(root)]
    process = subprocess.Popen(command, cwd=root, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        page = Served(None, f"http://127.0.0.1:{int(process.stdout.readline())}/", tmp_path / "state")
        crowd = [unread_stream(page) for _ in range(300)]
        asks_s = []
        for _ in range(8):
            began = time.monotonic()
            assert page.ask("/")[0] == 200
            asks_s.append(time.monotonic() - began)
            time.sleep(0.3)
        for client in crowd:
            client.close()
        said, errors = process.communicate("\n", timeout=30)
    finally:
        process.kill()
        process.wait()
    assert said.strip() == "journal written" and process.returncode == 0
    assert max(asks_s) < 1.0
    assert errors == ""


@pytest.mark.alone
def test_many_that_come_while_the_page_is_busy_wait_their_turn(tmp_path, monkeypatch):
    """A connection that finds no place to wait asks again a whole second later: the desk's own might be that one."""
    with served(tmp_path, []) as page, event_stream(page) as events:
        next(events)
        look, busy = Feed._look_now, threading.Event()

        def slow_look(feed):
            if not busy.is_set():
                busy.set()
                time.sleep(0.6)
            return look(feed)

        monkeypatch.setattr(Feed, "_look_now", slow_look)
        assert busy.wait(10)
        began, crowd = time.monotonic(), []
        for _ in range(150):
            client = socket.socket()
            client.setblocking(False)
            client.connect_ex(("127.0.0.1", page.port))
            crowd.append(client)
        waiting = select.poll()
        for client in crowd:
            waiting.register(client, select.POLLOUT)
        connected = set()
        while len(connected) < len(crowd) and time.monotonic() < began + 5.0:
            for file, _ in waiting.poll(100):
                connected.add(file)
                waiting.unregister(file)
        took_s = time.monotonic() - began
        for client in crowd:
            client.close()
    assert len(connected) == 150 and took_s < 0.9


def test_what_is_still_sent_to_a_client_that_was_cut_off_is_dropped_without_a_word(caplog):
    async def talks_on(scope, receive, send):
        await send({"type": "http.response.start", "status": 200, "headers": []})
        scope["listener.client"].cut()
        for _ in range(10):
            await send({"type": "http.response.body", "body": b"x" * 100, "more_body": True})
        talked.set()

    talked = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        config = uvicorn.Config(talks_on, http=serve._protocol(Crowd(5)), lifespan="off", log_config=None)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        try:
            with socket.create_connection(listening.getsockname(), timeout=5) as client:
                client.sendall(b"GET / HTTP/1.1\r\nHost: here\r\n\r\n")
                assert talked.wait(5)
        finally:
            server.should_exit = True
            thread.join(10)
    assert not [r.getMessage() for r in caplog.records if r.name == "asyncio" and r.levelno >= logging.WARNING]


def test_a_client_that_stops_reading_is_cut_off_and_what_waited_for_it_is_given_up(tmp_path, monkeypatch, caplog):
    monkeypatch.setattr(crowds, "SLOW_S", 1.0)
    with served(tmp_path, [], channels=2) as page:
        page.wait("listening", lambda s: s.snapshot().channels[0].state == "LISTENING")
        # As much news as an hour brings, in seconds: the look is made long.
        look = Feed._look_now
        monkeypatch.setattr(Feed, "_look_now", lambda feed: look(feed)[:-1] + f',"long":"{"x" * 100_000}"}}')
        client = unread_stream(page)
        ends_s = time.monotonic() + 20.0
        while not is_cut(client):
            assert time.monotonic() < ends_s, "still connected"
            time.sleep(0.1)
        client.close()
        assert page.ask("/")[0] == 200
    assert not [r for r in caplog.records if r.levelno >= logging.WARNING and not r.name.startswith("listener")]


def test_an_export_that_nobody_reads_is_given_up(tmp_path, monkeypatch):
    monkeypatch.setattr(serve, "SEND_WAIT_S", 1.0)
    with served(tmp_path, []) as page:
        for _ in range(200):
            page.station.logbook.append("note", {"who": "a", "text": "z" * 20_000})
        page.wait("written", lambda s: Records(page.folder).last_id() > 200)
        client = socket.socket()
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2_048)
        client.settimeout(10)
        client.connect(("127.0.0.1", page.port))
        client.sendall(f"GET /history.jsonl?kind=all HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\n\r\n".encode())
        ends_s = time.monotonic() + 10.0
        while not is_cut(client):
            assert time.monotonic() < ends_s, "still connected"
            time.sleep(0.1)
        client.close()


class Named:
    """A client in a crowd."""

    def __init__(self, name: str, cut: list[str]) -> None:
        self.name, self.is_read, self._cut = name, False, cut

    def cut(self) -> None:
        self._cut.append(self.name)


def test_clients_that_are_read_go_last():
    cut = []
    crowd = Crowd(most=3)
    read, first, second, third, fourth = (Named(name, cut) for name in ("read", "first", "second", "third", "fourth"))
    read.is_read = True
    for client in (read, first, second):
        crowd.enter(client)
    assert cut == []
    crowd.enter(third)
    assert cut == ["first"] and len(crowd) == 3
    second.is_read = third.is_read = True
    crowd.enter(fourth)
    assert cut == ["first", "read"], "all are read: the oldest"
    crowd.leave(second)
    crowd.enter(first)
    assert cut == ["first", "read"] and len(crowd) == 3


def test_a_port_that_is_taken_is_a_fault_that_is_told_and_the_watch_goes_on(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with served(tmp_path, [], page={"port": port}) as page:
            page.wait("listening", lambda s: s.snapshot().channels[0].state == "LISTENING")
            assert not page.address
            (fault,) = [row for row in page.rows("fault") if row.body["what"] == "page"]
            assert f"127.0.0.1:{port}" in fault.body["detail"] and "watch.page.port" in fault.body["detail"]


def test_no_browser_is_needed_nor_served_when_the_settings_say_so(tmp_path):
    with served(tmp_path, [], page={"enabled": False}) as page:
        assert not page.address and list(islice(page.rows("fault"), 1)) == []
