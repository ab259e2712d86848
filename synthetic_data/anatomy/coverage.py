"""Does the space of generated knees contain knees it has never seen?

People are taken out of the shape model, the model is made again from those who are left, bones
are drawn from the generator built on it, and the people taken out are fitted with what those
bones span. What a fit leaves is what no draw could show. Likewise for whole modes of the model.

The span is that of principal components of the drawn bones; a fit asks for coefficients as
small as draws have (a normal prior), so it may not buy closeness with shapes that are never
drawn.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from synthetic_data.anatomy.geometry import unit, vertex_normals
from synthetic_data.anatomy.population import draw_person
from synthetic_data.anatomy.shape_data import read_shape_model
from synthetic_data.anatomy.shaping import SmoothField, shape_femur, shape_leg, shape_patella
from synthetic_data.anatomy.template import MODES, Bone, Template, template

Array = NDArray[np.float64]

BONES = ("femur", "tibia", "fibula", "patella")
NOISE_MM = 0.5
"""What a fit need not explain, per coordinate: about the scatter of surfaces cut from CT."""
REACH_MM = 120.0
"""Bone farther from the joint than this is left out: few films show more."""


@dataclass(frozen=True)
class Fit:
    """How near a bone that was kept apart can be brought.

    Attributes:
        distance: (N,) mm from each of its vertices to the fitted surface, along the normal.
        strength: root mean square of the coefficients, in standard deviations of drawn bones:
            about 1 for a bone as usual as a drawn one.
    """

    distance: Array
    strength: float

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.distance**2)))

    @property
    def p95(self) -> float:
        return float(np.quantile(np.abs(self.distance), 0.95))

    def within(self, mm: float) -> float:
        """Share of the surface nearer than `mm`."""
        return float(np.mean(np.abs(self.distance) < mm))


def people(bone: str) -> Array:
    """(26, N, 3) the shape model's own people, from all of their modes."""
    t, scores = template(), read_shape_model().subjects
    own: Bone = getattr(t, bone)
    count = own.modes.shape[2]
    return np.stack([own.shape(s[:count]) for s in scores])


def without_people(t: Template, apart: Iterable[int]) -> Template:
    """The template with a shape model made from the other people alone."""
    left = np.setdiff1d(np.arange(len(read_shape_model().subjects)), list(apart))
    shapes = {name: people(name)[left] for name in BONES}
    flat = np.concatenate([shapes[name].reshape(len(left), -1) for name in BONES], axis=1)
    mean = flat.mean(axis=0)
    _, spread, basis = np.linalg.svd(flat - mean, full_matrices=False)
    count = min(MODES, len(left) - 1)
    basis = basis[:count] * (spread[:count, None] / np.sqrt(len(left) - 1))
    bones: dict[str, Bone] = {}
    at = 0
    for name in BONES:
        own: Bone = getattr(t, name)
        size = own.mean.size
        modes = np.zeros(own.modes.shape)
        modes[:, :, :count] = basis[:, at : at + size].T.reshape(*own.mean.shape, count)
        bones[name] = replace(own, mean=mean[at : at + size].reshape(-1, 3), modes=modes)
        at += size
    return _with(t, bones)


def without_modes(t: Template, apart: Iterable[int]) -> Template:
    """The template with some modes of the shape model taken out."""
    out: dict[str, Bone] = {}
    for name in BONES:
        own: Bone = getattr(t, name)
        modes = own.modes.copy()
        modes[:, :, list(apart)] = 0.0
        out[name] = replace(own, modes=modes)
    return _with(t, out)


def _with(t: Template, bones: dict[str, Bone]) -> Template:
    return replace(
        t,
        femur=bones["femur"],
        tibia=bones["tibia"],
        fibula=bones["fibula"],
        patella=bones["patella"],
    )


def draw(t: Template, bone: str, count: int, rng: np.random.Generator, widened: bool) -> Array:
    """(count, N, 3) bones as the generator makes them on this template.

    Args:
        bone: femur, tibia or patella.
        widened: False gives the shape model's draws alone, without published sizes and smooth
            variation, for comparison.
    """
    out = []
    for _ in range(count):
        scores = np.clip(rng.normal(size=MODES), -2.5, 2.5)
        shape = getattr(t, bone).shape(scores)
        if not widened:
            frame = {"femur": t.femur_frame, "tibia": t.tibia_frame}.get(bone)
            out.append(shape - shape.mean(axis=0) if frame is None else frame(shape).local(shape))
            continue
        person, field = draw_person(rng), SmoothField(rng, 1.0)
        if bone == "femur":
            out.append(shape_femur(t, shape, person, field))
        elif bone == "tibia":
            out.append(shape_leg(t, shape, t.fibula.shape(scores), person, field)[0])
        else:
            out.append(shape_patella(t, shape, person, field))
    return np.stack(out)


@dataclass(frozen=True)
class Span:
    """What drawn bones span, on the part of a bone that films show.

    Attributes:
        mean: (N, 3) mm.
        components: (K, 3 N) mm a standard deviation, at right angles to each other.
        near: (M,) which vertices of the bone these N are.
        faces: of the whole bone.
    """

    mean: Array
    components: Array
    near: NDArray[np.bool_]
    faces: NDArray[np.int32]

    @staticmethod
    def of(t: Template, bone: str, drawn: Array) -> Span:
        """The span of (count, M, 3) drawn bones."""
        middle = drawn.mean(axis=0)
        end = middle[:, 1].min() if bone == "femur" else middle[:, 1].max()
        near = np.abs(middle[:, 1] - end) < REACH_MM
        laid = np.stack([_laid_over(shape[near], middle[near]) for shape in drawn])
        mean = laid.mean(axis=0)
        flat = (laid - mean).reshape(len(laid), -1)
        # Fewer draws than coordinates: components from the draws' products with one another.
        power, mix = np.linalg.eigh(flat @ flat.T)
        keep = power > 1e-8 * power[-1]
        components = (mix[:, keep] / np.sqrt(len(laid) - 1)).T @ flat
        return Span(mean, components, near, getattr(t, bone).faces)

    def fit(self, target: Array) -> Fit:
        """The nearest that draws come to a bone (M, 3) of the same topology, lying anywhere.

        The most probable coefficients under a normal prior and `NOISE_MM` of scatter.
        """
        variance = np.sum(self.components**2, axis=1)
        shape = self.mean
        c = np.zeros(len(variance))
        for _ in range(4):
            off = (_laid_over(target[self.near], shape) - self.mean).ravel()
            c = np.asarray(self.components @ off / (variance + NOISE_MM**2))
            shape = self.mean + (c @ self.components).reshape(-1, 3)
        normals = vertex_normals(target, self.faces)[self.near]
        turn = _turn(target[self.near], shape)
        laid = _laid_over(target[self.near], shape)
        distance = np.einsum("ij,ij->i", laid - shape, normals @ turn)
        return Fit(distance, float(np.sqrt(np.mean(c**2))))

    def fit_points(self, points: Array, rounds: int = 60) -> Fit:
        """The nearest that draws come to points (P, 3) of a bone from elsewhere.

        Points lie in roughly this frame, lengthwise along y, within reach of the joint. Each
        round takes every point to the tangent plane of its nearest vertex and solves for
        coefficients and a small rigid move together.
        """
        faces = self.faces[self.near[self.faces].all(axis=1)]
        number = np.full(len(self.near), -1)
        number[self.near] = np.arange(self.near.sum())
        faces = number[faces].astype(np.int32)
        count = len(self.components)
        by_vertex = self.components.reshape(count, -1, 3)
        c, p = np.zeros(count), points - points.mean(axis=0) + _middle(points, self.mean)
        prior = np.diag(np.concatenate([np.ones(count), np.full(6, 1e-6)]))
        for _ in range(rounds):
            shape = self.mean + (c @ self.components).reshape(-1, 3)
            normals = vertex_normals(shape, faces)
            at = cKDTree(shape).query(p)[1]
            n, middle = normals[at], p.mean(axis=0)
            off = np.einsum("ij,ij->i", p - shape[at], n)
            slopes = np.einsum("kij,ij->ik", by_vertex[:, at], n)
            system = np.hstack([slopes, -np.cross(p - middle, n), -n]) / (2 * NOISE_MM)
            pull = system.T @ off / (2 * NOISE_MM)
            pull[:count] -= c
            step = 0.7 * np.linalg.solve(system.T @ system + prior, pull)
            c = c + step[:count]
            turn = Rotation.from_rotvec(step[count : count + 3]).as_matrix()
            p = (p - middle) @ turn.T + middle + step[count + 3 :]
        shape = self.mean + (c @ self.components).reshape(-1, 3)
        return Fit(_to_surface(p, shape, faces), float(np.sqrt(np.mean(c**2))))


def _middle(points: Array, mean: Array) -> Array:
    """Where the middle of points should lie at first: over the mean, joint ends level."""
    middle = mean.mean(axis=0)
    if abs(mean[:, 1].max()) < abs(mean[:, 1].min()):  # a tibia: its joint is on top
        middle[1] = points[:, 1].mean() - points[:, 1].max() + mean[:, 1].max()
    else:
        middle[1] = points[:, 1].mean() - points[:, 1].min() + mean[:, 1].min()
    return np.asarray(middle)


def _to_surface(points: Array, vertices: Array, faces: NDArray[np.int32]) -> Array:
    """(P,) signed mm from points to a surface, along its normals, on a net four times as fine."""
    normals = vertex_normals(vertices, faces)
    weights = [(i / 4, j / 4, 1 - (i + j) / 4) for i in range(5) for j in range(5 - i)]
    fine = np.concatenate([np.tensordot(w, vertices[faces], (0, 1)) for w in weights])
    along = np.concatenate([np.tensordot(w, normals[faces], (0, 1)) for w in weights])
    at = cKDTree(fine).query(points)[1]
    return np.asarray(np.einsum("ij,ij->i", points - fine[at], unit(along[at])))


def _turn(points: Array, onto: Array) -> Array:
    """(3, 3) right-multiplied rotation that lays points over others (Kabsch 1976)."""
    u, _, w = np.linalg.svd((points - points.mean(axis=0)).T @ (onto - onto.mean(axis=0)))
    return np.asarray(u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ w))]) @ w)


def _laid_over(points: Array, onto: Array) -> Array:
    """Points moved rigidly to lie best over others (Kabsch 1976, Acta Cryst A32:922)."""
    return np.asarray((points - points.mean(axis=0)) @ _turn(points, onto) + onto.mean(axis=0))
