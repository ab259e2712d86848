"""Casting rays: lengths of an analytic shape, and those of the rasteriser on nested surfaces."""

from __future__ import annotations

import numpy as np
import pytest
from shapes import ball, camera, limb  # type: ignore[import-not-found]

from pipeline.knee.anatomy import Mesh
from pipeline.knee.errors import Problem
from pipeline.registry import build
from synthetic_data.render.cast import RayCaster


def test_chords_of_a_ball() -> None:
    """|chord| = 2 sqrt(r^2 - d^2) for a ray at distance d from the centre of a ball of radius r."""
    film = camera(60)
    mesh = ball(20_000, (40.0, 40.0, 40.0))
    (found,) = RayCaster().path_lengths([mesh], film)
    y, x = np.mgrid[0 : film.rows, 0 : film.columns]
    way = film.pixel(np.stack([x, y], -1).astype(float)) - film.source
    way /= np.linalg.norm(way, axis=-1, keepdims=True)
    d = np.linalg.norm(np.cross(way, film.source - mesh.vertices.mean(axis=0)), axis=-1)
    chord = 2 * np.sqrt(np.maximum(40.0**2 - d**2, 0))
    assert (d < 38).any()
    assert np.abs(found - chord)[d < 38].max() < 0.2  # facets of the ball
    assert not found[d > 40.1].any()


def test_agrees_with_the_rasteriser_on_nested_surfaces() -> None:
    film, meshes = camera(90, seed=3), limb(6_000, seed=3)
    cast = RayCaster().path_lengths(meshes, film)
    raster = build("renderer", "signed_depth", {}).path_lengths(meshes, film)
    assert raster.max() > 20
    apart = np.abs(cast - raster)
    assert np.sqrt((apart**2).mean()) < 1e-3
    assert (apart > 0.05).mean() < 1e-5


def test_an_open_surface_is_refused() -> None:
    mesh = ball(400, (40.0, 40.0, 40.0))
    with pytest.raises(Problem, match="not closed"):
        RayCaster().path_lengths([Mesh(mesh.vertices, mesh.faces[:-1])], camera(20))
