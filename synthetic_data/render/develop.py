"""Packed scenes to pictures on a CUDA device, as tensors for a network in training.

Path lengths and the primary signal by the CUDA kernels (`raster.cu`, `compose.cu`); detector and
film formation here, in torch: the steps of `physics.exposure.detect` and
`film_formation.formation.form` that a part of a film can have. Left to the CPU's films: the other
limb, marks, cables, dust and scratches, equalisation, JPEG, distortion.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from synthetic_data.physics.exposure import PHOTONS_PER_MM2_UGY
from synthetic_data.physics.texture import tile
from synthetic_data.render.cuda import THREADS, cupy, kernels
from synthetic_data.scenes import BLURS, GIVEN, PATTERN_KINDS, joined

SOURCE = Path(__file__).parent / "compose.cu"
CELLS = 80
"""Scatter and glare are worked out on so many cells a side."""

SAMPLE = 7
"""Every how many pixels the window is measured."""

BINOMIAL = (1.0, 4.0, 6.0, 4.0, 1.0)


@lru_cache(maxsize=1)
def _compose() -> Any:
    return cupy().RawModule(code=SOURCE.read_text()).get_function("compose")


@lru_cache(maxsize=1)
def pattern_stack() -> NDArray[np.float32]:
    """(kinds x blurs, TILE, TILE) float32 in the order that `scenes` numbers them."""
    return np.stack([tile(kind, step / 4) for kind in PATTERN_KINDS for step in range(BLURS)])


@dataclass
class CudaDeveloper:
    """Develops on one CUDA device; see `pipeline.contracts.Developer`.

    Attributes:
        device: e.g. `cuda:0`.
        seed: of the noise.
    """

    device: str = "cuda"
    seed: int = 0

    def __post_init__(self) -> None:
        cupy()
        self._device = torch.device(self.device)
        self._random = torch.Generator(self._device)
        self._random.manual_seed(self.seed)
        self._tiles: Tensor | None = None

    def develop(self, packed: Sequence[Mapping[str, NDArray[Any]]]) -> tuple[Tensor, Tensor]:
        batch = joined(packed)
        batch |= rows_with(batch)
        numbers = {
            name: torch.from_numpy(np.ascontiguousarray(value)).to(self._device, non_blocking=True)
            for name, value in batch.items()
            if name not in ("matrix", "frame", "handed", "pairs", "of_look")
        }
        primary, body = self._compose(batch, numbers)
        signal = detected(primary, body, numbers, self._random)
        return shown(signal, numbers, self._random)

    def _compose(
        self, batch: Mapping[str, NDArray[Any]], numbers: Mapping[str, Tensor]
    ) -> tuple[Tensor, Tensor]:
        """Primary signal and mm of tissue, (looks, size, size) each."""
        xp = cupy()
        size = int(batch["size"][0])
        pairs, of_look = batch["pairs"], batch["of_look"]
        looks = len(batch["given"])
        if self._tiles is None:
            self._tiles = torch.from_numpy(pattern_stack()).to(self._device)
        stream = torch.cuda.current_stream(self._device)
        with xp.cuda.Device(self._device.index or 0), xp.cuda.ExternalStream(stream.cuda_stream):
            vertices = xp.from_dlpack(numbers["vertices"].double())
            faces = xp.from_dlpack(numbers["faces"])
            spans = xp.asarray(pairs)
            matrices = xp.asarray(batch["matrix"][of_look])
            frames = xp.asarray(batch["frame"][of_look])
            handed = xp.asarray(batch["handed"][of_look])
            slots = int(pairs[-1, 2] + pairs[-1, 1])
            # torch's memory, so that one pool serves the films and the networks
            shape, on = (len(pairs), size, size), self._device
            total = xp.from_dlpack(torch.zeros(shape, dtype=torch.int32, device=on))
            paths = xp.from_dlpack(torch.empty(shape, device=on))
            seen = xp.from_dlpack(torch.empty((slots, 3), dtype=torch.float64, device=on))
            bad = xp.zeros(len(pairs), xp.int32)
            run, side, lanes = kernels(8), np.int32(size), 8

            def blocks(count: int) -> tuple[int, int]:
                return (-(-count // THREADS), len(pairs))

            run["project"](
                blocks(int(pairs[:, 1].max())), (THREADS,), (vertices, matrices, spans, seen, bad)
            )
            run["add_triangles"](
                blocks(int(pairs[:, 4].max()) * lanes),
                (THREADS,),
                (seen, faces, spans, handed, total, side, side),
            )
            run["lengths"](
                blocks(size * size), (THREADS,), (total, frames, paths, np.uintp(0), side, side)
            )
            primary = torch.empty((looks, size, size), device=self._device)
            body = torch.empty_like(primary)
            given = [numbers[name] for name in ("first", "codes", "grain", "patterns")]
            _compose()(
                (-(-size * size // THREADS), looks),
                (THREADS,),
                (
                    paths,
                    *(xp.from_dlpack(value) for value in given),
                    xp.from_dlpack(self._tiles),
                    xp.from_dlpack(numbers["nodes"]),
                    xp.from_dlpack(primary),
                    xp.from_dlpack(body),
                    np.int32(numbers["nodes"].shape[1]),
                    side,
                    side,
                ),
            )
        return primary, body


def rows_with(batch: Mapping[str, NDArray[Any]]) -> dict[str, Any]:
    """Films that have each shutter and a blur, found on the host so that nobody asks the device."""
    rows = {
        f"with_shutter_{k}": np.flatnonzero(batch["shutters"][:, k, 0] > 0.5)
        for k in range(batch["shutters"].shape[1])
    }
    rows["with_blur"] = np.flatnonzero(batch["given"][:, GIVEN.index("blur_px")] > 0)
    return rows


def _column(numbers: Mapping[str, Tensor], name: str) -> Tensor:
    """(looks, 1, 1) of one of `GIVEN`."""
    return numbers["given"][:, GIVEN.index(name), None, None]


def spread(coarse: Tensor, sigma: Tensor) -> Tensor:
    """(N, c, c) blurred by a Gaussian of (N, 1, 1) cells; what would leave at an edge stays."""
    at = torch.arange(coarse.shape[-1], device=coarse.device, dtype=coarse.dtype)
    weights = torch.exp(-0.5 * ((at[:, None] - at[None, :]) / sigma.clamp(min=0.05)) ** 2)
    weights = weights / weights.sum(dim=-1, keepdim=True)
    return weights @ coarse @ weights.transpose(1, 2)


def soft(picture: Tensor, sigma: Tensor) -> Tensor:
    """(N, h, w) blurred by (N, 1, 1) pixels, up to 1.4: two passes of three taps each way."""
    share = (sigma**2 / 4.0).clamp(max=0.5)
    for _ in range(2):
        for axis in (1, 2):
            length = picture.shape[axis]
            # differences between neighbours; what flows over an edge of the picture is nothing
            step = picture.narrow(axis, 1, length - 1) - picture.narrow(axis, 0, length - 1)
            step = step * share
            picture = picture.clone()
            picture.narrow(axis, 0, length - 1).add_(step)
            picture.narrow(axis, 1, length - 1).sub_(step)
    return picture


def detected(
    primary: Tensor, body: Tensor, numbers: Mapping[str, Tensor], random: torch.Generator
) -> Tensor:
    """`physics.exposure.detect` of (N, s, s): scatter, quanta, blur, glare, electronic noise."""

    def of(name: str) -> Tensor:
        return _column(numbers, name)

    size, pitch = primary.shape[-1], of("pitch")
    at = torch.arange(size, device=primary.device, dtype=primary.dtype) - (size - 1) / 2
    angle, steep = torch.deg2rad(of("heel_deg")), of("heel") * pitch / 400.0
    heel = 1.0 - at[None, :, None] * torch.sin(angle) * steep
    primary = primary * (heel - at[None, None, :] * torch.cos(angle) * steep)
    cell = pitch * size / CELLS

    def wide(coarse: Tensor) -> Tensor:
        return F.interpolate(
            coarse[:, None], size=(size, size), mode="bilinear", align_corners=False
        )[:, 0]

    def cells(picture: Tensor) -> Tensor:
        return F.adaptive_avg_pool2d(picture[:, None], CELLS)[:, 0]

    source = cells(primary) * cells(body) * of("scatter") / 120.0
    reach = of("scatter_mm") / cell
    signal = primary + wide(0.6 * spread(source, reach) + 0.4 * spread(source, 2.5 * reach))
    quanta = of("dose_ugy") * PHOTONS_PER_MM2_UGY * pitch**2

    def noise() -> Tensor:
        return torch.randn(signal.shape, device=signal.device, generator=random)

    signal = signal + noise() * torch.sqrt((signal * of("excess") / quanta).clamp(min=0.0))
    signal = soft(signal, of("blur_mm") / pitch)
    glare = of("glare")
    signal = signal + glare * (wide(spread(cells(signal), 60.0 / cell)) - signal)
    signal = signal + noise() * (of("electronic") / quanta)
    return torch.maximum(signal, 0.25 / quanta)


def film_places(numbers: Mapping[str, Tensor], size: int) -> tuple[Tensor, Tensor]:
    """x and y on the film, in its pixels, of every pixel: (N, s, s) each."""
    at = torch.arange(size, device=numbers["to_film"].device, dtype=torch.float32)
    m = numbers["to_film"][:, :, :, None, None]
    x = m[:, 0, 0] * at[None, None, :] + m[:, 0, 1] * at[None, :, None] + m[:, 0, 2]
    y = m[:, 1, 0] * at[None, None, :] + m[:, 1, 1] * at[None, :, None] + m[:, 1, 2]
    return x, y


def opening(shutter: Tensor, x: Tensor, y: Tensor, film: Tensor) -> Tensor:
    """(N, s, s), 1 inside a shutter (rows of `scenes._shutters`) and 0 outside."""
    columns, rows = film[:, 0, None, None], film[:, 1, None, None]
    small = torch.minimum(columns, rows)
    kind, cx, cy, hx, hy, turn, edge = (shutter[:, k, None, None] for k in range(7))
    dx, dy = x - cx * columns, y - cy * rows
    c, s = torch.cos(turn), torch.sin(turn)
    u, v = c * dx + s * dy, c * dy - s * dx
    straight = torch.minimum(hx * columns - u.abs(), hy * rows - v.abs())
    round_ = hx * small - torch.sqrt(dx * dx + dy * dy)
    depth = torch.where(kind < 1.5, round_, straight)
    inside = (depth / (2.0 * edge * small).clamp(min=1.0) + 0.5).clamp(0.0, 1.0)
    return torch.where(kind > 0.5, inside, torch.ones_like(inside))


def _openings(
    numbers: Mapping[str, Tensor], x: Tensor, y: Tensor
) -> tuple[list[Tensor], list[Tensor]]:
    """Shutters that any film has, and each one's opening on every film."""
    film, shutters, openings = numbers["film_size"], [], []
    for k in range(numbers["shutters"].shape[1]):
        shutter, rows = numbers["shutters"][:, k], numbers[f"with_shutter_{k}"]
        if not len(rows):
            continue
        inside = torch.ones_like(x)
        inside[rows] = opening(shutter[rows], x[rows], y[rows], film[rows])
        shutters.append(shutter)
        openings.append(inside)
    return shutters, openings


def quantiles(picture: Tensor, counted: Tensor, shares: Sequence[float]) -> list[Tensor]:
    """(N, 1, 1) quantiles of the pixels of (N, ...) that count; of all where hardly any does."""
    values, use = picture.flatten(1), counted.flatten(1)
    use = use | (use.sum(dim=1, keepdim=True) < 0.02 * values.shape[1])
    ordered = torch.where(use, values, torch.inf).sort(dim=1).values
    last = use.sum(dim=1, keepdim=True) - 1
    places = [(share * last).round().long() for share in shares]
    return [torch.gather(ordered, 1, place)[:, :, None] for place in places]


def smaller(picture: Tensor) -> Tensor:
    """(N, 1, h, w) to half the size, as `cv2.pyrDown`."""
    taps = torch.tensor(BINOMIAL, device=picture.device) / 16.0
    across = F.conv2d(
        F.pad(picture, (2, 2, 0, 0), mode="reflect"), taps[None, None, None], stride=(1, 2)
    )
    return F.conv2d(
        F.pad(across, (0, 0, 2, 2), mode="reflect"), taps[None, None, :, None], stride=(2, 1)
    )


def larger(picture: Tensor, size: tuple[int, int]) -> Tensor:
    """(N, 1, h, w) to twice the size (less one where asked), as `cv2.pyrUp` but at the edges."""
    for axis, length in ((2, size[0]), (3, size[1])):
        pads = (0, 0, 1, 1) if axis == 2 else (1, 1, 0, 0)
        wide, count = F.pad(picture, pads, mode="replicate"), picture.shape[axis]
        before, after = wide.narrow(axis, 0, count), wide.narrow(axis, 2, count)
        even = 0.75 * picture + 0.125 * (before + after)
        odd = 0.5 * (picture + after)
        both = torch.stack([even, odd], dim=axis + 1).flatten(axis, axis + 1)
        picture = both.narrow(axis, 0, length)
    return picture


def enhanced(picture: Tensor, gains: Tensor, base: Tensor) -> Tensor:
    """(N, s, s) with every scale multiplied by its (N, levels) gain, the coarsest by `base`."""
    details, coarse = [], picture[:, None]
    for _ in range(gains.shape[1]):
        below = smaller(coarse)
        details.append(coarse - larger(below, (coarse.shape[2], coarse.shape[3])))
        coarse = below
    middle = coarse.mean(dim=(1, 2, 3), keepdim=True)
    out = (coarse - middle) * base[:, None] + middle
    for level in range(len(details) - 1, -1, -1):
        detail = details[level]
        out = larger(out, (detail.shape[2], detail.shape[3]))
        out = out + gains[:, level, None, None, None] * detail
    return out[:, 0]


def curve(picture: Tensor, numbers: Mapping[str, Tensor], low: Tensor, high: Tensor) -> Tensor:
    """`film_formation.tone.curve` without its table."""

    def of(name: str) -> Tensor:
        return _column(numbers, name)

    t = ((picture - low) / (high - low).clamp(min=1e-6)).clamp(1e-6, 1.0) ** of("gamma")
    steep = torch.sigmoid(9.0 * (t - 0.5))
    ends = torch.sigmoid(torch.tensor([-4.5, 4.5], device=picture.device))
    steep = (steep - ends[0]) / (ends[1] - ends[0])
    mixed = t + of("sigmoid") * (steep - t)
    return of("dark") + (of("bright") - of("dark")) * mixed


def shown(
    signal: Tensor, numbers: Mapping[str, Tensor], random: torch.Generator
) -> tuple[Tensor, Tensor]:
    """`film_formation.formation.form` of (N, s, s): grey values, and what lies on the film."""

    def of(name: str) -> Tensor:
        return _column(numbers, name)

    x, y = film_places(numbers, signal.shape[-1])
    film = numbers["film_size"]
    columns, rows = film[:, 0, None, None], film[:, 1, None, None]
    inside = (x >= -0.5) & (x <= columns - 0.5) & (y >= -0.5) & (y <= rows - 0.5)
    thick = -torch.log(signal)
    exposed = inside
    shutters, openings = _openings(numbers, x, y)
    few = (slice(None), slice(None, None, SAMPLE), slice(None, None, SAMPLE))
    low, high = quantiles(thick[few], inside[few], (0.005, 0.993))
    for shutter, share in zip(shutters, openings, strict=True):
        metal = shutter[:, 7, None, None] < 0.5
        leak = shutter[:, 9, None, None]
        thick = torch.where(metal, thick - torch.log(share * (1.0 - leak) + leak + 1e-9), thick)
        exposed = exposed & (~metal | (share > 0.9))
    thick = torch.minimum(torch.maximum(thick, low - 0.5), low + 1.6 * (high - low))

    picture = enhanced(thick, numbers["gains"], of("base"))
    bottom, top = quantiles(picture[few], exposed[few], (0.005, 0.993))
    reach = (top - bottom).clamp(min=0.05)
    picture = curve(picture, numbers, bottom + of("low") * reach, bottom + of("high") * reach)
    ratio = of("film_pixel") / of("pitch")
    blurred = numbers["with_blur"]
    if len(blurred):
        spread_px = (of("blur_px") * ratio).clamp(max=1.4)
        picture[blurred] = soft(picture[blurred], spread_px[blurred])
    # noise of a film's pixel, seen in pixels of another size
    noise = torch.randn(picture.shape, device=picture.device, generator=random)
    picture = picture + of("noise") * ratio.clamp(max=2.0) * noise
    for shutter, share in zip(shutters, openings, strict=True):
        after = shutter[:, 7, None, None] > 0.5
        fill = shutter[:, 8, None, None]
        picture = torch.where(after, fill + (picture - fill) * share, picture)
    wide = of("border") * torch.minimum(columns, rows)
    sides = [numbers["sides"][:, k, None, None] * wide for k in range(4)]
    bordered = (y < sides[0]) | (x > columns - 1 - sides[1])
    bordered |= (y > rows - 1 - sides[2]) | (x < sides[3])
    picture = torch.where(bordered & (wide > 0), of("border_grey"), picture)
    steps = torch.exp2(of("bits")) - 1.0
    picture = torch.round(picture.clamp(0.0, 1.0) * steps) / steps
    return picture, inside
