"""Nothing that the program writes as JSON holds NaN or Infinity: they are not JSON, and other programs refuse the line."""

import ast
import json
from pathlib import Path

import pytest

import listener
from listener.keep.journal import Journal
from listener.keep.records import Records

ROOT = Path(listener.__file__).parent.parent
PLACES = ("listener", "models", "recordings_synthetic")


def writers(tree: ast.AST) -> list[ast.Call]:
    """Calls of json.dump and json.dumps."""
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)]
    return [c for c in calls if c.func.attr in ("dump", "dumps") and getattr(c.func.value, "id", "") == "json"]


def refuses_nan(call: ast.Call) -> bool:
    given = {word.arg: word.value for word in call.keywords}
    return isinstance(given.get("allow_nan"), ast.Constant) and given["allow_nan"].value is False


def test_every_writer_of_json_refuses_nan():
    found = [
        (f"{path.relative_to(ROOT)}:{call.lineno}", refuses_nan(call))
        for place in PLACES for path in sorted((ROOT / place).rglob("*.py")) for call in writers(ast.parse(path.read_text()))
    ]  # fmt: skip
    assert len(found) >= 10, "the walk finds them"
    assert [where for where, refuses in found if not refuses] == []


def test_the_walk_sees_a_writer_that_does_not():
    assert [refuses_nan(call) for call in writers(ast.parse("json.dumps(x)\njson.dumps(x, allow_nan=False)"))] == [False, True]


def test_a_number_that_is_none_does_not_stop_the_journal(tmp_path):
    journal = Journal(tmp_path)
    _, kept = journal.append("note", {"who": "a", "values": [1.5, float("inf")], "delay_s": float("nan")})
    assert kept.result(timeout=5)
    _, after = journal.append("note", {"who": "b"})
    assert after.result(timeout=5) and journal.close()
    records = Records(tmp_path)
    try:
        assert records.check() == []
        body = records.row(1).body
    finally:
        records.close()
    assert body == {"who": "a", "values": [1.5, None], "delay_s": None}
    with pytest.raises(ValueError, match="JSON compliant"):
        json.dumps(float("nan"), allow_nan=False)
