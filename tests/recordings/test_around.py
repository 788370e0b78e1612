"""The calls of recordings_synthetic/around: position and caller as the ear hears them, against the manifest."""

from pathlib import Path

import pytest
import yaml

from listener.events import Alert, Answer, Update
from listener.replay.run import replay
from listener.settings import Settings, read_settings
from listener.speech.engines import load_engine
from listener.speech.spotter import Engine
from recordings_synthetic.plan import read_plan

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "recordings_synthetic" / "around"
CLIPS = yaml.safe_load((FOLDER / "manifest.yaml").read_text(encoding="utf-8"))["clips"]
SETTINGS = Settings.model_validate(
    {**dict(read_settings(ROOT / "configs" / "flight_deck.yaml")), "callers": ({"name": "KITE #", "spoken": "kite #"},)}
)


@pytest.fixture(scope="module")
def engine() -> Engine:
    return load_engine(SETTINGS)


def heard(answer: Answer | None) -> str | None:
    """As the manifest says it: a name, "unclear", or None for not heard."""
    assert answer and answer.verdict != "not available"
    return answer.name or (None if answer.verdict == "not heard" else answer.verdict)


def test_plan_manifest_and_files_name_the_same_calls():
    plan = read_plan(FOLDER / "plan.yaml")
    assert {c["file"] for c in CLIPS} == {p.name for p in FOLDER.glob("*.flac")}
    truth = [c for clip in CLIPS for c in clip["calls"]]
    pieces = [*plan.clips, *(piece for piece in plan.exercise.transmissions if piece.kind == "call")]
    assert [(c.get("position"), c.get("caller")) for c in truth] == [(p.position, p.caller) for p in pieces]
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 8_000_000


@pytest.mark.parametrize("clip", CLIPS, ids=lambda clip: clip["file"])
def test_position_and_caller_are_what_the_manifest_says(clip, engine):
    """All of them: 13 clips and an exercise with five calls. Voices that did not train, but simulated noise."""
    events = [event for part in replay(FOLDER / clip["file"], SETTINGS, engine) for event in part.events]
    alerts = [event for event in events if isinstance(event, Alert)]
    assert len(alerts) == len(clip["calls"])
    for alert, call in zip(alerts, clip["calls"], strict=True):
        last = [u for u in events if isinstance(u, Update) and u.start_s == alert.start_s][-1]
        assert (heard(last.position), heard(last.caller)) == (call.get("position"), call.get("caller"))
