"""What the file of a synthetic film says about it."""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.camera import Camera
from pipeline.knee.film import Film, HeaderHints, Scale
from synthetic_data.placement import Placement


def described(
    pixels: NDArray[np.float32],
    source: str,
    style: str,
    camera: Camera,
    *,
    view: str | None,
    side: str,
    body_part: str,
    sid_mm: float,
    sod_mm: float,
    central_ray: NDArray[np.float64] | None,
) -> Film:
    """The film as its file would describe it; a scanned one tells neither scale nor view.

    Args:
        pixels: (rows, columns) grey levels, 0 to 1.
        source: what stands for the name of the file.
        style: radiography, c_arm or scanned_film.
        camera: the beam and the pixels.
        view, side, body_part: as the header tells them; `view` None = it is silent.
        sid_mm, sod_mm: from the source to the detector and to the knee.
        central_ray: (2,) the pixel that it hits, x then y; None = not told.
    """
    pixels = np.ascontiguousarray(pixels, dtype=np.float32)
    digest = hashlib.sha256(np.round(pixels * 65535).astype("<u2").tobytes()).hexdigest()
    scale, header = Scale(), HeaderHints()
    if style != "scanned_film":
        at_detector = float(np.linalg.norm(camera.step_x))
        scale = Scale(
            at_detector, at_detector * sod_mm / sid_mm, "imager spacing and magnification"
        )
        header = HeaderHints(
            view=view,
            side=side,
            body_part=body_part,
            sid_mm=sid_mm,
            sod_mm=sod_mm,
            central_ray=None
            if central_ray is None
            else (float(central_ray[0]), float(central_ray[1])),
            c_arm=style == "c_arm",
        )
    return Film(pixels=pixels, source=source, sha256=digest, scale=scale, header=header)


def film_as_told(
    pixels: NDArray[np.float32],
    seed: int,
    style: str,
    view: str,
    side: str,
    placement: Placement,
    camera: Camera,
    central_ray: NDArray[np.float64],
    *,
    plain: bool,
) -> Film:
    """The film of a scenario's seed, described; `plain`: of one knee in a view that has a name."""
    return described(
        pixels,
        f"synthetic {style} film, seed {seed}",
        style,
        camera,
        view=view if plain else None,
        side=side,
        body_part="KNEE" if plain else "LEG",
        sid_mm=placement.sid,
        sod_mm=placement.sod,
        # The file of a cropped film does not tell where the ray falls.
        central_ray=central_ray if placement.knee_at is None else None,
    )
