"""Small studies: two speakers from the synthetic recordings, cut out and labelled in a folder of its own."""

from pathlib import Path
from typing import Any

import pytest
import soundfile
import yaml

from tests.parts import need_python

for _module in ("polars", "pyarrow", "joblib", "distributed"):
    need_python(_module, "'launch-listener[study]'")

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"


@pytest.fixture(scope="session")
def speech_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two speakers say "suspend" (labelled word by word) and one talks, with Audacity labels."""
    folder = tmp_path_factory.mktemp("speech")
    clips = {c["file"]: c for c in yaml.safe_load((RECORDINGS / "manifest.yaml").read_text())["clips"]}
    for name, file in (
        ("ann", "suspend_clean_2.flac"),
        ("bob", "suspend_clean_4.flac"),
        ("cat", "not_talk_clean.flac"),
    ):
        samples, rate_hz = soundfile.read(RECORDINGS / file, dtype="float32")
        soundfile.write(folder / f"{name}.wav", samples, rate_hz)
        rows = [f"{w['start_s']}\t{w['end_s']}\t{w['text']}\n" for w in clips[file]["words"]]
        (folder / f"{name}.txt").write_text("".join(rows))
    return folder


@pytest.fixture
def small(speech_folder: Path) -> dict[str, Any]:
    """A plan as plain values: 12 calls in two noises at two SNRs, and 40 s of talk."""
    return {
        "name": "Small", "speech": {"recordings": [{"folder": str(speech_folder)}]}, "engines": {"sphinx": {"engine": "sphinx"}},
        "noises": ["turbine", "pink"], "snr_db": [20.0, 0.0], "trials": 3, "lead_s": 1.0, "tail_s": 1.0, "resamples": 100,
        "negatives": {"hours": 40 / 3600, "piece_s": 10.0, "snr_db": [None, 5.0]},
    }  # fmt: skip


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory, speech_folder: Path) -> tuple[dict[str, Any], Path]:
    """The small study run in one process: its plan's values and its folder."""
    values = {
        "name": "Small", "speech": {"recordings": [{"folder": str(speech_folder)}]}, "engines": {"sphinx": {"engine": "sphinx"}},
        "noises": ["turbine", "pink"], "snr_db": [20.0, 0.0], "trials": 4, "lead_s": 1.0, "tail_s": 1.0, "resamples": 100,
        "negatives": {"hours": 40 / 3600, "piece_s": 10.0, "snr_db": [None, 5.0]},
    }  # fmt: skip
    from listener.study.plan import plan_from
    from listener.study.run import run_study

    folder = tmp_path_factory.mktemp("one") / "results"
    run_study(plan_from(values, "plan"), folder, workers=1)
    return values, folder
