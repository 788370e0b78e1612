"""The page: a simulated listener in a real browser, answers that outlive a kill, and who may ask."""

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

import polars as pl
import pytest
from typer.testing import CliRunner

from listener import cli
from listener.errors import UserError
from listener.study.people.answers import read_lines
from listener.study.people.desk import Desk
from listener.study.people.serve import CONSENT, read_consent, served
from listener.study.people.sounds import tone_count
from listener.study.report import write_report
from listener.study.results import load_result, paired
from tests.parts import need_python
from tests.study.people.parts import make_study, sit_through
from tests.study.people.simulated import Simulated
from tests.tell.test_cautions import unsaid
from tests.watch.page.browser import CHROMIUM, chromium, opened, until

axe = need_python("axe_playwright_python.sync_playwright", "pip install axe-playwright-python")
ROOT = Path(__file__).parents[3]
LISTENER = [sys.executable, "-c", "from listener.cli import main; main()", "study", "people"]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}


@pytest.fixture
def folder(tmp_path, speech_folder) -> Path:
    return make_study(tmp_path / "study", speech_folder)


def ask(address: str, path: str, body: object = None, **headers: str) -> tuple[int, bytes]:
    """One request as the page makes it; GET without a body."""
    place = urlsplit(address)
    given = {"Host": place.netloc, **({"Origin": address.rstrip("/"), "Content-Type": "application/json"} if body is not None else {}), **headers}
    connection = http.client.HTTPConnection("127.0.0.1", place.port, timeout=20)
    try:
        connection.request("GET" if body is None else "POST", path, None if body is None else json.dumps(body), given)
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def test_a_simulated_listener_hears_and_answers_in_a_real_browser(folder, need, monkeypatch):
    """Its SRT is 0 dB: whether it hears each call is drawn from its curve; it presses 0.2 s after the call's end."""
    need(CHROMIUM is not None, "chromium")
    monkeypatch.setattr("listener.study.people.desk.RESPONSE_S", 0.8)
    monkeypatch.setattr("listener.study.people.desk.GAP_S", 0.05)
    (folder / "people").mkdir()
    desk, simulated = Desk(folder, calls=4), Simulated(0.0, seed=3)
    with served(desk, read_consent(CONSENT)) as (address, _), chromium() as browser, opened(browser, address) as page:
        for screen, keys in (("front", ["Enter"]), ("consent", ["Enter"]), ("level", ["Space", "ArrowUp", "ArrowUp"])):
            until(page, f"document.body.dataset.screen === '{screen}'")
            assert serious(page) == []
            for key in keys:
                page.keyboard.press(key)
        until(page, "!document.getElementById('level').disabled")
        page.keyboard.press("Enter")
        until(page, "document.body.dataset.screen === 'ready'")
        session = desk.session(page.evaluate("document.body.dataset.listener"))
        assert session.gain_db == -36.0
        page.keyboard.press("Enter")
        hear(page, desk, session, simulated)
        until(page, "document.body.dataset.screen === 'told'")
        while session.step.practice:  # the rest of the practice is done elsewhere: the page goes on where the file is
            desk.answer(session.id, session.done, (), None)
        page.reload()
        until(page, "document.body.dataset.screen === 'ready'")
        page.keyboard.press("Enter")
        meant = {}
        while len(meant) < 6:
            step = session.done
            meant[step] = hear(page, desk, session, simulated)
        while session.step:
            desk.answer(session.id, session.done, (), None)
        page.reload()
        until(page, "document.body.dataset.screen === 'finished'")
    lines = {line["step"]: line for line in read_lines(folder / "people" / f"{session.id}.jsonl") if line["kind"] == "answer"}
    for step, (presses_s, count) in meant.items():
        if count is not None:
            assert lines[step]["right"] and lines[step]["count"] == count
            continue
        assert lines[step]["found"] == bool(presses_s) and not lines[step]["false_presses_s"]
        assert not presses_s or -0.15 < lines[step]["presses_s"][0] - presses_s[0] < 0.5
        assert lines[step]["plays"] == 1


def serious(page) -> list[str]:
    """What axe-core finds on the screen that is shown."""
    found = axe.Axe().run(page).response["violations"]
    return [v["id"] for v in found if v["impact"] in ("serious", "critical")]


def hear(page, desk: Desk, session, simulated: Simulated) -> tuple[list[float], int | None]:
    """One step in the browser; gives when the listener meant to press, or how many tones it counted."""
    number, step = session.done, session.step
    if step.what == "tones":
        until(page, "document.body.dataset.screen === 'tones'")
        page.keyboard.press("Space")
        until(page, "!document.querySelector('[data-count]').disabled")
        page.keyboard.press(str(tone_count(step.number)))
        meant: tuple[list[float], int | None] = [], tone_count(step.number)
    else:
        truth = desk.sounds.truth(step)
        presses_s = [truth.call_end_s + 0.2] if truth.call_end_s and simulated.hears(truth.snr_db) else []
        until(page, f"document.body.dataset.playing === '{number}'")
        if presses_s:
            page.wait_for_timeout(1_000 * presses_s[0])
            page.keyboard.press("Space")
        meant = presses_s, None
    until(page, f"document.body.dataset.step !== '{number}'")
    return meant


def start(*arguments: str) -> tuple[subprocess.Popen, str]:
    """The command as typed, and the address it prints. It takes Ctrl-C even where this process was born deaf to it."""
    process = subprocess.Popen([*LISTENER, *arguments], env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                               preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler))  # fmt: skip
    return process, process.stdout.readline().strip()


def stop(process: subprocess.Popen, number: int) -> int:
    try:
        process.send_signal(number)
        return process.wait(15)
    finally:
        process.kill()
        process.communicate()


def test_killed_outright_it_loses_no_answer_and_goes_on_with_the_listener(folder):
    process, address = start(str(folder), "--port", "0")
    try:
        listener = json.loads(ask(address, "/begin", {"mode": "study"})[1])["id"]
        ask(address, f"/l/{listener}/consent", {"agreed": True})
        ask(address, f"/l/{listener}/level", {"gain_db": -20})
        told = [ask(address, f"/l/{listener}/answer", {"step": step, "presses_s": [0.5]})[0] for step in range(7)]
        ask(address, f"/l/{listener}/7.wav")
    finally:
        assert stop(process, signal.SIGKILL) == -signal.SIGKILL
    assert told == [200] * 7
    process, address = start(str(folder), "--port", "0", "--listener", listener)
    try:
        assert address.endswith(f"/l/{listener}")
        base = address.removesuffix(f"l/{listener}")
        assert json.loads(ask(base, f"/l/{listener}/state")[1])["step"] == 7
        assert ask(base, f"/l/{listener}/7.wav")[0] == 200
        assert ask(base, f"/l/{listener}/answer", {"step": 7, "presses_s": []})[0] == 200
    finally:
        assert stop(process, signal.SIGINT) == 0
    answers = [line for line in read_lines(folder / "people" / f"{listener}.jsonl") if line["kind"] == "answer"]
    assert [line["step"] for line in answers] == list(range(8)) and answers[-1]["plays"] == 2


def test_the_page_answers_its_own_browser_only_and_tells_nobody_what_comes(folder):
    (folder / "people").mkdir()
    with served(Desk(folder), read_consent(CONSENT)) as (address, _):
        status, body = ask(address, "/")
        assert status == 200 and unsaid(body.decode()) == [] and "no hearing test" in body.decode()
        assert ask(address, "/", Host="evil.example")[0] == 421
        assert ask(address, "/begin", {"mode": "study"}, Origin="http://evil.example")[0] == 403
        assert ask(address, "/begin", {"mode": "other"})[0] == 422
        state = json.loads(ask(address, "/begin", {"mode": "study"})[1])
        who = f"/l/{state['id']}"
        assert ask(address, f"{who}/level", {"gain_db": 3})[0] == 422
        assert ask(address, f"{who}/0.wav")[0] == 404, "before the level is set nothing is played"
        ask(address, f"{who}/consent", {"agreed": True})
        ask(address, f"{who}/level", {"gain_db": -30})
        assert ask(address, f"{who}/level", {"gain_db": -10}) [0] == 409
        assert ask(address, f"{who}/1.wav")[0] == 404 and ask(address, f"{who}/0.wav")[0] == 200
        assert ask(address, f"{who}/answer", {"step": 0, "presses_s": [-1]})[0] == 422
        assert ask(address, f"{who}/answer", {"step": 0, "presses_s": [1e300]})[0] == 422
        assert ask(address, f"{who}/answer", {"step": 3})[0] == 409
        status, line = ask(address, "/l/zzzzz")
        assert status == 404 and b"has no listener 'zzzzz'" in line and line.count(b"\n") == 1
        assert ask(address, "/l/..%2f..%2flock/state")[0] == 404
        told = json.loads(ask(address, f"{who}/state")[1])
        assert not {"sound", "snr_db", "call", "found", "truth"} & set(told) and told["what"] == "listen"


@pytest.mark.parametrize(
    "arguments, status, said",
    [
        (["{empty}"], 1, "is not a study's result"), (["{study}", "--listener", "zzzzz"], 1, "has no listener 'zzzzz'"),
        (["{study}", "--port", "{busy}"], 1, "the page cannot be served"),
        (["{study}", "--consent", "none.txt"], 1, "none.txt: cannot be read"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_line(folder, tmp_path, arguments, status, said):
    with socket.create_server(("127.0.0.1", 0)) as busy:
        names = {"empty": str(tmp_path), "study": str(folder), "busy": str(busy.getsockname()[1])}
        result = CliRunner().invoke(cli.app, ["study", "people", *(a.format(**names) for a in arguments)])
    assert isinstance(result.exception, UserError) and result.exception.status == status
    assert said in str(result.exception) and "\n" not in str(result.exception)


def test_people_stand_in_the_report_beside_the_machine_on_the_same_calls(folder):
    desk = Desk(folder, calls=12)
    ids = [sit_through(desk, Simulated(-12.0, seed=n)) for n in range(3)]
    sit_through(desk, Simulated(-12.0, seed=9), attends=False)
    page = write_report(folder).read_text()
    result = load_result(folder)
    people, machine = result.of("people"), result.of("ear")
    assert result.engines == ("ear", "people") and result.missing() == (0, 28)
    assert people.calls.height == 36 and set(people.calls["listener"]) <= set(ids)
    pair = paired(machine, people)
    assert pair.n == 24 == people.calls["sound"].n_unique()
    first = people.calls.unique("sound", keep="first", maintain_order=True).sort("sound")
    assert pair.only_b == int((first["found"] & ~machine.calls["found"]).sum())
    assert people.missed().value < machine.missed().value
    assert people.det() is None and people.values() == {} and people.told.height == 0
    summary = pl.read_csv(folder / "tables" / "summary.csv")
    assert summary["engine"].to_list() == ["ear", "people"] and summary["max_twv"].to_list()[1] is None
    listeners = pl.read_csv(folder / "tables" / "listeners.csv")
    assert listeners.height == 4 and "1 of 4 listeners are left out" in page and "no hearing test" in page
    assert pl.read_parquet(folder / "people.parquet").height == 36 + 3 * 2
