"""Several GPUs on one fit, a process each. In a run with one process all this does nothing."""

from __future__ import annotations

import os
import subprocess
import sys

import torch
import torch.distributed as dist
from torch import nn
from torch.nn.utils import parameters_to_vector, vector_to_parameters


def launch(processes: int, port: int = 29511) -> int:
    """Run this very command once for each GPU and wait. Returns 0 if all went well; if one fails, the others are stopped."""
    usual = {**os.environ, "WORLD_SIZE": str(processes), "MASTER_ADDR": "127.0.0.1", "MASTER_PORT": str(port)}
    command = [sys.executable, "-m", "models.training", *sys.argv[1:]]
    started = [subprocess.Popen(command, env={**usual, "RANK": str(n), "LOCAL_RANK": str(n)}) for n in range(processes)]
    try:
        while codes := [code for process in started if (code := _ended(process)) is None or code]:
            if any(codes):
                return 1
        return 0
    finally:
        for process in started:
            process.terminate()


def launched() -> bool:
    """Is this one of several processes already?"""
    return "WORLD_SIZE" in os.environ


def _ended(process: subprocess.Popen) -> int | None:
    try:
        return process.wait(0.2)
    except subprocess.TimeoutExpired:
        return None


def join() -> torch.device:
    """Meet the other processes of this run, if there are any. Returns the device of this one."""
    if launched():
        dist.init_process_group("nccl" if torch.cuda.is_available() else "gloo")
    if not torch.cuda.is_available():
        return torch.device("cpu")
    device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", 0)))
    torch.cuda.set_device(device)
    return device


def rank() -> int:
    """0 for the first process, which alone saves."""
    return dist.get_rank() if dist.is_initialized() else 0


def count() -> int:
    """How many processes fit together; 1 without others."""
    return dist.get_world_size() if dist.is_initialized() else 1


def agreed(value: float, device: torch.device) -> float:
    """The first process's value, in all of them."""
    if not dist.is_initialized():
        return value
    shared = torch.tensor([value], dtype=torch.float64, device=device)
    dist.broadcast(shared, src=0)
    return float(shared)


def average_gradients(net: nn.Module) -> None:
    """Every gradient becomes its mean over the processes. All of them must have gradients for the same parameters."""
    if not dist.is_initialized():
        return
    gradients = [p.grad for p in net.parameters() if p.grad is not None]
    together = parameters_to_vector(gradients)
    dist.all_reduce(together)
    vector_to_parameters(together / dist.get_world_size(), gradients)
