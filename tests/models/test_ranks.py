"""Several processes on one run take the same steps."""

from __future__ import annotations

import multiprocessing
import os
from multiprocessing.connection import Connection

import numpy as np
import pytest

torch = pytest.importorskip("torch")


def _one(rank: int, pipe: Connection) -> None:
    os.environ.update(RANK=str(rank), WORLD_SIZE="2", LOCAL_RANK=str(rank), MASTER_ADDR="127.0.0.1")
    os.environ["MASTER_PORT"] = str(pipe.recv())
    os.environ["CUDA_VISIBLE_DEVICES"] = ""
    torch.set_num_threads(1)
    from models.ranks import Ranks

    ranks = Ranks()
    torch.manual_seed(rank)
    net = torch.nn.Linear(3, 2)
    ranks.share(net.parameters())
    data = torch.arange(12.0).reshape(4, 3)[2 * rank : 2 * rank + 2]
    (net(data) ** 2).mean().backward()
    ranks.average(list(net.parameters()))
    pipe.send(
        (
            [p.detach().numpy() for p in net.parameters()],
            [p.grad.numpy() for p in net.parameters() if p.grad is not None],
            ranks.told(10.0 + rank, torch.device("cpu")),
        )
    )
    ranks.close()


def test_two_processes_agree_and_average_what_they_saw() -> None:
    import socket

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    context = multiprocessing.get_context("spawn")
    pipes, processes = [], []
    for rank in range(2):
        near, far = context.Pipe()
        process = context.Process(target=_one, args=(rank, far), daemon=True)
        process.start()
        near.send(port)
        pipes.append(near)
        processes.append(process)
    answers = []
    for near in pipes:
        assert near.poll(90), "a process did not answer"
        answers.append(near.recv())
    for process in processes:
        process.join(20)
    (values, gradients, told), (others, other_gradients, other_told) = answers
    assert told == other_told == 10.0
    for a, b in zip(values + gradients, others + other_gradients, strict=True):
        np.testing.assert_array_equal(a, b)
    # the mean over both halves is the gradient of the whole
    net = torch.nn.Linear(3, 2)
    with torch.no_grad():
        for parameter, value in zip(net.parameters(), values, strict=True):
            parameter.copy_(torch.from_numpy(value))
    (net(torch.arange(12.0).reshape(4, 3)) ** 2).mean().backward()
    for parameter, gradient in zip(net.parameters(), gradients, strict=True):
        np.testing.assert_allclose(parameter.grad, gradient, rtol=1e-5)


def test_alone_nothing_is_sent() -> None:
    from models.ranks import Ranks

    assert (Ranks().world, Ranks().told(3.0, torch.device("cpu"))) == (1, 3.0)
