"""Memory does not grow with the number of a study's trials. About a minute: LISTENER_LONG=1 collects it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.long

ROOT = Path(__file__).parents[2]

MEMORY = """
import sys
from pathlib import Path
from dataclasses import asdict
from listener.study import run
from listener.study.plan import plan_from
from listener.study.trials import Trial
told = dict(kind="candidate", phrase="suspend", start_s=1.0, end_s=2.0, raised_s=2.1, confidence=0.5, log_odds=0.0, right=True)
def quick(study, sounds):
    for i in sounds:
        slot = study.design.slot(i)
        yield Trial(i, i, "a", **asdict(slot.condition), number=slot.number, speaker="ann", seconds=5.0, told=(told,), peaks=(told,))
run.run_chunk = lambda study, sounds: list(quick(study, sounds))
for rows in (2_000, 100_000):
    values = dict(name="m", speech=dict(recordings=[dict(folder=sys.argv[1])]), engines=dict(a=dict(engine="sphinx")), trials=rows // 4)
    run.run_study(plan_from(values, "plan"), Path(sys.argv[2]) / str(rows), workers=1)
    # Not getrusage: its figure is never less than what the process that started this one had then.
    print(int(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM"))) / 1024)
"""


def test_memory_stays_flat_up_to_a_hundred_thousand_rows(speech_folder, tmp_path):
    """Peak memory of the process that runs a small study and then a large one, with trials that cost nothing."""
    command = [sys.executable, "-c", MEMORY, str(speech_folder), str(tmp_path)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    small_mb, large_mb = map(float, done.stdout.split())
    assert large_mb < small_mb + 40
