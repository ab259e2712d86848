"""Several GPUs on one run: one process each, started by `torchrun`, gradients averaged.

Every process makes films of its own. The first measures, saves and tells; the others follow its
clock, so that all stop after the same step.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence

import torch
from torch import Tensor
from torch import distributed as dist


class Ranks:
    """The processes of a run; alone where `torchrun` did not start this one."""

    def __init__(self) -> None:
        self.world = int(os.environ.get("WORLD_SIZE", "1"))
        self.rank = int(os.environ.get("RANK", "0"))
        self.local = int(os.environ.get("LOCAL_RANK", "0"))
        if self.world > 1 and not dist.is_initialized():
            dist.init_process_group("nccl" if torch.cuda.is_available() else "gloo")

    @property
    def first(self) -> bool:
        return self.rank == 0

    def close(self) -> None:
        """Ends the group, where there is one."""
        if self.world > 1 and dist.is_initialized():
            dist.destroy_process_group()

    def share(self, tensors: Iterable[Tensor]) -> None:
        """Everyone takes the first's values, in place."""
        if self.world > 1:
            for tensor in tensors:
                dist.broadcast(tensor, 0)

    def told(self, value: float, device: torch.device) -> float:
        """The first's number."""
        if self.world == 1:
            return value
        held = torch.tensor([value], dtype=torch.float64, device=device)
        dist.broadcast(held, 0)
        return float(held)

    def average(self, parameters: Sequence[torch.nn.Parameter]) -> None:
        """Gradients become their mean over all processes, in one message."""
        if self.world == 1:
            return
        gradients = [p.grad for p in parameters if p.grad is not None]
        flat = torch.cat([g.flatten() for g in gradients])
        dist.all_reduce(flat)
        flat /= self.world
        start = 0
        for g in gradients:
            g.copy_(flat[start : start + g.numel()].view_as(g))
            start += g.numel()
