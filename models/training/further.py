"""Fitting a finished ear further, on a machine without a GPU: its upper blocks and heads, on fresh lines of a corpus.

What a short fit on two cores can change is how sounds are judged, not how they are felt: the convolutions, the lower
blocks and the text encoder (and so the rivals' embeddings) stay as they are. It starts from a model folder, whose
8-bit matrices are read back, so that no other file is needed.

    python -m models.training.further --model models/ear-2 --corpus corpus --real DIR --out fit --minutes 35
    python -m models.training.export --fit fit/ear.pt --like models/ear-2 --out models/ear-3
"""

from __future__ import annotations

import argparse
import json
import logging
import time
from dataclasses import replace
from itertools import count
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor

from listener.speech.network import open_session
from listener.speech.word_view import embed
from models.training import augment, pool
from models.training.data import Composer, Corpus, join, load
from models.training.fit import Batches, Lexicon, Plan, ctc, lexicon_of, loss_of_words, set_rate
from models.training.net import BLANK, Ear, NetShape
from models.training.texts import lexicon

log = logging.getLogger("further")

PLAN = replace(
    Plan(), seconds=5.0, batch=28, rate_trunk=1.5e-4, rate_heads=4e-4, rivals=1000, average=0.99, warm_steps=25, workers=0,
    shares={"amazon_queen": 0.34, "steel_sky": 0.16, "real": 0.25, "kokoro": 0.09, "espeak": 0.07,
            "hibari": 0.03, "flite": 0.03, "festival": 0.03},
)  # fmt: skip


# --- the ear as it is -------------------------------------------------------


def net_of(folder: Path) -> Ear:
    """The network of a model folder. Its text encoder, and what only training needs, are left as they are born."""
    net = Ear(NetShape(**json.loads((folder / "ear.json").read_text())["shape"]))
    graph = onnx.load(str(folder / "ear.onnx")).graph
    stored = {i.name: numpy_helper.to_array(i) for i in graph.initializer}
    state = {name.removeprefix("net."): values for name, values in stored.items() if name.startswith("net.")}
    state |= {f"{name}.weight": matrix for name, matrix in zip(_matrix_names(net), _matrices(stored), strict=True)}
    missing, unknown = net.load_state_dict({n: torch.from_numpy(np.array(v)) for n, v in state.items()}, strict=False)
    if unknown or any(not name.startswith(("text.", "echo.")) for name in missing):
        raise ValueError(f"{folder}: not the network of this recipe: missing {missing}, unknown {unknown}")
    return net


def _matrix_names(net: Ear) -> list[str]:
    """The 8-bit matrices in the order of the network."""
    blocks = [f"blocks.{i}.{part}" for i in range(net.shape.layers) for part in ("qkv", "out", "up", "down")]
    return [*blocks, "phones", "words.0", "words.2", "word_blank"]


def _matrices(stored: dict[str, np.ndarray]) -> list[np.ndarray]:
    """(out, in) float32 of each 8-bit matrix, in the order in which the exporter numbered them."""
    names = sorted(n.removesuffix("_quantized") for n in stored if n.endswith("_quantized"))
    return [
        ((stored[f"{n}_quantized"].astype(np.float32) - stored[f"{n}_zero_point"]) * stored[f"{n}_scale"]).T.copy()
        for n in sorted(names, key=lambda name: int(name.rsplit("_", 1)[1]))
    ]


def embeddings(folder: Path, words: Lexicon) -> Tensor:
    """(words, query): every word of the lexicon as the ear's text encoder sees it."""
    with np.load(folder / "rivals.npz") as file:
        known = dict(
            zip((tuple(way.split()) for way in file["phones"]), file["embedded"].astype(np.float32), strict=True)
        )
    text = open_session(folder / "text.onnx")
    return torch.from_numpy(np.stack([known[w] if w in known else embed(text, w) for w in words.words]))


# --- the fit ----------------------------------------------------------------


class Further:
    """The fit: the network, its slow average, and what stays fixed."""

    def __init__(self, net: Ear, plan: Plan, words: Lexicon, embedded: Tensor, blocks: int) -> None:
        self.net, self.plan, self.words, self.embedded = net, plan, words, embedded
        below = net.shape.layers - blocks
        trunk = [*net.blocks[below:].parameters(), *net.norm.parameters()]
        heads = [*net.phones.parameters(), *net.words.parameters(), *net.word_blank.parameters()]
        net.requires_grad_(False)
        for parameter in (*trunk, *heads):
            parameter.requires_grad_(True)
        groups = [{"params": trunk, "base": plan.rate_trunk}, {"params": heads, "base": plan.rate_heads}]
        self.optimizer = torch.optim.AdamW(groups, lr=0.0, weight_decay=plan.weight_decay, betas=(0.9, 0.98))
        self.average = {n: p.detach().clone() for n, p in net.named_parameters() if p.requires_grad}
        self.features = augment.FeatureMaker(torch.device("cpu"))
        self.generator, self.choice = torch.Generator().manual_seed(plan.seed), torch.Generator().manual_seed(plan.seed)
        self.step = 0

    def train_step(self, batch: dict[str, Tensor], noises: Tensor | None, progress: float) -> tuple[float, float]:
        """One update at a share of the budget; returns the phone loss and the word loss, per target symbol."""
        set_rate(self.optimizer, self.plan, self.step, progress)
        trunk = self._hear(batch["audio"].float() / 32768.0, noises)
        with torch.autocast("cpu", torch.bfloat16):
            logits, queries, blank = self.net.judge(trunk)
        sizes = torch.full((len(logits),), logits.shape[1])
        phone_loss = ctc(logits, batch["phones"], sizes, batch["phone_counts"], BLANK)
        rivals = self.words.rivals(batch["words"], self.plan.rivals, self.plan.near_share, self.choice)
        word_loss = loss_of_words(queries.float(), blank.float(), batch, rivals, self.embedded.__getitem__)
        self.optimizer.zero_grad(set_to_none=True)
        (phone_loss + self.plan.word_weight * word_loss).backward()
        torch.nn.utils.clip_grad_norm_([p for p in self.net.parameters() if p.requires_grad], 1.0)
        self.optimizer.step()
        self.step += 1
        keep = min(self.plan.average, (self.step + 1) / (self.step + 10))
        for name, parameter in self.net.named_parameters():
            if name in self.average:
                self.average[name].lerp_(parameter.detach(), 1 - keep)
        return phone_loss.item(), word_loss.item()

    def _hear(self, speech: Tensor, noises: Tensor | None) -> Tensor:
        """Fresh noise and radios for the lines, then the trunk; nothing below the upper blocks is learned."""
        with torch.no_grad():
            audio, _ = augment.degrade(speech, noises, self.generator, self.plan.snr_db)
            warp = torch.randint(len(augment.WARPS), (len(audio),), generator=self.generator)
            heard = augment.mask_out(self.features(audio, warp), self.generator)
            offset = torch.randint(125, (len(audio),), generator=self.generator) * self.net.shape.chunk
        with torch.autocast("cpu", torch.bfloat16):
            return self.net.encode(heard, offset)

    def save(self, path: Path) -> None:
        state = {**self.net.state_dict(), **self.average}
        kept = {name: values.half() for name, values in state.items() if not name.startswith("text.")}
        torch.save({"average": kept, "shape": self.net.shape.as_dict(), "step": self.step}, path)


def run(fit: Further, speech: Corpus, noises: Tensor, minutes: float, out: Path) -> None:
    """Train for some minutes, saving now and then; Ctrl-C keeps what there is."""
    batches = Batches(Composer(speech, fit.plan.seconds, fit.plan.shares), fit.words, fit.plan, 0)
    began, losses = time.monotonic(), []
    try:
        for number in count():
            spent = (time.monotonic() - began) / 60 / minutes
            if spent >= 1.0:
                break
            losses.append(fit.train_step(batches.batch(number), noises, spent))
            if fit.step % 20 == 0:
                phones, words = np.mean(losses, axis=0)
                losses = []
                log.info("step %d  %.0f %%  phones %.3f  words %.3f", fit.step, 100 * spent, phones, words)
                fit.save(out)
    except KeyboardInterrupt:
        log.info("stopped at step %d", fit.step)
    fit.save(out)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m models.training.further", description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path, required=True, help="the model folder to start from")
    parser.add_argument("--corpus", type=Path, required=True)
    parser.add_argument("--real", type=Path, help="folder of real people's clips (optional)")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=35.0)
    parser.add_argument("--blocks", type=int, default=3, help="upper blocks that learn")
    parser.add_argument("--noise-rows", type=int, default=120)
    args = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", datefmt="%H:%M:%S")
    args.out.mkdir(parents=True, exist_ok=True)
    parts = [load(args.corpus, real=False, workers=2)]
    if args.real:
        parts.append(load(args.real, real=True, workers=2))
    speech = join(parts)
    words = lexicon_of(speech, lexicon(args.corpus))
    fit = Further(net_of(args.model), PLAN, words, embeddings(args.model, words), args.blocks)
    noises = torch.from_numpy(pool.render(args.noise_rows, PLAN.seed, 2))
    run(fit, speech, noises, args.minutes, args.out / "ear.pt")


if __name__ == "__main__":
    main()
