"""Several processes on one fit take the same step."""

import os
import socket

from tests.parts import need_python

torch = need_python("torch", "the train extra")

from models.training import peers  # noqa: E402


def _free_port() -> int:
    with socket.socket() as some:
        some.bind(("127.0.0.1", 0))
        return some.getsockname()[1]


def _one(rank: int, port: int, told) -> None:
    os.environ |= {"RANK": str(rank), "WORLD_SIZE": "2", "MASTER_ADDR": "127.0.0.1", "MASTER_PORT": str(port)}
    device = peers.join()
    torch.manual_seed(1)
    net = torch.nn.Linear(2, 1)
    (net(torch.full((1, 2), float(rank + 1)))).sum().backward()
    peers.average_gradients(net)
    told.put((rank, peers.count(), net.weight.grad.tolist(), net.bias.grad.tolist(), peers.agreed(10.0 + rank, device)))


def test_gradients_are_the_mean_of_all_and_the_first_process_decides() -> None:
    context = torch.multiprocessing.get_context("spawn")
    told, port = context.Queue(), _free_port()
    started = [context.Process(target=_one, args=(rank, port, told)) for rank in range(2)]
    for process in started:
        process.start()
    said = sorted(told.get(timeout=120) for _ in started)
    for process in started:
        process.join(30)
    # d(w x + b)/dw = x: 1 and 2, so 1.5 in both; d/db = 1.
    assert said == [(rank, 2, [[1.5, 1.5]], [1.0], 10.0) for rank in range(2)]


def test_alone_nothing_changes() -> None:
    net = torch.nn.Linear(1, 1)
    net(torch.ones(1, 1)).sum().backward()
    peers.average_gradients(net)
    assert (peers.rank(), peers.count(), peers.agreed(3.0, torch.device("cpu"))) == (0, 1, 3.0)
    assert net.weight.grad.item() == 1.0
