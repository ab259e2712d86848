"""Generated knees against published tables, men and women.

Every row is measured on the finished surfaces; nothing is read back from what the generator
drew, except the tendon's length. The allowances stand beside the published figures
(`synthetic_data/anatomy/published.py`) and are printed in docs/reference/anatomy.md.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.knee.anatomy import Mesh
from synthetic_data.anatomy.measures import _condyle_radius, wall
from synthetic_data.anatomy.published import CORRELATIONS, PUBLISHED, population

COUNT = 100


@pytest.fixture(scope="module")
def knees():
    return population(COUNT)


@pytest.mark.parametrize("sex", ["male", "female"])
@pytest.mark.parametrize("name", list(PUBLISHED))
def test_means_are_the_published_ones(knees, name, sex):
    row = PUBLISHED[name]
    mean, sd = row.male if sex == "male" else row.female
    found = knees[sex][name]
    assert np.isfinite(found).mean() > 0.97
    allowed = 3 * max(sd, np.nanstd(found)) / np.sqrt(COUNT) + row.allowed
    assert np.nanmean(found) == pytest.approx(mean, abs=allowed), row.source


@pytest.mark.parametrize("sex", ["male", "female"])
@pytest.mark.parametrize("name", list(PUBLISHED))
def test_spreads_are_at_least_of_the_published_size(knees, name, sex):
    row = PUBLISHED[name]
    sd = (row.male if sex == "male" else row.female)[1]
    low, high = row.spread
    # An SD of so many knees is itself known to about 7 %.
    assert 0.85 * low * sd < np.nanstd(knees[sex][name]) < 1.15 * high * sd


@pytest.mark.parametrize("row", CORRELATIONS, ids=lambda row: f"{row.one}-{row.other}")
def test_measures_go_together_as_published(knees, row):
    one, other = (
        np.concatenate([knees[sex][name] for sex in ("male", "female")])
        for name in (row.one, row.other)
    )
    assert np.corrcoef(one, other)[0, 1] == pytest.approx(row.r, abs=row.allowed + 0.03)


def test_women_are_smaller_by_one_factor(knees):
    """About 0.88 to 0.90 in the tables the rows are from (computed from their means)."""
    for name in ("femur_width", "femur_depth", "plateau_width", "plateau_depth", "patella_width"):
        ratio = np.nanmean(knees["female"][name]) / np.nanmean(knees["male"][name])
        assert 0.86 < ratio < 0.94, name


def test_a_wall_and_a_radius_are_measured_right_on_known_bodies():
    outer = trimesh.creation.cylinder(radius=15.0, height=100.0, sections=256)
    inner = trimesh.creation.cylinder(radius=11.0, height=100.0, sections=256)
    meshes = [Mesh(np.asarray(m.vertices), np.asarray(m.faces, np.int32)) for m in (outer, inner)]
    assert wall(*meshes, np.array([0.0, 0.0, 1.0]), 12.0) == pytest.approx(4.0, abs=0.01)
    ball = trimesh.creation.icosphere(subdivisions=4, radius=20.0)
    mesh = Mesh(np.asarray(ball.vertices), np.asarray(ball.faces, np.int32))
    found = _condyle_radius(mesh, 0.5, -20.0, mesh.vertices)
    assert found == pytest.approx(20.0, abs=0.1)
