"""From a fitted network to the files that ship: a streaming step, a text encoder, rivals."""

from __future__ import annotations

import argparse
import hashlib
import json
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import torch
from onnxruntime.quantization import QuantType, quantize_dynamic
from torch import Tensor, nn

from listener.speech.network import shipped_model
from listener.speech.pronounce import PHONE_INDEX, Pronunciation
from models.training.data import transcribe
from models.training.finished import net_of
from models.training.net import Ear, NetShape
from models.training.texts import lexicon

OPSET = 17


class _Step(nn.Module):
    def __init__(self, net: Ear) -> None:
        super().__init__()
        self.net = net

    def forward(self, features: Tensor, position: Tensor, known: Tensor, keys: Tensor, values: Tensor) -> Any:
        return self.net.step(features, position, known, keys, values)


class _Whole(nn.Module):
    def __init__(self, net: Ear) -> None:
        super().__init__()
        self.net = net

    def forward(self, features: Tensor) -> Any:
        return self.net.hear(features)


class _Text(nn.Module):
    def __init__(self, net: Ear) -> None:
        super().__init__()
        self.text = net.text

    def forward(self, phones: Tensor) -> Tensor:
        return self.text(phones)


def load_net(state: dict) -> Ear:
    """The network of fitted weights (their slow average)."""
    net = Ear(NetShape(**state["shape"]))
    net.load_state_dict(state["average"])
    return net.float().eval()


def mixed(net: Ear, other: Ear, share: float) -> Ear:
    """Weight by weight, a share (0 to 1) of a network, the rest of another of the same shape: a fit that went on from
    the other keeps so what it won, and most of what it would have forgotten (Wortsman et al. 2022, robust fine-tuning)."""
    old = other.state_dict()
    blend = {name: share * w + (1 - share) * old[name].to(w.dtype) for name, w in net.state_dict().items()}
    net.load_state_dict(blend)
    return net.eval()


def export_step(net: Ear, path: Path) -> None:
    """Write the streaming step; weights of the transformer's matrices in 8-bit integers."""
    shape = net.shape
    cache = torch.zeros(shape.layers, 1, shape.heads, shape.left, shape.width // shape.heads)
    args = (torch.zeros(1, 2 * shape.chunk + 3, shape.inputs), torch.tensor([0]), torch.tensor([0]), cache, cache)
    plain = path.with_suffix(".float.onnx")
    torch.onnx.export(
        _Step(net), args, str(plain), opset_version=OPSET, dynamo=False,
        input_names=["features", "position", "known", "keys", "values"],
        output_names=["phones", "words", "keys_out", "values_out"],
    )  # fmt: skip
    _in_8_bits(plain, path)


def export_whole(net: Ear, path: Path) -> None:
    """Write the network that hears some seconds whole: feature rows (1, 2 n + 3, 160) -> n frames."""
    plain = path.with_suffix(".float.onnx")
    torch.onnx.export(
        _Whole(net), (torch.zeros(1, 2 * 300 + 3, net.shape.inputs),), str(plain), opset_version=OPSET, dynamo=False,
        input_names=["features"], output_names=["phones", "words"], dynamic_axes={"features": {1: "rows"}},
    )  # fmt: skip
    _in_8_bits(plain, path)


def _in_8_bits(plain: Path, path: Path) -> None:
    quantize_dynamic(
        str(plain), str(path), weight_type=QuantType.QInt8, per_channel=True, reduce_range=False,
        op_types_to_quantize=["MatMul", "Gemm"],
    )
    plain.unlink()


def export_text(net: Ear, path: Path) -> None:
    """Write the text encoder: phones (1, n) -> word (1, query)."""
    torch.onnx.export(
        _Text(net), (torch.tensor([[1, 2, 3]]),), str(path), opset_version=OPSET, dynamo=False,
        input_names=["phones"], output_names=["word"], dynamic_axes={"phones": {1: "n"}},
    )  # fmt: skip


@torch.no_grad()
def export_rivals(net: Ear, words: list[Pronunciation], path: Path) -> None:
    """Embed the rival words and write them in half precision."""
    unique = sorted(set(words), key=lambda word: (len(word), word))
    rows = []
    for _, same_length in groupby(unique, key=len):
        rows.append(net.text(torch.tensor([[PHONE_INDEX[p] for p in word] for word in same_length])).numpy())
    embedded = np.concatenate(rows).astype(np.float16)
    np.savez_compressed(path, phones=[" ".join(w) for w in unique], embedded=embedded)


def write_info(folder: Path, name: str, shape: NetShape, weights: dict, calibration: dict) -> None:
    """Write ear.json with the checksums of the files beside it."""
    files = ("ear.onnx", "text.onnx", "rivals.npz")
    data = {
        "name": name,
        "shape": shape.as_dict(),
        "weights": weights,
        "calibration": calibration,
        "sha256": {f: hashlib.sha256((folder / f).read_bytes()).hexdigest() for f in files},
    }
    (folder / "ear.json").write_text(json.dumps(data, indent=2, allow_nan=False) + "\n")


def main() -> None:
    """Write a model folder from fitted weights; score weights and calibration start as those of --like."""
    parser = argparse.ArgumentParser(prog="python -m models.training.export", description=main.__doc__)
    parser.add_argument("--fit", type=Path, required=True, help="ear.pt that the fit wrote")
    parser.add_argument("--corpus", type=Path, required=True, help="its folder, for the list of common words")
    parser.add_argument("--like", type=Path, default=shipped_model(), help="model folder (default: the listener's own)")
    parser.add_argument("--share", type=float, default=1.0, help="below 1: of the fit; the rest of --like, weight by weight")
    whole = "of a fit with --whole: what hears a call's seconds again; --like is then the ear it is for"
    parser.add_argument("--whole", action="store_true", help=whole)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    if not 0 < args.share <= 1:
        parser.error(f"--share {args.share:g}: give more than 0, at most 1")
    args.out.mkdir(parents=True, exist_ok=True)
    known = json.loads((args.like / "ear.json").read_text())
    state = torch.load(args.fit, map_location="cpu", weights_only=True)
    net = load_net(state)
    if args.share < 1:
        net = mixed(net, net_of(args.like), args.share)
    (export_whole if args.whole else export_step)(net, args.out / "ear.onnx")
    export_text(net, args.out / "text.onnx")
    rivals = [said[0] for said in map(transcribe, lexicon(args.corpus)) if said]
    export_rivals(net, rivals, args.out / "rivals.npz")
    write_info(args.out, args.out.name, net.shape, known["weights"], known["calibration"])


if __name__ == "__main__":
    main()
