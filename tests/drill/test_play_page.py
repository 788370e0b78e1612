"""A drill played into the watch page, by the real program: what the trainee does there is scored as human actions.  (about 20 s)"""

import re
import subprocess
import sys
import time
from pathlib import Path

import yaml

from tests.watch.page.browser import CHROMIUM, chromium, opened

REPO = Path(__file__).parent.parent.parent
DRILL = """
title: Played
recordings: [{name: launch, file: launch.flac}]
calls: [{at_s: find it}]
settings: tower.yaml
"""


def test_what_a_trainee_does_on_the_page_is_scored(tmp_path, need):
    need(CHROMIUM is not None, "Chromium (apt install chromium)")
    (tmp_path / "launch.flac").write_bytes((REPO / "recordings_synthetic" / "suspend_clean_1.flac").read_bytes())
    (tmp_path / "drill.yaml").write_text(DRILL)
    (tmp_path / "tower.yaml").write_text(
        yaml.safe_dump({"watch": {"page": {"port": 0}, "steps": ["tension released"], "least_free_mb": 1}})
    )
    command = [
        sys.executable,
        "-m",
        "listener",
        "drill",
        "play",
        str(tmp_path / "drill.yaml"),
        "--who",
        "ann",
        "--no-tone",
        "--plain",
    ]
    program = subprocess.Popen(command, cwd=REPO, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        address = re.match(r"page: (http://127\.0\.0\.1:\d+/)", program.stderr.readline())[1]
        with chromium() as browser, opened(browser, address) as page:
            page.wait_for_selector(".channel[data-state='CALL HEARD']", timeout=60_000)
            time.sleep(1.0)
            page.keyboard.press("a")
            page.wait_for_selector(".seen:has-text('Acknowledged by page')")
            page.fill("#who", "bo")
            page.get_by_role("checkbox", name="tension released").check()
            page.wait_for_selector(".stamp:has-text('bo')")
            out, err = program.communicate(timeout=60)
    finally:
        program.kill()
    assert program.returncode == 0 and "2 actions added" in out, err
    played = yaml.safe_load((tmp_path / "drill_played.yaml").read_text())
    seen, step = played["actions"]
    assert (seen["who"], seen["what"]) == ("ann", "acknowledged") and (step["who"], step["what"]) == (
        "bo",
        "tension released",
    )
    scored = subprocess.run(
        [sys.executable, "-m", "listener", "drill", "--json", str(tmp_path / "drill_played.yaml")],
        cwd=REPO,
        capture_output=True,
        text=True,
    )
    assert scored.returncode == 0, scored.stderr
    (call,) = yaml.safe_load(scored.stdout)["calls"]
    delays = {(a["who"], a["what"]): a["delay_s"] for a in call["actions"]}
    # A second on the page before the key, and what the program and the browser take.
    assert (
        1.0 <= delays["ann", "acknowledged"] < 4.0 and delays["bo", "tension released"] > delays["ann", "acknowledged"]
    )
