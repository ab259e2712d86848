"""From nested surfaces to tissues: what each ray passes through, in mm of each material."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.compiled import compiled
from pipeline.knee.errors import Problem

Map = NDArray[Any]

BONE_FRACTION = 0.25
"""Share of mineralised bone by volume in cancellous bone near the joint, the rest marrow: 20 to
30 %, common practice, no source."""


@dataclass(frozen=True)
class Insert:
    """A solid that is not tissue: hardware, cement, an instrument.

    Attributes:
        material: a name of `beam.materials_known()`.
        within: the surface it lies in and displaces (`skin`, `muscle`, a bone's name or
            `<bone>_marrow`), or None outside the body. What it displaces beyond that surface's
            own tissue along a ray is taken from the next surface outward.
    """

    material: str
    within: str | None = "muscle"


def materials(
    paths: Mapping[str, Map],
    inserts: Mapping[str, Insert] | None = None,
    bone_fraction: Mapping[str, Map | float] | None = None,
) -> dict[str, Map]:
    """Tissues by nested subtraction.

    Args:
        paths: surface name to its (rows, columns) path lengths, mm: `skin`, `muscle`, bones by
            any name, `<bone>_marrow` for the inside of a bone, and the inserts' names. `skin`,
            `muscle` and every marrow may be absent (an absent marrow: solid cortical bone).
        inserts: what the maps that are not tissue are made of.
        bone_fraction: bone's name to the share of mineralised bone inside its marrow surface,
            one number or one per pixel; `BONE_FRACTION` where none is given.

    Returns:
        `adipose` (skin outside muscle), `muscle` (outside bones), `cortical` (bone outside its
        marrow, and the mineral share of the marrow), `marrow` (the rest of it), and every
        insert's material: (rows, columns) mm, none below 0. Raises `Problem` for a marrow
        without its bone or an insert within nothing known.
    """
    inserts = dict(inserts or {})
    fraction = dict(bone_fraction or {})
    tissue = {name: path for name, path in paths.items() if name not in inserts}
    bones = [n for n in tissue if n not in ("skin", "muscle") and not n.endswith("_marrow")]
    marrows = {n for n in tissue if n.endswith("_marrow")}
    orphans = marrows - {f"{bone}_marrow" for bone in bones}
    if orphans:
        raise Problem(", ".join(sorted(orphans)), "marrow without its bone", "give both surfaces")
    if not tissue:
        raise Problem("film", "no surface to look through", "give at least one tissue or bone")
    shape = next(iter(tissue.values())).shape

    taken = _displaced(paths, inserts, tissue)
    out: dict[str, Map] = {
        "cortical": np.zeros(shape, np.float32),
        "marrow": np.zeros(shape, np.float32),
    }
    in_muscle = np.zeros(shape, np.float32)
    nothing = np.broadcast_to(np.float32(0), shape)
    for bone in bones:
        if taken.keys().isdisjoint((bone, f"{bone}_marrow")):
            even = np.asarray(fraction.get(bone, BONE_FRACTION), np.float32)
            whole = tissue[bone], tissue.get(f"{bone}_marrow", nothing)
            _add_bone(*whole, np.broadcast_to(even, shape), *out.values(), in_muscle)
            continue
        window = _window(tissue[bone])
        outer = tissue[bone][window]
        in_muscle[window] += outer
        inner = np.zeros_like(outer)
        if f"{bone}_marrow" in tissue:
            inner = np.minimum(tissue[f"{bone}_marrow"][window], outer)
        shell = outer - inner
        inner, lacking = _less(inner, taken.get(f"{bone}_marrow"), window)
        shell, lacking = _less(shell, taken.get(bone), window, lacking)
        if lacking is not None:
            taken["muscle"] = taken.get("muscle", np.zeros(shape, np.float32))
            taken["muscle"][window] += lacking
        share = fraction.get(bone, BONE_FRACTION)
        mineral = inner * (share[window] if isinstance(share, np.ndarray) else np.float32(share))
        out["cortical"][window] += shell + mineral
        out["marrow"][window] += inner - mineral
    if "muscle" in tissue:
        muscle, lacking = _rest(tissue["muscle"], in_muscle, taken.get("muscle"))
        out["muscle"] = muscle
        if lacking is not None:
            taken["skin"] = taken.get("skin", np.zeros(shape, np.float32)) + lacking
    if "skin" in tissue:
        inside = tissue.get("muscle", in_muscle)
        out["adipose"], _ = _rest(tissue["skin"], inside, taken.get("skin"))
    for name, insert in inserts.items():
        if name in paths:
            out[insert.material] = out.get(insert.material, np.float32(0)) + paths[name]
    return out


@compiled
def _add_bone(outer, inner, share, cortical, marrow, in_muscle):  # type: ignore[no-untyped-def]
    """One bone of which nothing is displaced, added to the three maps."""
    for row in range(outer.shape[0]):
        for column in range(outer.shape[1]):
            whole = outer[row, column]
            if whole == np.float32(0.0):
                continue
            inside = min(inner[row, column], whole)
            shell = max(whole - inside, np.float32(0.0))
            inside = max(inside, np.float32(0.0))
            mineral = inside * share[row, column]
            in_muscle[row, column] += whole
            cortical[row, column] += shell + mineral
            marrow[row, column] += inside - mineral


@compiled
def _outside(whole, inside, out):  # type: ignore[no-untyped-def]
    for row in range(whole.shape[0]):
        for column in range(whole.shape[1]):
            left = whole[row, column] - inside[row, column]
            out[row, column] = max(left, np.float32(0.0))


def _rest(whole: Map, inside: Map, taken: Map | None) -> tuple[Map, Map | None]:
    """`whole` less what lies in it and what is taken, and what there was not enough for."""
    if taken is not None:
        return _less(whole - inside, taken, ...)
    out = np.empty(whole.shape, np.float32)
    _outside(whole, inside, out)
    return out, None


def _displaced(
    paths: Mapping[str, Map], inserts: Mapping[str, Insert], tissue: Mapping[str, Map]
) -> dict[str, Map]:
    """Surface name to the mm that inserts take from it."""
    taken: dict[str, Map] = {}
    for name, insert in inserts.items():
        if name not in paths or insert.within is None:
            continue
        if insert.within not in tissue:
            raise Problem(
                name, f"lies within {insert.within}, which is not there", "name a surface given"
            )
        taken[insert.within] = taken.get(insert.within, np.float32(0)) + paths[name]
    return taken


def _less(
    path: Map, taken: Map | None, window: Any, more: Map | None = None
) -> tuple[Map, Map | None]:
    """`path` less what is taken (not below 0), and what there was not enough for."""
    if taken is None and more is None:
        return np.maximum(path, 0), None
    wanted = path - (0 if taken is None else taken[window]) - (0 if more is None else more)
    return np.maximum(wanted, 0), np.maximum(-wanted, 0)


def _window(path: Map) -> tuple[slice, slice]:
    """The smallest rectangle that holds everything above 0."""
    rows = np.flatnonzero(path.any(axis=1))
    columns = np.flatnonzero(path.any(axis=0))
    if len(rows) == 0:
        return slice(0, 0), slice(0, 0)
    return slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
