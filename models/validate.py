"""Measuring the networks on films held apart, beside what predicting the mean gives."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.channels import ANGLE_SCALE, ANGLES, CHANNELS, CHANNELS_OF, FOUND, SWAPPED, VIEWS
from models.geometry import EXTENT
from models.keypoints import KeypointOutput, MapNet, covariance_of
from models.locator import STRIDE, LocatorGraph, LocatorNet
from models.replay import Ring, crop_batch, film_batch

SDR_MM = (2.0, 2.5, 3.0, 4.0)


@dataclass
class MeanShape:
    """Running means over training crops: the shape every reading starts from, and the baseline.

    `places` (52, 2) in W from the femur's origin with the shaft up; `angles` (2, 3) degrees.
    """

    place_sum: NDArray[np.float64] = field(default_factory=lambda: np.zeros((len(CHANNELS), 2)))
    place_count: NDArray[np.float64] = field(default_factory=lambda: np.zeros(len(CHANNELS)))
    angle_sum: NDArray[np.float64] = field(default_factory=lambda: np.zeros((2, 3)))
    angle_count: NDArray[np.float64] = field(default_factory=lambda: np.zeros(2))

    def add(self, crops: NDArray[np.void]) -> None:
        """Takes records of crops (`samples.crop_record`) into account."""
        posed = crops["posed"] > 0
        known = crops["known"][posed]
        self.place_sum += (crops["canonical"][posed] * known[..., None]).sum(axis=0)
        self.place_count += known.sum(axis=0)
        view = crops["view"][posed]
        np.add.at(self.angle_sum, view, crops["angles"][posed])
        np.add.at(self.angle_count, view, 1)

    @property
    def places(self) -> NDArray[np.float64]:
        return self.place_sum / np.maximum(self.place_count, 1)[:, None]

    @property
    def angles(self) -> NDArray[np.float64]:
        return self.angle_sum / np.maximum(self.angle_count, 1)[:, None]

    def to_facts(self) -> dict[str, Any]:
        return {name: getattr(self, name).tolist() for name in self.__dataclass_fields__}

    @classmethod
    def from_facts(cls, facts: dict[str, Any]) -> MeanShape:
        return cls(**{name: np.array(value) for name, value in facts.items()})


@dataclass(frozen=True)
class Read:
    """The keypoint network's answers on N crops, names put right by its own word; numpy."""

    xy: NDArray[np.float64]
    covariance: NDArray[np.float64]
    angles: NDArray[np.float64]
    angle_sd: NDArray[np.float64]
    swapped: NDArray[np.float64]
    view: NDArray[np.float64]
    flipped: NDArray[np.float64]
    seen: NDArray[np.float64]
    found: NDArray[np.float64]


def right_names(out: KeypointOutput, lateral: Tensor) -> Read:
    """Exchanges medial and lateral on laterals where the network holds that for likelier."""
    exchange = (out.swapped > 0) & lateral
    order = torch.as_tensor(SWAPPED, device=out.xy.device)
    covariance = covariance_of(out.spread)
    which = lateral.long()[:, None, None].expand(-1, 1, 3)
    sign = torch.tensor([-1.0, -1.0, 1.0], device=out.xy.device)
    angles = torch.gather(out.angles, 1, which)[:, 0]
    held = {
        "xy": torch.where(exchange[:, None, None], out.xy[:, order], out.xy),
        "covariance": torch.where(exchange[:, None, None, None], covariance[:, order], covariance),
        "angles": torch.where(exchange[:, None], angles * sign, angles) * ANGLE_SCALE,
        "angle_sd": torch.gather(out.angle_spread, 1, which)[:, 0].exp() * ANGLE_SCALE,
        "swapped": torch.sigmoid(-out.swapped.abs()),
        "view": torch.softmax(out.view, dim=-1),
        "flipped": torch.sigmoid(out.flipped),
        "seen": torch.sigmoid(out.seen),
        "found": torch.sigmoid(out.found),
    }
    return Read(**{name: value.double().cpu().numpy() for name, value in held.items()})


def _chunks(ring: Ring, size: int) -> list[dict[str, Tensor]]:
    stored = ring.all()
    return [
        {name: value[k : k + size] for name, value in stored.items()}
        for k in range(0, ring.count, size)
    ]


@torch.no_grad()
def validate_keypoints(net: MapNet, ring: Ring, mean: MeanShape) -> dict[str, Any]:
    """Errors per view in mm at the knee and degrees, the mean's beside; calibration factors."""
    crop = net.shape.crop
    reads, truths = [], []
    for stored in _chunks(ring, 64):
        batch = crop_batch(stored, crop, None)
        out = net(batch["picture"].contiguous(memory_format=torch.channels_last))
        reads.append(right_names(out, batch["view"] == VIEWS.index("lateral")))
        truths.append({k: v.double().cpu().numpy() for k, v in batch.items() if k != "picture"})
    read = {
        name: np.concatenate([getattr(r, name) for r in reads]) for name in Read.__annotations__
    }
    truth = {name: np.concatenate([t[name] for t in truths]) for name in truths[0]}
    result: dict[str, Any] = {
        "view_right": float((read["view"].argmax(1) == truth["view"]).mean()),
        "crops": len(truth["view"]),
        "found": {
            name: _told(read["found"][:, k], truth["found"][:, k] > 0)
            for k, name in enumerate(FOUND)
        },
    }
    baseline = mean.places * (crop / EXTENT) + (crop - 1) / 2
    for name, channels in CHANNELS_OF.items():
        rows = (truth["view"] == VIEWS.index(name)) & (truth["posed"] > 0)
        if rows.any():
            one = {key: value[rows] for key, value in truth.items()}
            found = {key: value[rows] for key, value in read.items()}
            result[name] = _one_view(found, one, channels, baseline, mean.angles, crop)
    return result


def _told(probability: NDArray[np.float64], there: NDArray[np.bool_]) -> dict[str, Any]:
    """Number of knees that have it, and how many with and without it are told right."""
    said = probability > 0.5
    return {
        "knees": int(there.sum()),
        "sensitivity": float(said[there].mean()) if there.any() else None,
        "specificity": float(1.0 - said[~there].mean()) if not there.all() else None,
    }


def _sd_factors(square: NDArray[np.float64], use: NDArray[np.bool_]) -> list[float]:
    """One per landmark, from squared Mahalanobis distances (N, K): what makes half of the errors
    fall within the median of a true Gaussian; drawn towards that of all where samples are few."""
    median = 2.0 * np.log(2.0)
    whole = np.log(np.median(square[use]) / median)
    factors = []
    for k in range(square.shape[1]):
        own = square[use[:, k], k]
        weight = len(own) / (len(own) + 10.0)
        ratio = np.log(np.median(own) / median) if len(own) else whole
        factors.append(float(np.exp(0.5 * (weight * ratio + (1.0 - weight) * whole))))
    return factors


def _one_view(
    read: dict[str, NDArray[Any]],
    truth: dict[str, NDArray[Any]],
    channels: slice,
    baseline: NDArray[np.float64],
    mean_angles: NDArray[np.float64],
    crop: int,
) -> dict[str, Any]:
    xy = truth["xy"][:, channels]
    inside = ((xy > -0.5) & (xy < crop - 0.5)).all(axis=-1)
    use = (truth["known"][:, channels] > 0) & (truth["seen"][:, channels] > 0) & inside
    error = read["xy"][:, channels] - xy
    mm = truth["mm_per_px"][:, None]
    radial = np.linalg.norm(error, axis=-1) * mm
    normal = truth["normal"][:, channels]
    contour = use & (np.linalg.norm(normal, axis=-1) > 0.5)
    along = np.abs((error * normal).sum(axis=-1)) * mm
    against = np.linalg.norm(baseline[channels] - xy, axis=-1) * mm
    square = np.einsum(
        "nki,nkij,nkj->nk", error, np.linalg.inv(read["covariance"][:, channels]), error
    )
    degrees = read["angles"] - truth["angles"]
    z = np.abs(degrees) / read["angle_sd"]
    view = int(truth["view"][0])
    seen = truth["seen"][:, channels] * inside
    names = CHANNELS[channels]
    if not use.any():
        return {}
    return {
        "films": len(xy),
        "mre_mm": float(radial[use].mean()),
        "median_mm": float(np.median(radial[use])),
        "normal_mm": float(along[contour].mean()) if contour.any() else None,
        "mean_shape_mre_mm": float(against[use].mean()),
        "sdr": {f"{t:g}": float((radial[use] <= t).mean()) for t in SDR_MM},
        "by_landmark_mm": {
            n: float(radial[:, k][use[:, k]].mean()) for k, n in enumerate(names) if use[:, k].any()
        },
        "angle_mae_deg": dict(zip(ANGLES, np.abs(degrees).mean(axis=0).tolist(), strict=True)),
        "angle_p95_deg": dict(
            zip(ANGLES, np.percentile(np.abs(degrees), 95, axis=0).tolist(), strict=True)
        ),
        "mean_angle_mae_deg": dict(
            zip(
                ANGLES,
                np.abs(truth["angles"] - mean_angles[view]).mean(axis=0).tolist(),
                strict=True,
            )
        ),
        "seen_right": float(((read["seen"][:, channels] > 0.5) == (seen > 0.5)).mean()),
        "sd_factors": _sd_factors(square, use),
        # makes half of the errors fall within the median of a true Gaussian
        "angle_sd_factor": dict(zip(ANGLES, (np.median(z, axis=0) / 0.6745).tolist(), strict=True)),
    }


@torch.no_grad()
def validate_locator(net: LocatorNet, ring: Ring, threshold: float = 0.3) -> dict[str, Any]:
    """How many knees are found (strongest peak within W / 2), and how well they are described."""
    graph = LocatorGraph(net)
    knees = found = right_view = right_side = silent = empty = 0
    centre: list[float] = []
    turn: list[float] = []
    size: list[float] = []
    for stored in _chunks(ring, 64):
        batch = film_batch(stored, None)
        heat, at, width, up, view, side = (v.cpu().numpy() for v in graph(batch["picture"]))
        for k, truth in enumerate(batch["knees"].cpu().numpy()):
            real = truth[truth[:, 7] > 0]
            if not len(real):
                empty += 1
                silent += bool(heat[k].max() < threshold)
            for knee in real:
                knees += 1
                # the strongest cell within half a W of the truth
                cells = np.arange(heat.shape[-1])
                px = (cells + 0.5) * STRIDE - 0.5
                far = (
                    np.hypot(px[None, :] - knee[0], px[:, None] - knee[1]) > 0.5 * knee[2] + STRIDE
                )
                near = np.where(far, -1.0, heat[k])
                i, j = np.unravel_index(int(near.argmax()), near.shape)
                if near[i, j] < threshold:
                    continue
                found += 1
                centre.append(float(np.hypot(*(at[k, :, i, j] - knee[:2])) / knee[2]))
                size.append(float(abs(np.log(width[k, i, j] / knee[2]))))
                cosine = float(np.clip(up[k, :, i, j] @ knee[3:5], -1, 1))
                turn.append(float(np.degrees(np.arccos(cosine))))
                right_view += int(view[k, :, i, j].argmax() == knee[5])
                right_side += int((side[k, i, j] > 0.5) == (knee[6] > 0.5))
    share = max(found, 1)
    return {
        "knees": knees,
        "found": found / max(knees, 1),
        "silent_on_empty": silent / empty if empty else None,
        "centre_in_w": float(np.mean(centre)) if centre else None,
        "size_log": float(np.mean(size)) if size else None,
        "turn_deg": float(np.mean(turn)) if turn else None,
        "view_right": right_view / share,
        "lateral_to_right": right_side / share,
    }
