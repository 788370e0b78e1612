"""The report and the comparison: right numbers, plots first, nothing fetched from elsewhere."""

import base64
import html
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from listener.errors import UserError
from listener.study.compare import compare
from listener.study.plan import plan_from, plan_hash
from listener.study.report import unsupported, write_report
from listener.study.results import load_result
from listener.study.run import run_study
from listener.study.table import PARTS, TRIALS
from listener.study.tables import miss_table, srt_table, summary_table


@pytest.fixture(scope="module")
def result(once, tmp_path_factory) -> Path:
    """A copy of the small study's results, with its report."""
    folder = tmp_path_factory.mktemp("copy") / "results"
    shutil.copytree(once[1], folder)
    write_report(folder)
    return folder


def page(folder: Path) -> str:
    return (folder / "report.html").read_text(encoding="utf-8")


class Outline(HTMLParser):
    """Tags in order, and everything a page would fetch."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.fetched: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attributes) -> None:
        self.tags.append(tag)
        for name, value in attributes:
            if name in ("src", "href", "xlink:href") and not (value or "").startswith(("data:", "#")):
                self.fetched.append(f"{tag} {value}")


def test_the_page_needs_no_other_file_and_shows_plots_first(result):
    outline = Outline(page(result))
    assert outline.fetched == [] and "script" not in outline.tags and "url(http" not in page(result)
    assert outline.tags.count("figure") == 7 and outline.tags.index("svg") < outline.tags.index("table")


def test_what_is_wider_than_a_screen_is_shown_turned_over(result):
    """All that is known of an engine in single numbers: a measure a row, an engine a column."""
    summary = page(result).split("<h2>All together</h2>")[1].split("</table>")[0]
    head, *rows = re.findall(r"<tr>(.*?)</tr>", summary)
    cells = [re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row) for row in [head, *rows]]
    frame = pl.read_csv(result / "tables" / "summary.csv")
    assert [row[0] for row in cells] == [name.replace("_", " ") for name in frame.columns] and len(cells) > 20
    assert cells[0] == ["engine", *frame["engine"]] and cells[1] == ["calls", *map(str, frame["calls"])]


def test_every_plot_the_issue_of_detection_needs_is_there(result):
    titles = re.findall(r"<figure[^>]*><h2>(.*?)</h2>", page(result))
    assert titles == ["Missed calls against noise", "Misses against false alarms", "False alarms", "Delay",
                      "Is the confidence true?", "Noise by SNR: sphinx", "Against predicted intelligibility"]  # fmt: skip


def test_the_page_states_what_is_needed_to_repeat_it(result):
    lock = load_result(result).lock
    for fact in (
        lock["plan_sha256"],
        lock["bank_sha256"],
        lock["models_sha256"]["sphinx"],
        "seed 1",
        "P.56",
        "noises:\n- turbine",
    ):
        assert fact in page(result)


def test_tables_are_the_same_in_the_page_and_beside_it(result):
    inside = dict(re.findall(r'download="(.*?)" href="data:text/csv;base64,(.*?)"', page(result)))
    assert (
        set(inside)
        == {path.name for path in (result / "tables").iterdir()}
        >= {"summary.csv", "calls.csv", "false_alarms.csv", "srt.csv", "trade_off.csv"}
    )
    for name, data in inside.items():
        assert base64.b64decode(data) == (result / "tables" / name).read_bytes()


def test_the_same_results_give_the_same_page(result):
    before = page(result)
    write_report(result)
    assert page(result) == before


def test_the_numbers_are_those_of_the_rows(result):
    rows = pl.read_parquet(result / TRIALS)
    calls, rest = (rows.filter(pl.col("kind") == kind) for kind in ("call", "negative"))
    one = summary_table([load_result(result).of("sphinx")]).row(0, named=True)
    assert one["calls"] == 16 and one["miss"] == 1 - calls["found"].mean()
    assert one["negative_hours"] == pytest.approx(40 / 3600)
    assert one["false_per_hour"] == pytest.approx(rest["false_alerts"].sum() / (40 / 3600))
    assert one["actual_twv"] == pytest.approx(one["miss"] * -1 + 1 - 999.9 * rest["false_alerts"].sum() / 40)
    table = miss_table([load_result(result).of("sphinx")])
    assert table["calls"].sum() == 16 and table["missed"].sum() == 16 - calls["found"].sum()
    assert set(zip(table["noise"], table["snr_db"])) == {(n, s) for n in ("turbine", "pink") for s in (20.0, 0.0)}


def test_every_false_alert_has_its_line_and_hard_lines_are_told_apart(result, tmp_path):
    folder = tmp_path / "alerted"
    shutil.copytree(result, folder)
    rows = pl.read_parquet(folder / TRIALS)
    wrong = {"kind": "alert", "phrase": "suspend", "start_s": 1.0, "end_s": 2.0, "raised_s": 2.0, "confidence": 0.9,
             "log_odds": 1.0, "right": False, "line": 0}  # fmt: skip
    talk = pl.col("kind") == "negative"
    told = pl.when(talk).then(pl.lit([wrong], dtype=rows.schema["told"])).otherwise(pl.col("told"))
    rows.with_columns(told=told, false_alerts=pl.when(talk).then(1).otherwise(0)).write_parquet(folder / TRIALS)
    one = load_result(folder).of("sphinx")
    assert one.said["alerts"].sum() == one.lines["alerts"].sum() == one.false_alerts().count == 4
    assert one.on_lines(hard=True).count + one.on_lines(hard=False).count == 4
    assert one.on_lines(hard=True).hours + one.on_lines(hard=False).hours == pytest.approx(one.said["seconds"].sum() / 3600)
    assert one.lines["seconds"].sum() < one.said["seconds"].sum()  # different talk, and all of it
    assert one.values()["miss_at_5_per_h"] is None  # forty seconds support no rate
    write_report(folder)
    assert "Lines with false alerts" in page(folder)


def test_an_srt_never_stands_without_its_lapse_and_the_quiet_calls(result):
    table = srt_table([load_result(result).of("sphinx")])
    assert table["calls_in"].to_list() == ["all", "turbine", "pink"]
    settled = table.filter(pl.col("srt_db").is_not_null())
    assert settled["lapse"].null_count() == 0 and table["missed_quiet"].to_list() == [None] * 3  # the plan has no quiet calls
    assert "no quiet calls" in page(result)


def test_a_failed_call_is_missed_and_said_at_the_top(result, tmp_path):
    folder = tmp_path / "failed"
    shutil.copytree(result, folder)
    rows = pl.read_parquet(folder / TRIALS)
    broken = pl.when(pl.col("kind") == "call").then(pl.lit("engine: it <broke>")).otherwise(None)
    rows.with_columns(failed=broken, found=False, partly=False, delay_s=None, score=None).write_parquet(folder / TRIALS)
    write_report(folder)
    assert load_result(folder).of("sphinx").missed().k == 16
    said = re.findall(r'<p class="warn">(.*?)</p>', page(folder))
    assert said[0] == "sphinx: 16 trials failed (engine: it &lt;broke&gt;). Failed calls count as missed."


def test_failed_negatives_add_no_hours(result, tmp_path):
    folder = tmp_path / "failed"
    shutil.copytree(result, folder)
    rows = pl.read_parquet(folder / TRIALS)
    rows.with_columns(failed=pl.when(pl.col("index") == 0).then(pl.lit("x"))).write_parquet(folder / TRIALS)
    assert load_result(folder).of("sphinx").hours == pytest.approx(30 / 3600)


def test_a_result_compared_with_itself_differs_in_nothing(result, tmp_path):
    path, frame = compare(result, result, tmp_path / "out")
    assert path.exists() and set(frame["b_less_a"].drop_nulls().drop_nans()) == {0.0}
    assert "They differ in nothing." in path.read_text()
    missed = frame.filter(pl.col("measure") == "calls missed")
    assert set(missed["p"]) == {1.0} and (missed["low"] <= 0).all() and (missed["high"] >= 0).all()
    assert Outline(path.read_text()).fetched == []


def test_other_settings_on_the_same_sounds_are_compared_call_by_call(once, result, tmp_path):
    values = {**once[0], "engines": {"sphinx": {"engine": "sphinx", "alert_level": 1000.0}}}
    run_study(plan_from(values, "plan"), tmp_path / "deaf", workers=1)
    path, frame = compare(result, tmp_path / "deaf", tmp_path / "out")
    assert "They differ in: settings of sphinx. Both heard the same sounds" in path.read_text()
    assert re.findall(r"<h2>(.*?)</h2>", path.read_text())[:2] == [
        "Differences in calls missed",
        "sphinx: missed calls against noise",
    ]
    row = frame.row(0, named=True)
    found = load_result(result).of("sphinx").found()
    assert (row["measure"], row["condition"], row["b"]) == ("calls missed", "all", 1.0)
    assert row["b_less_a"] == found.value and row["low"] <= row["b_less_a"] <= row["high"]
    assert row["p"] >= min(1.0, 2.0 * 0.5**found.k) - 1e-12  # McNemar's alone; by speaker it is no less


def test_a_study_under_way_is_reported_as_such_and_not_compared(result, tmp_path):
    folder = tmp_path / "half"
    shutil.copytree(result, folder)
    rows = pl.read_parquet(folder / TRIALS)
    (folder / TRIALS).unlink()
    (folder / PARTS).mkdir()
    for name, part in (("a", rows[:2]), ("b", rows[4:9])):
        part.write_parquet(folder / PARTS / f"{name}.parquet")
    write_report(folder)
    said = re.findall(r'<p class="warn">(.*?)</p>', page(folder))
    assert said[0] == "The study is not finished: 13 of its 20 trials are not in here."
    assert load_result(folder).of("sphinx").missed().n == 5
    with pytest.raises(UserError, match="is not finished; run the study to its end first"):
        compare(result, folder, tmp_path / "out")
    (folder / PARTS / "b.parquet").unlink()
    with pytest.raises(UserError, match="holds no call yet"):
        write_report(folder)


def test_a_broken_results_file_is_named(result, tmp_path):
    folder = tmp_path / "broken"
    shutil.copytree(result, folder)
    (folder / TRIALS).write_bytes(b"junk")
    with pytest.raises(UserError, match=f"{folder / TRIALS}: cannot be read"):
        write_report(folder)


def test_results_without_a_common_engine_or_unfinished_are_refused(result, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(result, other)
    plan = (other / "plan.yaml").read_text()
    (other / "plan.yaml").write_text(
        plan.replace("  sphinx:\n    engine", "  one:\n    engine: sphinx\n  two:\n    engine")
    )
    with pytest.raises(UserError, match="none of the same name to compare"):
        compare(result, other, tmp_path / "out")
    (other / TRIALS).unlink()
    with pytest.raises(UserError, match="holds no trials yet"):
        write_report(other)
    with pytest.raises(UserError, match="is not a study's result"):
        write_report(tmp_path)


def test_hours_or_different_talk_too_few_for_the_rate_are_said_outright(once, result):
    """40 s of talk are 0.011 h; 3 / rate are 6 h for the half an hour that is usual, and less for a greater rate."""
    one = load_result(result).of("sphinx")
    different = one.lines["seconds"].sum() / 60
    assert unsupported(one) == (
        "0.5 false alerts an hour cannot be stated from this study: it takes 6 h of talk that is said once (3 / rate), "
        f"and here are 0.0111 h with {different:.1f} minutes of different talk."
    )
    assert html.escape(unsupported(one)) in page(result)
    values = once[0]

    def at(rate: float, times: int) -> str:
        plan = plan_from({**values, "negatives": {**values["negatives"], "state_per_h": rate}}, "plan")
        other = load_result(result).of("sphinx")
        other.plan, other.lines = plan, one.lines.with_columns(times=pl.lit(times))
        return unsupported(other)

    assert at(300.0, 1) == "", "3 / 300 h are 36 s"
    assert at(260.0, 1).startswith("260 false alerts"), "3 / 260 h are 41.5 s"
    assert at(300.0, 2).startswith("300 false alerts"), "said twice each, half of it is different"
    assert plan_hash(plan_from({**values, "negatives": {**values["negatives"], "state_per_h": 2.0}}, "plan")) == plan_hash(
        plan_from(values, "plan")
    ), "it changes no sound"
