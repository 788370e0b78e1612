"""What a worker process does. It imports only what trials need, so that it begins soon."""

from functools import lru_cache
from pathlib import Path

from listener.study.bank import Bank
from listener.study.design import Design
from listener.study.plan import PLAN, plan_from
from listener.study.stop import leave_with_parent
from listener.study.trials import Study, Trial, run_trial
from listener.yaml_file import read_yaml


def run_chunk(study: Study, sounds: range) -> list[Trial]:
    """The trials of some sounds, in order of their index."""
    engines = len(study.design.engines)
    return [run_trial(study, index) for index in range(sounds.start * engines, sounds.stop * engines)]


def run_prepared(folder: str, made_ns: int, sounds: range) -> tuple[range, list[Trial]]:
    """The trials of some sounds of the prepared study in a results folder. made_ns: when that was prepared."""
    return sounds, run_chunk(_load(folder, made_ns), sounds)


@lru_cache(maxsize=1)
def _load(folder: str, made_ns: int) -> Study:
    """Loaded once a process, which from then on ends when the one that began it does."""
    leave_with_parent()
    plan = plan_from(read_yaml(Path(folder) / PLAN, "the study plan"), folder)
    return Study(Design(plan), Bank.load(Path(folder)))
