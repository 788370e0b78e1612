"""The recipe from one command: ``python -m models.training --help``."""

from __future__ import annotations

import argparse
import logging
import math
from dataclasses import replace
from pathlib import Path

from models.training import peers
from models.training.fit import Plan
from models.training.recipe import train


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m models.training", description=__doc__)
    parser.add_argument("--corpus", type=Path, required=True, help="folder made by models.training.corpus")
    parser.add_argument("--real", type=Path, help="folder of real people's clips with a clips.csv (optional)")
    start = "what to start from: Whisper base's model file (CTranslate2 or .npz), or a finished ear's folder"
    parser.add_argument("--start", type=Path, help=start)
    parser.add_argument("--teacher", type=Path, help="Whisper base's model file, where --start is a finished ear")
    parser.add_argument("--out", type=Path, required=True, help="where checkpoint and weights go; resumes from there")
    parser.add_argument("--minutes", type=float, default=18.0, help="time budget for the fit (default %(default)s)")
    parser.add_argument("--steps", type=int, default=Plan.steps, help="at most this many steps")
    parser.add_argument("--batch", type=int, default=Plan.batch)
    parser.add_argument(
        "--gpus", type=int, default=1, help="that many GPUs of this machine, each with --batch lines a step"
    )
    parser.add_argument("--workers", type=int, default=Plan.workers)
    parser.add_argument("--noise-rows", type=int, default=600, help="noises of 20 s rendered beforehand")
    parser.add_argument("--pause-after", type=float, default=math.inf, help="seconds; then run the same again to go on")
    parser.add_argument("--rate", type=float, default=1.0, help="learning rates, as a share of the usual ones")
    parser.add_argument("--easy-share", type=float, default=Plan.easy_share, help="of the budget: noise comes gradually")
    parser.add_argument("--margin", type=float, default=Plan.margin, help="by which a word must beat its look-alikes")
    parser.add_argument("--teacher-weight", type=float, default=Plan.teacher_weight, help="0: no teacher")
    whole = "every frame hears the whole line: for the network that hears a call's seconds again (export --whole)"
    parser.add_argument("--whole", action="store_true", help=whole)
    parser.add_argument("--seed", type=int, default=Plan.seed)
    return parser.parse_args()


def main() -> None:
    """Fit an ear, or go on with one, and keep its weights in --out."""
    args = _arguments()
    if args.gpus > 1 and not peers.launched():
        raise SystemExit(peers.launch(args.gpus))
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", datefmt="%H:%M:%S")
    plan = replace(
        Plan(), minutes=args.minutes, steps=args.steps, batch=args.batch, workers=args.workers, seed=args.seed,
        teacher_weight=args.teacher_weight, rate_trunk=args.rate * Plan.rate_trunk, easy_share=args.easy_share,
        rate_heads=args.rate * Plan.rate_heads, margin=args.margin, whole=args.whole,
    )
    path = train(
        args.corpus, args.out, args.start, args.real, plan, noise_rows=args.noise_rows, pause_s=args.pause_after,
        teacher=args.teacher,
    )  # fmt: skip
    logging.info("wrote %s", path)


if __name__ == "__main__":
    main()
