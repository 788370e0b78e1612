"""A study's folder for people, made in a second: real speech and noise, and machine's rows by a simulated engine."""

import json
from dataclasses import asdict
from pathlib import Path

import yaml

from listener.study import bank as banks
from listener.study.design import Design
from listener.study.people.course import Step
from listener.study.people.desk import Desk
from listener.study.people.sounds import Sounds, tone_count
from listener.study.plan import plan_from, plan_hash
from listener.study.table import PARTS, join_parts, write_part
from listener.study.trials import Trial
from tests.study.people.simulated import Simulated


def make_study(folder: Path, speech: Path, **changes: object) -> Path:
    """The folder of a small study whose engine "ear" has an SRT of 0 dB."""
    plan = plan_from({
        "name": "Heron field", "speech": {"recordings": [{"folder": str(speech)}]}, "engines": {"ear": {"engine": "ear"}},
        "phrases": [{"words": "suspend", "repeats": 1}], "noises": ["turbine"], "snr_db": [12.0, 0.0, -12.0], "trials": 8,
        "lead_s": 0.3, "tail_s": 0.5, "resamples": 100,
        "negatives": {"hours": 20 / 3600, "piece_s": 5.0, "snr_db": [None, 5.0], "pause_s": [0.2, 1.0]}, **changes,
    }, "plan")  # fmt: skip
    folder.mkdir()
    design, bank = Design(plan), banks.build(plan)
    bank.save(folder)
    (folder / "plan.yaml").write_text(yaml.safe_dump(plan.model_dump(mode="json"), sort_keys=False))
    lock = {"plan_sha256": plan_hash(plan), "bank_sha256": bank.digest, "code_sha256": "0" * 64, "models_sha256": {},
            "python": "3", "machine": "here", "versions": {}}  # fmt: skip
    (folder / "lock.json").write_text(json.dumps(lock))
    write_machine_rows(folder, design, bank)
    return folder


def write_machine_rows(folder: Path, design: Design, bank: banks.Bank) -> None:
    sounds, engine = Sounds(design, bank), Simulated(0.0)
    rows = []
    for sound in range(design.sounds):
        truth = sounds.truth(Step("talk" if sound < design.negative_count else "call", sound))
        found = truth.call_end_s is not None and engine.hears(truth.snr_db)
        rows.append(Trial(index=sound, engine="ear", **asdict(truth), found=found, partly=found))
    (folder / PARTS).mkdir()
    write_part(folder, range(design.sounds), rows)
    join_parts(folder, [range(design.sounds)])


def sit_through(desk: Desk, listener: Simulated, attends: bool = True) -> str:
    """A whole session at the desk; gives the listener's id. attends: counts the tones right."""
    session = desk.begin("study")
    desk.consent(session.id, "0" * 64)
    desk.set_level(session.id, -20.0)
    while session.step:
        step = session.step
        is_judged = step.what not in ("tones", "rest")
        presses = tuple(listener.presses_s(desk.sounds.truth(step))) if is_judged else ()
        desk.answer(session.id, session.done, presses, tone_count(step.number) + (not attends) if step.what == "tones" else None)
    return session.id


