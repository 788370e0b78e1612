"""What a trial may cost beside the engine itself."""

import time

import numpy as np
import pytest

from listener.events import RATE_HZ
from listener.study.bank import build
from listener.study.design import Design
from listener.study.plan import plan_from
from listener.study.trials import Study, run_trial


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

    # One after the other, so that a busy machine slows both; one of three turns may fall on a busy moment.
    turns = [trials() / bare() for _ in range(3)]
    assert np.median(turns) <= 1.3, turns
