"""The commands, as typed: results on stdout, one line and a status for what is wrong."""

import subprocess
import sys
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).parents[2]


def listener(*arguments: str, folder: Path) -> subprocess.CompletedProcess:
    code = f"import sys; sys.path.insert(0, {str(ROOT)!r}); from listener.cli import main; main()"
    return subprocess.run([sys.executable, "-c", code, *arguments], cwd=folder, capture_output=True, text=True)


@pytest.mark.parametrize(
    "changes, status, said",
    [
        ({"noises": ["hail"]}, 2, "plan.yaml: noises: 'hail' is not a noise we know"),
        ({"engines": {"v": {"engine": "vosk"}}}, 2, "model"),
        ({"speech": {"recordings": [{"folder": "nowhere"}]}}, 1, "nowhere: no such folder"),
    ],
)
def test_what_is_wrong_is_one_line_before_any_work(small, tmp_path, changes, status, said):
    (tmp_path / "plan.yaml").write_text(yaml.safe_dump({**small, **changes}))
    done = listener("study", "plan.yaml", folder=tmp_path)
    assert done.returncode == status and said in done.stderr and done.stdout == ""
    assert done.stderr.startswith("listener: ") and done.stderr.count("\n") == 1
    assert not (tmp_path / "plan_results" / "lock.json").exists()


def test_compare_prints_its_table_as_csv(once, tmp_path):
    _, folder = once
    done = listener("study", "compare", str(folder), str(folder), folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(
        "measure,condition,engine_a,engine_b,a,b,b_less_a,low,high,p,p_holm\ncalls missed,all,sphinx,sphinx,"
    )
    assert (tmp_path / "compare_results" / "compare.html").exists()
