"""Saving and loading without pickles: tensors as safetensors, everything else as JSON inside."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save_file
from torch import Tensor

from pipeline.knee.errors import Problem
from pipeline.readers.files import cannot_open

FACTS = "facts"


def save(path: Path, tensors: dict[str, Tensor], facts: dict[str, Any]) -> None:
    """Writes a file in one step: a killed run leaves the old file or the new one, whole."""
    held = {name: value.detach().contiguous().cpu() for name, value in tensors.items()}
    beside = path.with_name(path.name + ".part")
    save_file(held, beside, metadata={FACTS: json.dumps(facts, sort_keys=True)})
    with beside.open("rb+") as handle:
        os.fsync(handle.fileno())
    beside.chmod(0o644)  # the library writes files that only their owner can read
    os.replace(beside, path)


def load(path: Path) -> tuple[dict[str, Tensor], dict[str, Any]]:
    """Tensors (on the CPU) and facts. Raises `Problem` where the file is not a checkpoint."""
    try:
        with safe_open(path, framework="pt") as handle:
            facts = json.loads((handle.metadata() or {})[FACTS])
            return {name: handle.get_tensor(name) for name in handle.keys()}, facts  # noqa: SIM118
    except OSError as error:
        raise cannot_open(path, error) from None
    except (SafetensorError, KeyError, ValueError) as error:
        raise Problem(
            str(path),
            "is no checkpoint of this program, or damaged",
            "train again or choose another",
        ) from error


def part(tensors: dict[str, Tensor], prefix: str) -> dict[str, Tensor]:
    """Those whose name begins with `prefix.`, without it."""
    start = prefix + "."
    return {name[len(start) :]: v for name, v in tensors.items() if name.startswith(start)}


def optimizer_tensors(optimizer: torch.optim.Optimizer) -> dict[str, Tensor]:
    """The optimizer's running state as named tensors, parameters counted through the groups."""
    state = optimizer.state_dict()["state"]
    return {
        f"optimizer.{index}.{name}": torch.as_tensor(value)
        for index, values in state.items()
        for name, value in values.items()
    }


def restore_optimizer(optimizer: torch.optim.Optimizer, tensors: dict[str, Tensor]) -> None:
    """Undoes `optimizer_tensors`."""
    state: dict[int, dict[str, Tensor]] = {}
    for name, value in part(tensors, "optimizer").items():
        index, field = name.split(".", 1)
        state.setdefault(int(index), {})[field] = value
    whole = optimizer.state_dict()
    whole["state"] = state
    optimizer.load_state_dict(whole)
    for group in optimizer.param_groups:
        for parameter in group["params"]:
            held = optimizer.state[parameter]
            for name, value in held.items():
                if value.shape == parameter.shape:
                    # fused steps on a GPU want the parameter's own strides (channels last)
                    held[name] = torch.empty_like(parameter).copy_(value)
