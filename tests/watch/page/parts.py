"""Parts for tests of the watch page: a station with its server in threads of this process, and plain HTTP."""

import http.client
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from listener.watch.page.serve import PageServer
from listener.watch.station import Station
from tests.watch.parts import load_bursts, save, settings, traffic

STEPS = ["tension released", "launch bar up", "throttle-back signal given"]
SET_STEPS = [{"name": STEPS[0], "within_s": 15}, STEPS[1], {"name": STEPS[2], "within_s": 20}]
ENDINGS = ["resume", "aircraft fast"]
TOKEN = "correct-horse-battery"
WELL_S = 30.0


@dataclass
class Served:
    """A running station and where its page is."""

    station: Station
    address: str
    folder: Path

    @property
    def port(self) -> int:
        port = urlsplit(self.address).port
        assert port
        return port

    def wait(self, what: str, is_so) -> Any:
        """Until is_so(station) gives something true; gives that."""
        ends_s = time.monotonic() + WELL_S
        while time.monotonic() < ends_s:
            if found := is_so(self.station):
                return found
            time.sleep(0.02)
        raise AssertionError(f"not within {WELL_S:g} s: {what}")

    def wait_alert(self) -> int:
        """The id of the first alert that nobody acknowledged."""
        return self.wait("a call heard", lambda s: [a.id for c in s.snapshot().channels for a in c.unacknowledged])[0]

    def rows(self, kind: str) -> list[Any]:
        return [row for row in self.station.rows_after(0) if row.kind == kind]

    def ask(
        self,
        path: str,
        method: str = "GET",
        body: object = None,
        headers: dict[str, str] | None = None,
        own: bool = True,
    ) -> tuple[int, dict[str, str], bytes]:
        """One request; own: with the headers that the page itself would send. Gives status, headers, body."""
        given = {"Host": f"127.0.0.1:{self.port}"}
        if method == "POST" and own:
            given |= {"Origin": f"http://127.0.0.1:{self.port}", "Content-Type": "application/json"}
        given |= headers or {}
        data = body if isinstance(body, bytes | None) else json.dumps(body).encode()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=15)
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in given.items():
                connection.putheader(name, value)
            if data is not None and "Content-Length" not in given:
                connection.putheader("Content-Length", str(len(data)))
            connection.endheaders(data)
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    def do_status(self, what: str, **body: object) -> int:
        return self.ask(f"/do/{what}", "POST", body)[0]

    def do(self, what: str, **body: object) -> tuple[int, Any]:
        status, _, answer = self.ask(f"/do/{what}", "POST", body)
        return status, json.loads(answer)


@contextmanager
def served(folder: Path, calls_s: list[float], length_s: float = 60.0, page: dict | None = None, channels: int = 1,
    files: list[Path] | None = None, all_call: bool = False, drill: str = "", resolved_as: list[str] | None = None,
) -> Iterator[Served]:
    """A station that hears a file with calls at these times (or these files), run in a thread, and its page."""
    file = save(folder / "radio.wav", traffic(length_s, calls_s, 16_000), 16_000)
    lines = [{"name": f"Line {n + 1}" if n else "Launch", "file": str(file)} for n in range(channels)]
    if channels > 1:
        lines = [{**line, "file": str(save(folder / f"radio{n}.wav", traffic(length_s, calls_s if all_call or not n else [], 16_000), 16_000))}
                 for n, line in enumerate(lines)]  # fmt: skip
    for line, path in zip(lines, files or [], strict=False):
        line["file"] = str(path)
    given = settings(folder, lines, page={"port": 0, **(page or {})}, steps=SET_STEPS, evidence_after_s=0.5,
                     resolved_as=ENDINGS if resolved_as is None else resolved_as)  # fmt: skip
    station = Station(given, folder / "state", load=load_bursts, drill=drill)
    server = PageServer(station)
    ended = threading.Event()
    loop = threading.Thread(target=station.run, args=(ended,))
    loop.start()
    try:
        yield Served(station, server.address, folder / "state")
    finally:
        ended.set()
        loop.join(15)
        server.close()


@contextmanager
def event_stream(
    served: Served, path: str = "/events", timeout_s: float = 15.0
) -> Iterator[Iterator[tuple[str, str, Any]]]:
    """The server-sent events as (event, id, data)."""
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=timeout_s)
    connection.request("GET", path, headers={"Host": f"127.0.0.1:{served.port}", "Accept": "text/event-stream"})
    answer = connection.getresponse()
    assert answer.status == 200, answer.read()

    def events() -> Iterator[tuple[str, str, Any]]:
        event = id = data = ""
        for line in answer:
            name, _, value = line.decode().rstrip("\r\n").partition(": ")
            if name == "event":
                event = value
            elif name == "id":
                id = value
            elif name == "data":
                data = value
            elif not name and data:
                yield event, id, json.loads(data)
                event = id = data = ""

    try:
        yield events()
    finally:
        if connection.sock:
            connection.sock.close()
        answer.close()
