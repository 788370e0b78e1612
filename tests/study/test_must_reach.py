"""What studies must reach: overhead, and memory that does not grow with the number of trials."""

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from listener.events import RATE_HZ
from listener.study.bank import build
from listener.study.design import Design
from listener.study.plan import plan_from
from listener.study.trials import Study, run_trial

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("name", ["ear", "sphinx"])
def test_a_trial_costs_at_most_1_3_times_the_bare_engine(small, name):
    """Processor time of whole trials over that of the engine's spotter alone on the same sound, as live: in 20 ms pieces."""
    plan = plan_from({**small, "engines": {name: {"engine": name, "gate": "off"}}, "negatives": {}}, "plan")
    study = Study(Design(plan), build(plan))
    engine = study.engine(name)
    indices = range(0, len(study.design), 3)
    run_trial(study, 0)

    def bare() -> float:
        spent_s = 0.0
        for index in indices:
            samples = study.sound(index).samples
            began_s = time.process_time()
            spotter = engine.spotter()
            spotter.restart(0)
            for piece in np.split(samples, range(RATE_HZ // 50, samples.size, RATE_HZ // 50)):
                spotter.feed(piece)
            spotter.finish()
            spent_s += time.process_time() - began_s
        return spent_s

    def trials() -> float:
        study._own.sounds.clear()
        began_s = time.process_time()
        for index in indices:
            run_trial(study, index)
        return time.process_time() - began_s

    assert min(trials() for _ in range(2)) <= 1.3 * min(bare() for _ in range(2))


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
