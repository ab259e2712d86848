"""One exposure: from path lengths to the detector's signal."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import asdict, dataclass
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.knee.compiled import compiled
from synthetic_data.physics.beam import Beam, beam, transmit
from synthetic_data.physics.channels import channelled
from synthetic_data.physics.materials import Insert, materials
from synthetic_data.physics.texture import BoneAxis, Cancellous, bone_fractions, mottled, streak

Map = NDArray[Any]

PHOTONS_PER_MM2_UGY = 30000.0
"""Quanta per mm2 and microgray of air kerma, RQA5 (IEC 62220-1; from memory)."""


class Normals(Protocol):
    """Where noise comes from: a generator, or what was drawn from one beforehand."""

    def standard_normal(self, size: Any, dtype: Any) -> Map:
        """float32 of mean 0 and standard deviation 1."""
        ...


@dataclass(frozen=True)
class Technique:
    """How the film is taken, and the fine structure of who is on it.

    Attributes:
        kvp, al_mm, cu_mm, csi_mm: tube voltage, filters, detector (`beam`).
        mm_per_px: pixel pitch at the detector, mm.
        dose_ugy: air kerma at the detector in the open beam, microgray.
        scatter: scattered to primary signal behind 120 mm of tissue (0 = none). Photons followed
            one by one through water (tests/physics/photons.py) give 0.7 to 1.7 on fields of 100
            to 300 mm right behind the limb, 0.1 to 0.8 behind a C-arm's air gap; a grid leaves a
            sixth to a third of it (from memory).
        scatter_mm: reach of the scatter at the detector, mm: 25 to 60 right behind the limb,
            70 to 150 behind an air gap, by the same count.
        blur_mm: standard deviation of the detector's and focal spot's blur, mm.
        glare: share of the signal spread widely (image intensifiers; 0 to 0.1).
        electronic: electronic noise, standard deviation in quanta per pixel.
        heel, heel_deg: relative drop of the open beam across 400 mm, and its direction.
        bone_fraction, canal_floor, trabeculae, mottle, subchondral, coarseness: see
            `texture.Cancellous`.
        cortical_mottle: standard deviation of the cortical path, relative.
        fat_streaks: see `texture.streak`.
        channels_mm: cortical bone missing in vascular channels (`channels.channelled`); 0 = none.
        motion_mm, motion_deg: how far the limb's shadow moved during the exposure, evenly, mm at
            the detector, and its direction on the film; 0 = not. Landmarks are those of the
            middle of the movement.
    """

    kvp: float = 65.0
    al_mm: float = 2.5
    cu_mm: float = 0.0
    csi_mm: float = 0.5
    mm_per_px: float = 0.3
    dose_ugy: float = 25.0
    scatter: float = 0.25
    scatter_mm: float = 40.0
    blur_mm: float = 0.12
    glare: float = 0.0
    electronic: float = 4.0
    heel: float = 0.1
    heel_deg: float = 90.0
    bone_fraction: float = 0.16
    canal_floor: float = 0.1
    trabeculae: float = 0.2
    mottle: float = 0.08
    subchondral: float = 0.4
    coarseness: float = 1.0
    cortical_mottle: float = 0.05
    fat_streaks: float = 0.05
    motion_mm: float = 0.0
    motion_deg: float = 0.0
    channels_mm: float = 0.0

    @classmethod
    def draw(cls, rng: np.random.Generator, style: str, mm_per_px: float) -> Technique:
        """Random settings of a style: `radiography`, `c_arm` or `scanned_film`."""
        c_arm = style == "c_arm"
        grid = rng.random() < 0.5
        return cls(
            kvp=float(rng.uniform(55, 80) if c_arm else rng.uniform(52, 75)),
            al_mm=float(rng.choice((2.5, 3.0, 3.5, 4.0))),
            cu_mm=float(rng.choice((0.0, 0.1, 0.2)) if c_arm else rng.choice((0.0, 0.0, 0.1))),
            mm_per_px=mm_per_px,
            dose_ugy=float(
                np.exp(
                    rng.uniform(np.log(0.3), np.log(6))
                    if c_arm
                    else rng.uniform(np.log(8), np.log(60))
                )
            ),
            scatter=float(
                (rng.uniform(0.04, 0.2) if grid else rng.uniform(0.12, 0.75))
                if c_arm
                else (rng.uniform(0.12, 0.4) if grid else rng.uniform(0.5, 1.4))
            ),
            scatter_mm=float(rng.uniform(70, 150) if c_arm else rng.uniform(25, 60)),
            blur_mm=float(rng.uniform(0.15, 0.5) if c_arm else rng.uniform(0.06, 0.25)),
            glare=float(rng.uniform(0, 0.1) if c_arm else 0.0),
            electronic=float(rng.uniform(1, 8)),
            heel=float(rng.uniform(0, 0.25)),
            heel_deg=float(rng.uniform(0, 360)),
            bone_fraction=float(rng.uniform(0.1, 0.28)),
            canal_floor=float(rng.uniform(0.15, 0.65)),
            trabeculae=float(rng.uniform(0.2, 0.7)),
            mottle=float(rng.uniform(0.02, 0.1)),
            subchondral=float(rng.uniform(0.0, 1.0)),
            coarseness=float(rng.uniform(0.5, 1.2)),
            cortical_mottle=float(rng.uniform(0.0, 0.05)),
            fat_streaks=float(rng.uniform(0.0, 0.09)),
            # A limb that moved is rare: exposures are short (common practice, no source).
            motion_mm=float(np.exp(rng.normal(-0.7, 0.6))) if rng.random() < 0.05 else 0.0,
            motion_deg=float(rng.uniform(0, 360)),
            channels_mm=float(rng.uniform(0.4, 1.4)) if rng.random() < 0.4 else 0.0,
        )

    def cancellous(self) -> Cancellous:
        """What fills the marrow surfaces."""
        return Cancellous(
            self.bone_fraction,
            self.canal_floor,
            self.trabeculae,
            self.mottle,
            self.subchondral,
            self.coarseness,
        )

    def facts(self) -> dict[str, float]:
        """Plain values for the record."""
        return {name: float(value) for name, value in asdict(self).items()}


def expose(
    paths: Mapping[str, Map],
    technique: Technique,
    rng: np.random.Generator,
    *,
    inserts: Mapping[str, Insert] | None = None,
    axes: Mapping[str, BoneAxis] | None = None,
    quanta: Normals | None = None,
    pool: Executor | None = None,
) -> Map:
    """The detector's signal behind everything in `paths`.

    Args:
        paths: surface name to its (rows, columns) float32 mm from the renderer: `skin`,
            `muscle`, `<bone>`, `<bone>_marrow`, inserts (`materials.materials`).
        technique: settings; `technique.mm_per_px` must be the film's own pitch.
        rng: texture and noise.
        inserts: what maps that are not tissue are made of.
        axes: from `texture.bone_axes`: direction of the trabeculae, and where the medullary
            canal begins. Without them texture has a random direction and there is no canal.
        quanta: noise alone, where the same texture is wanted on several films; `rng` by default.
        pool: threads for what can be done side by side; the film is the same.

    Returns:
        (rows, columns) float32, 1 = mean open beam, noise included, always above 0.
    """
    axes = dict(axes or {})
    per_px = technique.mm_per_px * 0.85
    tissue = {name: path for name, path in paths.items() if name not in (inserts or {})}
    fractions = bone_fractions(tissue, axes, rng, technique.cancellous(), per_px, pool)
    through = materials(paths, inserts, fractions)
    along = next((axis.along for axis in axes.values()), np.zeros(2))
    if technique.cortical_mottle > 0:
        mottled(through["cortical"], along, rng, technique.cortical_mottle, per_px)
    if technique.channels_mm > 0:
        channelled(through["cortical"], through["marrow"], tissue, axes, rng, technique.channels_mm)
    if technique.fat_streaks > 0 and "muscle" in through:
        fat = through.setdefault("adipose", np.zeros_like(through["muscle"]))
        streak(through["muscle"], fat, along, rng, technique.fat_streaks, per_px)
    # Whole kilovolts, so that beams are fused once and kept.
    used = beam(round(technique.kvp), round(technique.al_mm, 1), technique.cu_mm, technique.csi_mm)
    primary = transmit(through, used)
    if technique.heel:
        primary *= heel(primary.shape, technique)
    body = sum(
        path
        for name, path in through.items()
        if name in ("cortical", "marrow", "muscle", "adipose")
    )
    noise = rng if quanta is None else quanta
    return detect(primary, np.asarray(body, dtype=np.float32), technique, used, noise)


def heel(shape: tuple[int, int], technique: Technique) -> Map:
    """(rows, columns) of the open beam, mean 1, falling along `heel_deg`."""
    angle = np.deg2rad(technique.heel_deg)
    per_px = technique.heel * technique.mm_per_px / 400.0
    x = (np.arange(shape[1]) - (shape[1] - 1) / 2) * (np.cos(angle) * per_px)
    y = (np.arange(shape[0]) - (shape[0] - 1) / 2) * (np.sin(angle) * per_px)
    return (1.0 - y[:, None] - x[None, :]).astype(np.float32)


def moved(picture: Map, length_px: float, angle_deg: float) -> Map:
    """`picture` averaged along a line of that length through each pixel, so nothing shifts."""
    reach = int(np.ceil(length_px / 2)) + 1
    angle = np.deg2rad(angle_deg)
    t = (np.arange(257) / 256 - 0.5) * length_px
    x, y = t * np.cos(angle) + reach, t * np.sin(angle) + reach
    i, j = np.floor(x).astype(int), np.floor(y).astype(int)
    u, v = x - i, y - j
    line = np.zeros((2 * reach + 2, 2 * reach + 2))
    for dy, dx, share in (
        (0, 0, (1 - u) * (1 - v)),
        (0, 1, u * (1 - v)),
        (1, 0, (1 - u) * v),
        (1, 1, u * v),
    ):
        np.add.at(line, (j + dy, i + dx), share)
    line = line[:-1, :-1] / line.sum()
    return cv2.filter2D(picture, cv2.CV_32F, line, borderType=cv2.BORDER_REFLECT)


def scattered(primary: Map, body_mm: Map, technique: Technique) -> Map:
    """Scatter to be added: broad, worked out on a coarse grid.

    Each place sends out primary signal x thickness / 120 mm x `scatter`, spread by a mixture of
    two Gaussians (`scatter_mm` and 2.5 times that).
    """
    step = max(1, round(4.0 / technique.mm_per_px))
    rows, columns = primary.shape
    size = (max(1, columns // step), max(1, rows // step))
    source = cv2.resize(primary, size, interpolation=cv2.INTER_AREA)
    source = source * cv2.resize(body_mm, size, interpolation=cv2.INTER_AREA)
    source *= technique.scatter / 120.0
    sigma = technique.scatter_mm / (technique.mm_per_px * step)
    near = cv2.GaussianBlur(source, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    far = cv2.GaussianBlur(source, (0, 0), 2.5 * sigma, borderType=cv2.BORDER_REFLECT)
    return cv2.resize(0.6 * near + 0.4 * far, (columns, rows), interpolation=cv2.INTER_LINEAR)


@compiled
def _counted(primary, scatter, per_signal, noise):  # type: ignore[no-untyped-def]
    """Turns standard normal `noise` into a signal with the noise of quanta, in place."""
    for row in range(noise.shape[0]):
        for column in range(noise.shape[1]):
            signal = primary[row, column] + scatter[row, column]
            noise[row, column] = signal + noise[row, column] * np.sqrt(signal * per_signal)


def detect(primary: Map, body_mm: Map, technique: Technique, used: Beam, rng: Normals) -> Map:
    """Scatter, quantum noise, blur and electronic noise on top of the primary signal.

    Quanta are counted before the blur, as in a scintillator, so their noise is correlated. The
    variance of an energy-integrating signal is its mean times `Beam.excess`.
    """
    if technique.motion_mm > 0:
        primary = moved(primary, technique.motion_mm / technique.mm_per_px, technique.motion_deg)
    scatter: Map = np.broadcast_to(np.float32(0), primary.shape)
    if technique.scatter > 0:
        scatter = scattered(primary, body_mm, technique)
    quanta = technique.dose_ugy * PHOTONS_PER_MM2_UGY * technique.mm_per_px**2
    signal: Map = rng.standard_normal(primary.shape, dtype=np.float32)
    _counted(primary, scatter, np.float32(used.excess / quanta), signal)
    sigma = technique.blur_mm / technique.mm_per_px
    if sigma > 0.15:
        signal = cv2.GaussianBlur(signal, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    if technique.glare > 0:
        step = max(1, round(4.0 / technique.mm_per_px))
        size = (max(1, signal.shape[1] // step), max(1, signal.shape[0] // step))
        wide = cv2.resize(signal, size, interpolation=cv2.INTER_AREA)
        wide = cv2.GaussianBlur(
            wide, (0, 0), 60.0 / (technique.mm_per_px * step), borderType=cv2.BORDER_REFLECT
        )
        wide = cv2.resize(wide, signal.shape[::-1], interpolation=cv2.INTER_LINEAR)
        signal = (1 - technique.glare) * signal + technique.glare * wide
    # Left out where it would add less than a hundredth to the variance.
    if technique.electronic**2 > 0.01 * quanta * float(signal[::9, ::9].min()):
        signal = signal + np.float32(technique.electronic / quanta) * rng.standard_normal(
            signal.shape, dtype=np.float32
        )
    np.maximum(signal, np.float32(0.25 / quanta), out=signal)
    return signal
