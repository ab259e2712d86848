"""Reading the shape model: nothing but numbers gets in, and the numbers mean what we say."""

from __future__ import annotations

import json
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.knee.errors import Problem
from synthetic_data.anatomy.shape_data import (
    ELEMENTS,
    NODES,
    basis,
    load_arrays,
    node_positions,
    package_file,
    read_shape_model,
    read_topology,
)

MEANS = {
    "femur": "femur_left_mean_rigid_LLP26.geof",
    "patella": "patella_left_mean_rigid_LLP26.geof",
    "tibia": "tibia_fibula_cubic_left_mean_rigid_LLP26.geof",
}


class Nasty:
    def __reduce__(self) -> tuple[object, tuple[str]]:
        return (print, ("this must never run",))


@pytest.mark.parametrize(
    "value",
    [{"a": Nasty()}, {"a": np.random.default_rng}, {"a": json.loads}, {"a": pytest.approx}],
)
def test_the_unpickler_refuses_every_name_that_is_not_an_array(value, capsys):
    with pytest.raises(pickle.UnpicklingError, match="not part of a numpy array"):
        load_arrays(pickle.dumps(value))
    assert capsys.readouterr().out == ""


def test_the_unpickler_reads_arrays_and_refuses_other_top_levels():
    there = {"mean": np.arange(6.0), "sizes": None}
    assert np.array_equal(load_arrays(pickle.dumps(there))["mean"], there["mean"])
    with pytest.raises(pickle.UnpicklingError, match="dictionary"):
        load_arrays(pickle.dumps([1, 2]))


def test_a_missing_file_is_a_problem_in_plain_words():
    with pytest.raises(Problem, match=r"shape_models/none\.pc is missing"):
        package_file("shape_models", "none.pc")


@pytest.mark.parametrize("bone", sorted(MEANS))
def test_x_y_and_z_are_taken_apart_as_in_the_packages_own_mean_meshes(bone):
    fields = json.loads(package_file("atlas_meshes", MEANS[bone]).read_text())["field_parameters"]
    own = np.array([[float(fields[n][f"dim {k}"]) for k in range(3)] for n in sorted(fields)])
    left = np.stack([-own[:, 1], own[:, 2], own[:, 0]], axis=1)
    assert len(own) == NODES[bone]
    assert np.abs(read_shape_model().mean[bone] - left).max() < 1e-9


def test_scores_of_the_training_people_have_unit_spread():
    subjects = read_shape_model().subjects
    assert subjects.shape == (26, 25)
    assert np.allclose(subjects.std(axis=0, ddof=1), 1, atol=0.01)


@pytest.mark.parametrize("kind", sorted(ELEMENTS))
def test_a_basis_is_one_at_its_own_node_and_zero_at_the_others(kind):
    at = node_positions(kind)
    assert np.allclose(basis(kind, at), np.eye(len(at)), atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    kind=st.sampled_from(sorted(ELEMENTS)),
    u=st.floats(0, 1),
    v=st.floats(0, 1),
    seed=st.integers(0, 999),
)
def test_a_basis_reproduces_polynomials_of_its_degree(kind, u, v, seed):
    shape, p, q = ELEMENTS[kind]
    if shape == "triangle" and u + v > 1:
        u, v = 1 - u, 1 - v
    c = np.random.default_rng(seed).normal(size=(p + 1, q + 1))
    if shape == "triangle":
        c = np.array([[c[i, j] if i + j <= p else 0 for j in range(q + 1)] for i in range(p + 1)])
    at = node_positions(kind)
    values = np.polynomial.polynomial.polyval2d(at[:, 0], at[:, 1], c)
    wanted = np.polynomial.polynomial.polyval2d(u, v, c)
    assert basis(kind, np.array([[u, v]])) @ values == pytest.approx(wanted, abs=1e-8)


@pytest.mark.parametrize("bone", sorted(MEANS))
def test_shared_edges_have_the_same_nodes(bone):
    """Each edge of a patch belongs to exactly two patches, with the same nodes along it."""
    top = read_topology(bone)
    edges: dict[frozenset[int], int] = {}
    for kind, nodes in zip(top.kinds, top.nodes, strict=True):
        at = node_positions(kind)
        sides = [at[:, 0] == 0, at[:, 1] == 0]
        sides += (
            [at[:, 0] == 1, at[:, 1] == 1]
            if ELEMENTS[kind][0] == "quad"
            else [np.isclose(at.sum(axis=1), 1)]
        )
        for side in sides:
            key = frozenset(int(n) for n in nodes[side])
            edges[key] = edges.get(key, 0) + 1
    assert set(edges.values()) == {2}
