"""Fitting the ear: one loop, resumable, with a budget in minutes or steps.

Two connectionist temporal classification losses (Graves et al. 2006) are added: one over
phones, one over whole words. The words' scores come from comparing each frame's query with
embeddings of the batch's own words and of some thousand other common words as rivals.

Several GPUs share a fit (``peers``): each hears batches of its own, and the gradients are averaged.
"""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from itertools import chain
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor
from torch.utils.data import DataLoader, IterableDataset, get_worker_info

from listener.speech.pronounce import PHONE_INDEX, Pronunciation, every_pronunciation
from models.training import augment, peers
from models.training.data import Composer, Corpus, phone_ids, transcribe
from models.training.finished import net_of
from models.training.net import BLANK, Ear, NetShape
from models.training.rivals import look_alikes_of, one_apart
from models.training.texts import COMMANDS
from models.training.whisper_weights import encoder_arrays

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Plan:
    """Everything that shapes a training run."""

    seconds: float = 6.0
    batch: int = 160
    steps: int = 6000
    minutes: float = 0.0  # 0: no limit
    rate_trunk: float = 3e-4
    rate_heads: float = 1.2e-3
    weight_decay: float = 0.02
    warm_steps: int = 300
    word_weight: float = 0.5
    margin: float = 0.0  # by which a word must beat the words not said in its line (log probability)
    rivals: int = 2000
    near_share: float = 0.4  # of the rivals: words one phone apart from those of the batch
    teacher_weight: float = 0.25
    echo_from: int = 0  # step before which the teacher shapes its echo alone, which is born knowing nothing
    snr_db: tuple[float, float] = (-9.0, 24.0)
    easy_share: float = 0.25  # of the run, in which the lowest SNR falls from +12 dB
    average: float = 0.999
    whole: bool = False  # every frame hears the whole line: the network that hears a call's seconds again
    seed: int = 1
    workers: int = 12
    shares: dict[str, float] = field(
        default_factory=lambda: {
            "kokoro": 0.24, "espeak": 0.06, "flite": 0.05, "hibari": 0.01, "festival": 0.05,
            "real": 0.17, "amazon_queen": 0.22, "steel_sky": 0.14, "readers": 0.08, "people": 0.01,
        }
    )  # fmt: skip


SAVE_S = 60.0  # so often is all that a fit needs to go on written to disk
REPORT_STEPS = 100

CHECK_STEPS = 20  # so often do several GPUs agree on how much of the budget is spent


class Lexicon:
    """All pronunciations seen or common; words are numbers in it."""

    def __init__(self, words: list[Pronunciation]) -> None:
        self.words = sorted(set(words))
        self.index = {word: i for i, word in enumerate(self.words)}
        self.lengths = torch.tensor([len(w) for w in self.words])
        self.phones = torch.full((len(self.words), int(self.lengths.max())), BLANK)
        for i, word in enumerate(self.words):
            self.phones[i, : len(word)] = torch.tensor([PHONE_INDEX[p] for p in word])
        self.near = one_apart(self.words)

    def rivals(self, said: Tensor, count: int, near_share: float, generator: torch.Generator) -> Tensor:
        """Numbers of words to tell the said ones from: look-alikes of theirs, and others at random."""
        near = torch.tensor(
            sorted({other for word in set(said.tolist()) for other in self.near[word]}), dtype=torch.long
        )
        near = near[torch.randperm(len(near), generator=generator)[: round(count * near_share)]]
        return torch.cat([near, torch.randint(len(self.words), (count - len(near),), generator=generator)])


class Batches(IterableDataset):
    """Batches of composed lines without end; each worker of each GPU makes its own."""

    def __init__(self, composer: Composer, lexicon: Lexicon, plan: Plan, first: int) -> None:
        self.composer, self.lexicon, self.plan, self.first = composer, lexicon, plan, first
        self.rank, self.peers = peers.rank(), peers.count()  # here, since the workers do not know

    def __iter__(self) -> Iterator[dict[str, Tensor]]:
        info = get_worker_info()
        worker, workers = (info.id, info.num_workers) if info else (0, 1)
        step = self.first + worker
        while True:
            yield self.batch(step)
            step += workers

    def batch(self, step: int) -> dict[str, Tensor]:
        """This GPU's lines of a step: audio int16 (lines, samples), phones and words end to end, and how many each line has."""
        size = self.plan.batch
        first = (step * self.peers + self.rank) * size
        examples = [self.composer.example(self.plan.seed, first + i) for i in range(size)]
        phones = [phone_ids(e.words) for e in examples]
        words = [[self.lexicon.index[w] for w in e.words] for e in examples]
        return {
            "audio": torch.from_numpy(np.stack([e.audio for e in examples])),
            "phones": torch.tensor(list(chain.from_iterable(phones))),
            "phone_counts": torch.tensor([len(p) for p in phones]),
            "words": torch.tensor(list(chain.from_iterable(words)), dtype=torch.long),
            "word_counts": torch.tensor([len(w) for w in words]),
        }


def _optimizer(net: Ear, plan: Plan) -> torch.optim.Optimizer:
    trunk = [p for n, p in net.named_parameters() if n.startswith(("conv", "blocks", "norm"))]
    heads = [p for n, p in net.named_parameters() if not n.startswith(("conv", "blocks", "norm"))]
    groups = [{"params": trunk, "base": plan.rate_trunk}, {"params": heads, "base": plan.rate_heads}]
    return torch.optim.AdamW(groups, lr=0.0, weight_decay=plan.weight_decay, betas=(0.9, 0.98))


class Fit:
    """A running fit: network, its slow average, optimiser and progress."""

    def __init__(
        self, net: Ear, plan: Plan, lexicon: Lexicon, device: torch.device, teacher: Ear | None = None
    ) -> None:
        self.net, self.plan, self.device = net.to(device), plan, device
        self.teacher = teacher.to(device).eval().requires_grad_(False) if teacher else None
        self.average = {n: p.detach().clone().float() for n, p in net.state_dict().items()}
        self.optimizer = _optimizer(net, plan)
        self.lexicon, self.features = lexicon, augment.FeatureMaker(device)
        self.phones, self.lengths = lexicon.phones.to(device), lexicon.lengths
        self.generator = torch.Generator(device).manual_seed(plan.seed + 1000 * peers.rank())
        self.choice = torch.Generator().manual_seed(plan.seed + 1000 * peers.rank())
        self.step, self.spent_s, self.progress = 0, 0.0, 0.0
        self.curve: list[tuple[int, float, float]] = []  # step, phone loss, word loss: means since the row before
        self._recent: list[Tensor] = []

    def save(self, path: Path) -> None:
        """Write all that the fit needs to go on as if it had never stopped: a machine may be lost at any moment."""
        if peers.rank():
            return
        state = {
            "net": self.net.state_dict(), "average": self.average, "optimizer": self.optimizer.state_dict(),
            "step": self.step, "spent_s": self.spent_s, "shape": self.net.shape.as_dict(), "plan": asdict(self.plan),
            "generator": self.generator.get_state(), "choice": self.choice.get_state(),
            "curve": self.curve, "recent": self._recent,
        }  # fmt: skip
        torch.save(state, path.with_suffix(".part"))
        path.with_suffix(".part").replace(path)

    def resume(self, path: Path) -> None:
        """Go on from what ``save`` wrote. With several GPUs the others' random numbers begin anew."""
        state = torch.load(path, map_location=self.device, weights_only=True)
        self.net.load_state_dict(state["net"])
        self.average, self.step, self.spent_s = state["average"], state["step"], state["spent_s"]
        self.optimizer.load_state_dict(state["optimizer"])
        self.curve, self._recent = state["curve"], state["recent"]
        if peers.rank():
            seed = self.plan.seed + 1000 * peers.rank() + self.step
            self.generator.manual_seed(seed)
            self.choice.manual_seed(seed)
        else:
            self.generator.set_state(state["generator"].cpu())
            self.choice.set_state(state["choice"].cpu())

    def _set_progress(self) -> None:
        """How much of the budget is spent, 0..1; all GPUs take the first one's word for it."""
        limit_s = self.plan.minutes * 60
        mine = max(self.step / self.plan.steps, self.spent_s / limit_s if limit_s else 0.0)
        self.progress = peers.agreed(mine, self.device)

    def _snr_db(self) -> tuple[float, float]:
        """Noise comes gradually: phones are learned first, then heard through noise."""
        low, high = self.plan.snr_db
        eased = min(1.0, self.progress / max(self.plan.easy_share, 1e-9))
        return 12.0 + (low - 12.0) * eased, high

    def _embedded(self, words: Tensor) -> Tensor:
        return self.net.text(self.phones[words.to(self.device)], self.lengths[words])

    def _teacher_loss(self, trunk: Tensor, clean: Tensor) -> Tensor:
        """What the untouched encoder feels at the clean sound, to be felt in the noise.

        It has heard very many people; this keeps the fitted network from forgetting them.
        """
        with torch.no_grad(), torch.autocast(self.device.type, torch.bfloat16):
            start = torch.zeros(len(clean), dtype=torch.long, device=self.device)
            assert self.teacher is not None
            felt = self.teacher.encode(self.features(clean), start, whole=True)
        with torch.autocast(self.device.type, torch.bfloat16):
            echo = self.net.echo(trunk)
        width = (felt.shape[-1],)
        return F.mse_loss(F.layer_norm(echo.float(), width), F.layer_norm(felt.float(), width))

    def train_step(self, batch: dict[str, Tensor], pool: Tensor | None) -> tuple[Tensor, Tensor]:
        """One update; returns the phone loss and the word loss, per target symbol."""
        set_rate(self.optimizer, self.plan, self.step, self.progress)
        speech = batch["audio"].to(self.device, non_blocking=True).float() / 32768.0
        audio, clean = augment.degrade(speech, pool, self.generator, self._snr_db())
        warp = torch.randint(len(augment.WARPS), (len(audio),), device=self.device, generator=self.generator)
        features = augment.mask_out(self.features(audio, warp), self.generator)
        offset = torch.randint(125, (len(audio),), device=self.device, generator=self.generator)
        offset = torch.zeros_like(offset) if self.plan.whole else offset
        with torch.autocast(self.device.type, torch.bfloat16):
            trunk = self.net.encode(features, offset * self.net.shape.chunk, whole=self.plan.whole)
            logits, queries, blank = self.net.judge(trunk)
        sizes = torch.full((len(audio),), logits.shape[1])
        phone_loss = ctc(logits, batch["phones"].to(self.device), sizes, batch["phone_counts"], BLANK)
        rivals = self.lexicon.rivals(batch["words"], self.plan.rivals, self.plan.near_share, self.choice)
        word_loss = loss_of_words(queries.float(), blank.float(), batch, rivals, self._embedded, self.plan.margin)
        loss = phone_loss + self.plan.word_weight * word_loss
        if self.teacher:
            heard = trunk if self.step >= self.plan.echo_from else trunk.detach()
            loss = loss + self.plan.teacher_weight * self._teacher_loss(heard, clean)
        self.optimizer.zero_grad(set_to_none=True)
        loss.backward()
        peers.average_gradients(self.net)
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self.optimizer.step()
        self._update_average()
        self.step += 1
        return phone_loss.detach(), word_loss.detach()

    @torch.no_grad()
    def _update_average(self) -> None:
        keep = min(self.plan.average, (self.step + 1) / (self.step + 10))
        state = self.net.state_dict()
        torch._foreach_lerp_(
            list(self.average.values()), [state[n].float() for n in self.average], 1 - keep
        )

    def run(self, composer: Composer, pool: Tensor | None, checkpoint: Path, pause_s: float = math.inf) -> None:
        """Train until the plan's steps or minutes are spent, saving as it goes.

        ``pause_s``: stop sooner, after this many seconds of this sitting; resume later.
        """
        data = Batches(composer, self.lexicon, self.plan, self.step)
        loader = DataLoader(
            data, batch_size=None, num_workers=self.plan.workers, prefetch_factor=4 if self.plan.workers else None,
            pin_memory=self.device.type == "cuda",
        )  # fmt: skip
        began, before, saved = time.monotonic(), self.spent_s, time.monotonic()
        self._set_progress()
        try:
            for batch in loader:
                if self.step % CHECK_STEPS == 0 or peers.count() == 1:
                    self._set_progress()
                    if self.progress >= 1.0 or peers.agreed(time.monotonic() - began, self.device) > pause_s:
                        break
                self._recent.append(torch.stack(self.train_step(batch, pool)))
                self.spent_s = before + time.monotonic() - began
                if self.step % REPORT_STEPS == 0:
                    self._report()
                if time.monotonic() - saved > SAVE_S:
                    self.save(checkpoint)
                    saved = time.monotonic()
        finally:
            self.save(checkpoint)

    def _report(self) -> None:
        phone, word = torch.stack(self._recent).mean(dim=0).tolist()
        self.curve.append((self.step, phone, word))
        self._recent = []
        log.info("step %d  %.0f s  phones %.3f  words %.3f", self.step, self.spent_s, phone, word)


def ctc(logits: Tensor, target: Tensor, sizes: Tensor, counts: Tensor, blank: int) -> Tensor:
    """The loss of connectionist temporal classification (Graves et al. 2006), a label: logits (lines, frames, classes)."""
    log_probs = logits.float().log_softmax(2).transpose(0, 1)
    total = F.ctc_loss(
        log_probs, target, sizes, counts, blank=blank, reduction="sum", zero_infinity=True
    )
    return total / max(1, int(counts.sum()))


def set_rate(optimizer: torch.optim.Optimizer, plan: Plan, step: int, progress: float) -> None:
    """Learning rates at a step and a share of the budget: warm up, then fall along a cosine to 2 %."""
    warm = min(1.0, (step + 1) / plan.warm_steps)
    scale = warm * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * min(1.0, progress))))
    for group in optimizer.param_groups:
        group["lr"] = group["base"] * scale


def loss_of_words(
    queries: Tensor, blank: Tensor, batch: dict[str, Tensor], rivals: Tensor, embedded: Callable[[Tensor], Tensor],
    margin: float = 0.0,
) -> Tensor:  # fmt: skip
    """Loss of the words said among rivals (numbers of the lexicon); ``embedded`` gives the embeddings of such numbers.

    ``margin`` is added to every word that its line does not hold: a word said must beat its look-alikes by that much.
    """
    known, target = torch.unique(torch.cat([batch["words"], rivals]), return_inverse=True)
    target = target[: len(batch["words"])].to(queries.device)
    others = queries.new_full((len(queries), len(known)), margin)
    line = torch.repeat_interleave(torch.arange(len(queries)), batch["word_counts"]).to(queries.device)
    others[line, target] = 0.0
    words = queries @ embedded(known).T / 16.0 + others[:, None]
    logits = torch.cat([blank, words], dim=2)
    sizes = torch.full((len(logits),), logits.shape[1])
    return ctc(logits, target + 1, sizes, batch["word_counts"], blank=0)


def make_net(shape: NetShape, start: Path | None) -> Ear:
    """A new network. ``start``: a finished ear's folder, or a Whisper model file of the same width and depth."""
    if start and start.is_dir():
        return net_of(start)
    net = Ear(shape)
    if start:
        net.start_from(encoder_arrays(start))
    return net


def lexicon_of(corpus: Corpus, common: list[str]) -> Lexicon:
    """Every word of the corpus, the ``common`` words and all look-alikes of the commands, as pronunciations."""
    rivals = [said[0] for said in map(transcribe, common) if said]
    commands = [way for said in map(transcribe, COMMANDS) if said for way in said]
    look_alikes = look_alikes_of(commands, every_pronunciation())
    return Lexicon([word for clip in corpus.clips for word in clip.words] + rivals + look_alikes)
