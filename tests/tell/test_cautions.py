"""Every place where people look says the usual cautions, in its own way."""

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from listener import cli
from listener.drill.record import Delays, DrillLine, Record
from listener.drill.record_page import record_html
from listener.score.metrics import Share
from listener.tell import cautions
from listener.tell.html import page

ROOT = Path(__file__).parents[2]

# What must be said: a pattern each, over text whose line breaks, comment marks and tags are gone.
SAID = {
    "not certified": r"not certified|certify nothing",
    "advisory": r"advisory",
    "who decides": r"local orders.{0,40}persons licensed or qualified to decide",
    "no permission": r"absence of an alert is never permission to launch",
    "backs up": r"visual signals and the assigned listener",
    "the law": r"recording .{0,60}local law",
}


def plain(text: str) -> str:
    """The words alone: no tags, box lines, comment or list marks, no line breaks."""
    text = re.sub(r"<style>.*?</style>|<[^>]*>|&#?\w+;", " ", text, flags=re.DOTALL)
    return re.sub(r"[\s#*│|>`-]+", " ", text).lower()


def unsaid(text: str) -> list[str]:
    return [what for what, pattern in SAID.items() if not re.search(pattern, plain(text))]


@pytest.mark.parametrize(
    "file",
    [
        "README.md", "models/README.md", "models/ear-4/README.md", "docs/watch.md", "docs/phrases.md", "docs/voices.md",
        "configs/flight_deck.yaml", "configs/winch_field.yaml", "configs/rocket_range.yaml",
    ],
)  # fmt: skip
def test_a_file_that_people_start_from_says_them(file):
    assert unsaid((ROOT / file).read_text(encoding="utf-8")) == []


def test_the_help_says_them():
    shown = CliRunner().invoke(cli.app, ["--help"]).output
    assert unsaid(shown) == []


def test_the_watch_page_says_them_in_its_source(tmp_path):
    from tests.watch.page.parts import served

    with served(tmp_path, []) as station:
        status, _, body = station.ask("/")
    assert status == 200 and unsaid(body.decode()) == []


def test_the_crew_s_record_says_them():
    total = DrillLine("TOTAL", "", "", Share(0, 0), 0, 0.0, Delays(()))
    assert unsaid(record_html(Record((), total, ()), "Record")) == []


def test_the_study_s_report_and_comparison_say_them():
    """Both are made of this one template."""
    empty = {"title": "T", "about": "", "warnings": [], "plots": (), "tables": (), "methods": [], "facts": [], "plan": "", "clips": []}
    assert unsaid(page("listener.study", "report.html", cautions=cautions.STUDY, **empty)) == []


@pytest.mark.parametrize("lines", [[cautions.HELP], cautions.ALL, cautions.WATCH, cautions.DRILL, cautions.STUDY, cautions.PEOPLE, cautions.ACCEPTANCE])
def test_each_way_of_saying_them_is_whole(lines):
    assert unsaid(" ".join(lines)) == []


def test_a_text_that_leaves_one_out_is_seen():
    for left_out in cautions.ALL:
        assert unsaid(cautions.HELP.replace(left_out, "")) != [], left_out
