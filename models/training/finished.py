"""A finished ear read back, so that a fit can go on from it: its 8-bit matrices become weights again.

What only training needs (the teacher's echo) is left as it is born.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper

from models.training.net import Ear, NetShape


def net_of(folder: Path) -> Ear:
    """The network of a model folder, text encoder and all. Raises ValueError if it is of another recipe."""
    net = Ear(NetShape(**json.loads((folder / "ear.json").read_text())["shape"]))
    stored = _stored(folder / "ear.onnx")
    state = {name.removeprefix("net."): values for name, values in stored.items() if name.startswith("net.")}
    state |= {f"{name}.weight": matrix for name, matrix in zip(_matrix_names(net), _matrices(stored), strict=True)}
    state |= _text_encoder(_stored(folder / "text.onnx"))
    missing, unknown = net.load_state_dict({n: torch.from_numpy(np.array(v)) for n, v in state.items()}, strict=False)
    if unknown or any(not name.startswith("echo.") for name in missing):
        raise ValueError(f"{folder}: not the network of this recipe: missing {missing}, unknown {unknown}")
    return net


def _stored(path: Path) -> dict[str, np.ndarray]:
    return {i.name: numpy_helper.to_array(i) for i in onnx.load(str(path)).graph.initializer}


def _text_encoder(stored: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Its weights under their names in the network. The file keeps a GRU's gates in the order update, reset, new;
    torch keeps them reset, update, new.
    """
    state = {name: values for name, values in stored.items() if name.startswith("text.")}
    bias, inputs, hidden = (stored[name] for name in sorted(n for n in stored if "GRU" in n))
    for way, suffix in enumerate(("", "_reverse")):
        state[f"text.gru.weight_ih_l0{suffix}"] = _gates(inputs[way])
        state[f"text.gru.weight_hh_l0{suffix}"] = _gates(hidden[way])
        from_input, from_hidden = np.split(bias[way], 2)
        state[f"text.gru.bias_ih_l0{suffix}"] = _gates(from_input)
        state[f"text.gru.bias_hh_l0{suffix}"] = _gates(from_hidden)
    return state


def _gates(values: np.ndarray) -> np.ndarray:
    update, reset, new = np.split(values, 3)
    return np.concatenate([reset, update, new])


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
