"""Pictures that are no AP or lateral knee film, from open data in packages: what must be refused.

Radiographs, CT, MR, ultrasound, bone scans and test patterns of pydicom and pydicom-data (MIT),
photographs and micrographs of scikit-image and scikit-learn (BSD). Each also in windows, because a
part of a picture may look like a bone where the whole does not. Packages that are absent are
passed over; `missing` names them.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom

from pipeline.knee.film import Film, HeaderHints
from pipeline.readers.raster import RasterReader

FOLDERS = {
    "pydicom": ("data",),
    "data_store": ("data",),  # of the distribution pydicom-data
    "skimage": ("data",),
    "sklearn": ("datasets/images",),
}
LEAST = 96
"""Pixels of the shorter side below which a picture is no trial."""


def missing() -> list[str]:
    """Packages of this set that are not installed."""
    return [name for name in FOLDERS if importlib.util.find_spec(name) is None]


def _files() -> Iterator[Path]:
    for package, folders in FOLDERS.items():
        spec = importlib.util.find_spec(package)
        if spec is None or spec.origin is None:
            continue
        for folder in folders:
            for path in sorted((Path(spec.origin).parent / folder).rglob("*")):
                if path.is_file() and path.suffix.lower() not in (".py", ".json", ".md", ".txt"):
                    yield path


def _opened(path: Path) -> Film | None:
    """The picture in `path`, however little its file looks like a film's; None: not one."""
    try:
        if RasterReader().accepts(path):
            return next(iter(RasterReader().read(path)), None)
        file = pydicom.dcmread(path, force=True)
        pixels = np.asarray(file.pixel_array, dtype=np.float32)
    except Exception:  # a file that nobody can open is no trial, whatever the reason
        return None
    colour = int(file.get("SamplesPerPixel", 1)) > 1
    if int(file.get("NumberOfFrames", 1) or 1) > 1:
        pixels = pixels[len(pixels) // 2]
    if colour and pixels.ndim == 3:
        pixels = pixels.mean(axis=2)
    if pixels.ndim != 2 or np.ptp(pixels) <= 0:
        return None
    low, high = np.percentile(pixels, (0.2, 99.8))
    grey = np.clip((pixels - low) / max(float(high - low), 1e-6), 0, 1).astype(np.float32)
    return Film(
        1 - grey if file.get("PhotometricInterpretation") == "MONOCHROME1" else grey, "", ""
    )


def whole() -> Iterator[Film]:
    """Every different picture once, its header forgotten: the picture must do."""
    seen: list[np.ndarray] = []
    for path in _files():
        film = _opened(path)
        if film is None or min(film.pixels.shape) < LEAST or np.ptp(film.pixels) < 1e-3:
            continue
        rows = np.linspace(0, film.rows - 1, 24).astype(int)
        columns = np.linspace(0, film.columns - 1, 24).astype(int)
        thumb = film.pixels[np.ix_(rows, columns)]
        if any(np.abs(thumb - other).mean() < 0.02 for other in seen):
            continue  # the same picture in another encoding
        seen.append(thumb)
        yield replace(film, header=HeaderHints(), source=path.name)


def windows(film: Film, count: int, rng: np.random.Generator) -> Iterator[Film]:
    """Random upright windows, 3:4 to 4:3, of 25 to 80 % of the picture's sides."""
    for number in range(count):
        share = rng.uniform(0.25, 0.8) * np.sqrt([rng.uniform(0.75, 1.33), 1.0])
        size = np.minimum(np.maximum(share, 0.2), 1.0) * film.pixels.shape
        rows, columns = np.maximum(size.astype(int), 64)
        y = int(rng.integers(0, max(film.rows - rows, 0) + 1))
        x = int(rng.integers(0, max(film.columns - columns, 0) + 1))
        part = np.ascontiguousarray(film.pixels[y : y + rows, x : x + columns])
        yield replace(film, pixels=part, source=f"{film.source} window {number}")
