"""The recipe in order: read the corpus, render noise, fit, keep the averaged weights."""

from __future__ import annotations

import logging
import math
from dataclasses import replace
from pathlib import Path

import torch

from listener.events import RATE_HZ
from models.training import peers, pool
from models.training.data import Corpus, join, load
from models.training.fit import Composer, Fit, Plan, lexicon_of, make_net
from models.training.net import NetShape
from models.training.texts import lexicon

log = logging.getLogger(__name__)


def read_corpora(corpus: Path, real: Path | None, workers: int) -> Corpus:
    """The synthetic corpus and, where there is one, the folder of real people's speech."""
    parts = [load(corpus, real=False, workers=workers)]
    if real:
        parts.append(load(real, real=True, workers=workers))
    whole = join(parts)
    hours: dict[str, float] = {}
    for clip in whole.clips:
        hours[clip.engine] = hours.get(clip.engine, 0.0) + clip.length / RATE_HZ / 3600
    log.info("corpus: %s", ", ".join(f"{name} {h:.2f} h" for name, h in sorted(hours.items())))
    return whole


def train(
    corpus: Path, out: Path, start: Path | None, real: Path | None = None, plan: Plan | None = None,
    shape: NetShape | None = None, noise_rows: int = 600, pause_s: float = math.inf, teacher: Path | None = None,
) -> Path:  # fmt: skip
    """Fit a network and write ``out/ear.pt`` (averaged weights, half precision). Resumes from
    ``out/checkpoint.pt`` if that is there. ``start``: see ``make_net``. ``teacher``: a Whisper model file; where
    ``start`` is one, that teaches. Returns the path written."""
    plan, shape = plan or Plan(), shape or NetShape()
    device = peers.join()
    plan = plan if device.type == "cuda" else replace(plan, workers=min(plan.workers, 2))
    if start and start.is_dir():
        plan = replace(plan, echo_from=plan.warm_steps)
    out.mkdir(parents=True, exist_ok=True)
    cpu_workers = max(1, plan.workers)
    speech = read_corpora(corpus, real, cpu_workers)
    teacher = teacher or (start if start and start.is_file() else None)
    net = make_net(shape, start)
    untouched = make_net(shape, teacher) if teacher and plan.teacher_weight else None
    fit = Fit(net, plan, lexicon_of(speech, lexicon(corpus)), device, untouched)
    checkpoint = out / "checkpoint.pt"
    if checkpoint.exists():
        fit.resume(checkpoint)
        log.info("resumed at step %d", fit.step)
    noises = torch.from_numpy(pool.render(noise_rows, plan.seed, cpu_workers)).to(device)
    log.info("noise: %d rows of %.0f s", noise_rows, pool.ROW_S)
    fit.run(Composer(speech, plan.seconds, plan.shares), noises, checkpoint, pause_s)
    if peers.rank():
        return out / "ear.pt"
    final = {name: values.half().cpu() for name, values in fit.average.items()}
    torch.save({"average": final, "shape": net.shape.as_dict(), "step": fit.step}, out / "ear.pt")
    return out / "ear.pt"
