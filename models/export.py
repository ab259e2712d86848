"""From a checkpoint to what ships: ONNX for reading, safetensors for going on, a model card."""

from __future__ import annotations

import datetime
import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from torch import nn

from models import checkpoint
from models.backbone_net import keypoint_net
from models.card import write_card
from models.channels import ANGLE_SCALE, CHANNELS, FOUND, VIEWS
from models.keypoints import KeypointGraph, KeypointShape
from models.locator import LocatorGraph, LocatorNet, LocatorShape
from models.validate import MeanShape
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import View, names_of

LIMIT_MB = 20.0
OPSET = 18
NETS = ("keypoints", "locator")
VIEW_NAMES: tuple[View, ...] = ("AP", "lateral")


def export(
    source: Path,
    weights: Path,
    *,
    name: str,
    code_version: str,
    data_version: str,
    evaluation: Path | None = None,
) -> dict[str, Any]:
    """Writes both networks under `weights` and returns the facts stored with them.

    Args:
        source: checkpoint.safetensors of a training run.
        weights: folder for keypoints.onnx, locator.onnx, keypoints.safetensors,
            locator.safetensors and MODEL_CARD.md.
        name: what these weights are called.
        code_version, data_version: of the code that trained and the films it trained on.
        evaluation: JSON of figures to print in the card, where there is one.

    Raises `Problem` where the files would be larger than `LIMIT_MB` together.
    """
    tensors, run = checkpoint.load(source)
    weights.mkdir(parents=True, exist_ok=True)
    facts = facts_of(run, name, code_version, data_version)
    for key in NETS:
        half = {
            k: v.half() if v.is_floating_point() else v
            for k, v in checkpoint.part(tensors, f"average_{key}").items()
        }
        checkpoint.save(weights / f"{key}.safetensors", half, facts)
    finish(weights, evaluation)
    return facts


def finish(weights: Path, evaluation: Path | None = None) -> None:
    """Makes the ONNX files and the card from the safetensors in `weights`, over any old ones."""
    facts: dict[str, Any] = {}
    for key in NETS:
        net, facts = load_net(weights, key)
        path = weights / f"{key}.onnx"
        if key == "keypoints":
            to_onnx(KeypointGraph(net, ANGLE_SCALE), net.shape.crop, path, facts)
        else:
            to_onnx(LocatorGraph(net), net.shape.picture, path, facts)
    figures = json.loads(evaluation.read_text()) if evaluation else None
    write_card(weights / "MODEL_CARD.md", facts, figures)
    total = sum(path.stat().st_size for path in weights.iterdir()) / 1e6
    if total > LIMIT_MB:
        raise Problem(
            str(weights), f"holds {total:.1f} MB, more than {LIMIT_MB:g}", "train a smaller network"
        )


def load_net(weights: Path, key: str) -> tuple[Any, dict[str, Any]]:
    """The network `keypoints` or `locator` of a folder of weights, and the facts beside it."""
    tensors, facts = checkpoint.load(weights / f"{key}.safetensors")
    shape = facts["options"][key]
    net: Any = (
        keypoint_net(KeypointShape(**shape))
        if key == "keypoints"
        else LocatorNet(LocatorShape(**shape))
    )
    held = {k: v.float() if v.is_floating_point() else v for k, v in tensors.items()}
    for name, fresh in net.state_dict().items():
        # weights from before the network looked for implants: the new rows start afresh
        if name.startswith("crop_head.2.") and len(held[name]) < len(fresh):
            held[name] = torch.cat([held[name], fresh[len(held[name]) :]])
    net.load_state_dict(held)
    net.eval()
    return net, facts


def facts_of(
    run: dict[str, Any], name: str, code_version: str, data_version: str
) -> dict[str, Any]:
    """What reading needs to know about the weights, and where they come from; plain values."""
    validation = run["validation"] or {}
    points = validation.get("keypoints", {})
    factors: dict[str, Any] = {}
    for view in VIEW_NAMES:
        row = points.get(view) or {}
        factors[view] = {
            "landmarks": [_sane(v) for v in row.get("sd_factors", ())]
            or [1.0] * len(names_of(view)),
            "angles": [_sane(v) for v in row.get("angle_sd_factor", {}).values()] or [1.0] * 3,
        }
    return {
        "name": name,
        "trained": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "code_version": code_version,
        "data_version": data_version,
        "options": run["options"],
        "steps": run["step"],
        "films": run["films_made"],
        "seconds": run["seconds"],
        "channels": list(CHANNELS),
        "views": list(VIEWS),
        "found": list(FOUND),
        "mean_places": MeanShape.from_facts(run["mean_shape"]).places.tolist(),
        "sd_factors": factors,
        "validation": validation,
    }


def _sane(factor: float) -> float:
    """A calibration factor; a handful of films must not make an sd vanish or explode."""
    return float(np.clip(factor, 0.5, 3.0)) if np.isfinite(factor) else 1.0


def to_onnx(graph: nn.Module, size: int, path: Path, facts: dict[str, Any]) -> None:
    """One self-contained file, batch of any size, input `picture` (N, 1, size, size) 0..1.

    Large arrays are kept in 16 bits, as weights have a limit of size; the arithmetic stays in 32.
    """
    graph.eval()
    example = torch.rand(2, 1, size, size)
    names = list(graph.names)  # type: ignore[arg-type]
    with warnings.catch_warnings(), torch.no_grad():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            graph,
            (example,),
            str(path),
            input_names=["picture"],
            output_names=names,
            dynamic_axes={key: {0: "batch"} for key in ["picture", *names]},
            opset_version=OPSET,
            dynamo=False,
        )
    model = onnx.load(str(path))
    _halve(model)
    onnx.checker.check_model(model)
    entry = model.metadata_props.add()
    entry.key, entry.value = checkpoint.FACTS, json.dumps(facts, sort_keys=True)
    onnx.save(model, str(path))


def _halve(model: onnx.ModelProto) -> None:
    """Keeps large arrays of floats in 16 bits, each followed by a cast back."""
    for array in [a for a in model.graph.initializer if a.data_type == onnx.TensorProto.FLOAT]:
        values = onnx.numpy_helper.to_array(array)
        if values.size < 1024:
            continue
        name = array.name
        small = onnx.numpy_helper.from_array(values.astype(np.float16), f"{name}.half")
        model.graph.initializer.remove(array)
        model.graph.initializer.append(small)
        cast = onnx.helper.make_node("Cast", [small.name], [name], to=onnx.TensorProto.FLOAT)
        model.graph.node.insert(0, cast)
