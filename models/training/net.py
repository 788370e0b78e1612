"""The ear's network: a speech encoder that hears a little at a time, and two heads.

The trunk has the shape of Whisper's encoder (two convolutions, then transformer blocks;
Radford et al. 2022, arXiv 2212.04356) so that it can start from weights that have heard
very many people. Two things make it stream: attention reaches only over the own chunk and
a few chunks back, and the features look only backwards. Frames are 20 ms.

Heads: ``phones`` (39 ARPAbet phones + blank) and ``words``: a query per frame that is
compared with embeddings which a small text encoder makes from any phone sequence, so the
vocabulary is open.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor, nn

from listener.speech.pronounce import PHONES

BLANK = len(PHONES)


@dataclass(frozen=True)
class NetShape:
    """Sizes of a network. Frames are 20 ms long."""

    width: int = 512
    layers: int = 6
    heads: int = 8
    chunk: int = 12  # frames heard at once: 240 ms
    left: int = 48  # frames remembered by attention: 960 ms
    inputs: int = 160
    query: int = 256
    positions: int = 1500

    def as_dict(self) -> dict[str, int]:
        """Plain values, as ear.json and a checkpoint hold them."""
        return asdict(self)


class Block(nn.Module):
    """Pre-norm transformer block; queries, keys and values in one matrix."""

    def __init__(self, width: int, heads: int) -> None:
        super().__init__()
        self.heads = heads
        self.norm_attention, self.norm_feed = nn.LayerNorm(width), nn.LayerNorm(width)
        self.qkv, self.out = nn.Linear(width, 3 * width), nn.Linear(width, width)
        self.up, self.down = nn.Linear(width, 4 * width), nn.Linear(4 * width, width)

    def split(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """x (batch, frames, width) -> queries, keys, values, each (batch, heads, frames, width / heads)."""
        batch, frames, width = x.shape
        qkv = self.qkv(self.norm_attention(x))
        qkv = qkv.view(batch, frames, 3, self.heads, width // self.heads)
        q, k, v = qkv.permute(2, 0, 3, 1, 4)
        return q, k, v

    def join(self, x: Tensor, attended: Tensor) -> Tensor:
        """Adds what was attended to, (batch, heads, frames, width / heads), then the feed-forward part: as x."""
        x = x + self.out(attended.transpose(1, 2).flatten(2))
        return x + self.down(F.gelu(self.up(self.norm_feed(x))))

    def forward(self, x: Tensor, mask: Tensor | None) -> Tensor:
        """x (batch, frames, width) -> the same shape; mask: true where a frame may attend, None for everywhere."""
        q, k, v = self.split(x)
        return self.join(x, F.scaled_dot_product_attention(q, k, v, attn_mask=mask))


class TextEncoder(nn.Module):
    """Phones (batch, n) -> word embedding (batch, query)."""

    def __init__(self, query: int) -> None:
        super().__init__()
        self.embed = nn.Embedding(len(PHONES) + 1, 128, padding_idx=len(PHONES))
        self.gru = nn.GRU(128, 256, batch_first=True, bidirectional=True)
        self.out = nn.Linear(512, query)
        self.norm = nn.LayerNorm(query)

    def forward(self, phones: Tensor, lengths: Tensor | None = None) -> Tensor:
        """phones (batch, n), padded with len(PHONES); lengths (batch,), None: no padding. Gives (batch, query)."""
        x = self.embed(phones)
        if lengths is not None:
            packed = nn.utils.rnn.pack_padded_sequence(
                x, lengths.cpu(), batch_first=True, enforce_sorted=False
            )
            _, last = self.gru(packed)
        else:
            _, last = self.gru(x)
        return self.norm(self.out(torch.cat([last[0], last[1]], dim=1)))


class Ear(nn.Module):
    """Feature frames in, phone scores and word queries out."""

    def __init__(self, shape: NetShape) -> None:
        super().__init__()
        self.shape = shape
        self.conv1 = nn.Conv1d(shape.inputs, shape.width, 3)
        self.conv2 = nn.Conv1d(shape.width, shape.width, 3, stride=2)
        self.register_buffer("positions", torch.zeros(shape.positions, shape.width))
        self.blocks = nn.ModuleList(Block(shape.width, shape.heads) for _ in range(shape.layers))
        self.norm = nn.LayerNorm(shape.width)
        self.phones = nn.Linear(shape.width, len(PHONES) + 1)
        self.words = nn.Sequential(
            nn.Linear(shape.width, shape.width), nn.GELU(), nn.Linear(shape.width, shape.query)
        )
        self.word_blank = nn.Linear(shape.width, 1)
        self.text = TextEncoder(shape.query)
        self.echo = nn.Linear(shape.width, shape.width)  # training only: what the teacher would feel

    def _convolve(self, features: Tensor) -> Tensor:
        """(batch, 160, n) -> (batch, frames, width); frame j needs features 2j .. 2j+4."""
        return F.gelu(self.conv2(F.gelu(self.conv1(features)))).transpose(1, 2)

    def judge(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """The heads: phone logits, word queries, word-blank logits."""
        return self.phones(x), self.words(x), self.word_blank(x)

    def mask(self, frames: int, device: torch.device) -> Tensor:
        """Which frame may attend to which: own chunk and ``left`` frames before it."""
        start = torch.arange(frames, device=device) // self.shape.chunk * self.shape.chunk
        other = torch.arange(frames, device=device)
        lowest, highest = start - self.shape.left, start + self.shape.chunk
        return (other[None] >= lowest[:, None]) & (other[None] < highest[:, None])

    def forward(self, features: Tensor, offset: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Whole clips, for training.

        features (batch, n, 160) from the clip's start; ``offset`` (batch,) is the position
        of the first frame, a multiple of the chunk. Returns phone logits (batch, t, 40),
        word queries (batch, t, query) and word-blank logits (batch, t, 1).
        """
        return self.judge(self.encode(features, offset))

    def encode(self, features: Tensor, offset: Tensor, *, whole: bool = False) -> Tensor:
        """The trunk alone, (batch, t, width); ``whole`` lets every frame attend to all others."""
        x = self._convolve(F.pad(features.transpose(1, 2), (2, 0)))
        index = (offset[:, None] + torch.arange(x.shape[1], device=x.device)) % len(self.positions)
        x = x + self.positions[index]
        mask = None if whole else self.mask(x.shape[1], x.device)
        for block in self.blocks:
            x = block(x, mask)
        return self.norm(x)

    def step(self, features: Tensor, position: Tensor, known: Tensor, keys: Tensor, values: Tensor) -> Any:
        """One chunk of a stream: what is exported and shipped.

        features (1, 2*chunk+3, 160); position (1,) of the chunk's first frame; known (1,)
        count of valid remembered frames; keys, values (layers, 1, heads, left, width/heads).
        Returns phone log-probabilities (chunk, 40), word queries with the blank logit last
        (chunk, query+1), and the new keys and values.
        """
        x = self._convolve(features.transpose(1, 2))
        index = (position + torch.arange(self.shape.chunk, device=x.device)) % self.shape.positions
        x = x + self.positions[index]
        age = torch.arange(self.shape.left + self.shape.chunk, device=x.device)
        mask = (age >= self.shape.left - known)[None, None, None]
        new_keys, new_values = [], []
        for i, block in enumerate(self.blocks):
            q, k, v = block.split(x)
            k, v = torch.cat([keys[i], k], dim=2), torch.cat([values[i], v], dim=2)
            x = block.join(x, F.scaled_dot_product_attention(q, k, v, attn_mask=mask))
            new_keys.append(k[:, :, self.shape.chunk :])
            new_values.append(v[:, :, self.shape.chunk :])
        phones, queries, blank = self.judge(self.norm(x))
        words = torch.cat([queries, blank], dim=2)
        return phones.log_softmax(2)[0], words[0], torch.stack(new_keys), torch.stack(new_values)

    def hear(self, features: Tensor) -> tuple[Tensor, Tensor]:
        """Some seconds heard whole, every frame attending to all: what is exported to hear a call again.

        features (1, 2 n + 3, 160), frame j from rows 2j .. 2j+4. Returns phone log-probabilities (n, 40) and word
        queries with the blank logit last (n, query + 1).
        """
        x = self._convolve(features.transpose(1, 2))
        x = x + self.positions[: x.shape[1]]
        for block in self.blocks:
            x = block(x, None)
        phones, queries, blank = self.judge(self.norm(x))
        return phones.log_softmax(2)[0], torch.cat([queries, blank], dim=2)[0]

    def start_from(self, arrays: dict[str, np.ndarray]) -> None:
        """Take Whisper's encoder weights; the second feature view starts with no say."""
        get = {name: torch.from_numpy(values) for name, values in arrays.items()}
        with torch.no_grad():
            self.conv1.weight.zero_()
            self.conv1.weight[:, :80] = get["conv1/weight"]
            self.conv1.bias.copy_(get["conv1/bias"])
            self.conv2.weight.copy_(get["conv2/weight"])
            self.conv2.bias.copy_(get["conv2/bias"])
            self.positions.copy_(get["position_encodings/encodings"])
            _copy(self.norm, get, "layer_norm", ("gamma", "beta"))
            for i, block in enumerate(self.blocks):
                near, feed = f"layer_{i}/self_attention", f"layer_{i}/ffn"
                _copy(block.norm_attention, get, f"{near}/layer_norm", ("gamma", "beta"))
                _copy(block.qkv, get, f"{near}/linear_0")
                _copy(block.out, get, f"{near}/linear_1")
                _copy(block.norm_feed, get, f"{feed}/layer_norm", ("gamma", "beta"))
                _copy(block.up, get, f"{feed}/linear_0")
                _copy(block.down, get, f"{feed}/linear_1")


def _copy(
    module: nn.Module, arrays: dict[str, Tensor], name: str, parts: tuple[str, str] = ("weight", "bias")
) -> None:
    module.weight.copy_(arrays[f"{name}/{parts[0]}"])
    module.bias.copy_(arrays[f"{name}/{parts[1]}"])
