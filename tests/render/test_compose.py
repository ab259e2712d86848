"""Packed scenes on the device against the CPU's films: the kernel as plain C++, torch as it is."""

from __future__ import annotations

import shutil

import cv2
import numpy as np
import pytest
from plain_cuda import PlainDevice

from pipeline.contracts import Look
from synthetic_data import scenes
from synthetic_data.film_formation import tone
from synthetic_data.physics.beam import beam, transmit
from synthetic_data.physics.materials import Insert, materials
from synthetic_data.physics.texture import bone_axes, bone_fractions, mottled, streak, tile
from synthetic_data.render.raster import SignedDepthRasteriser
from synthetic_data.scenarios import KneeFilms

torch = pytest.importorskip("torch")

from synthetic_data.render import develop  # noqa: E402

SIZE = 256
SEED = 5


@pytest.fixture(scope="module")
def scene() -> scenes.SubjectScene:
    films = KneeFilms(
        styles=("radiography",),
        findings={"arthroplasty": 1.0, "procedure": 1.0, "osteoarthritis": 1.0},
        other_share=0.0,
    )
    return films.scene(3, 2)


@pytest.fixture(scope="module")
def looks(scene: scenes.SubjectScene) -> list[Look]:
    made = []
    for number, shot in enumerate(scene.shots):
        zoom = SIZE * shot.truth.mm_per_px_knee / 200.0
        x0, y0 = shot.truth.centre - SIZE / zoom / 2
        part = shot.camera.cropped(x0, y0, SIZE, SIZE, zoom)
        made.append(Look(number, part, np.array([[1 / zoom, 0, x0], [0, 1 / zoom, y0]])))
    return made


def on_the_cpu(scene: scenes.SubjectScene, look: Look) -> np.ndarray:
    """The primary signal by the rooms of the CPU, patterns as `packed` draws them first."""
    technique, _ = scene.settings[look.shot]
    knee, rng = scene.knee, np.random.default_rng(SEED)
    meshes = dict(knee.soft)
    for bone in scenes.BONES:
        meshes |= {bone: knee.bones[bone], f"{bone}_marrow": knee.marrow[bone]}
    meshes |= {name: solid.mesh for name, solid in knee.solids.items()}
    inserts = {name: Insert(solid.material, solid.within) for name, solid in knee.solids.items()}
    lengths = SignedDepthRasteriser().path_lengths(list(meshes.values()), look.camera)
    paths = dict(zip(meshes, lengths, strict=True))
    tissue = {name: path for name, path in paths.items() if name not in inserts}
    axes = bone_axes(knee, look.camera)
    per_px = float(np.linalg.norm(look.camera.step_x)) * 0.85
    shares = bone_fractions(tissue, axes, rng, technique.cancellous(), per_px)
    through = materials(paths, inserts, shares)
    along = next(axis.along for axis in axes.values())
    mottled(through["cortical"], along, rng, technique.cortical_mottle, per_px)
    streak(through["muscle"], through["adipose"], along, rng, technique.fat_streaks, per_px)
    used = beam(round(technique.kvp), round(technique.al_mm, 1), technique.cu_mm, technique.csi_mm)
    return transmit(through, used)


def test_the_kernel_composes_what_the_cpu_does(
    scene: scenes.SubjectScene, looks: list[Look], tmp_path_factory: pytest.TempPathFactory
) -> None:
    if shutil.which("g++") is None:
        pytest.skip("no C++ compiler (g++) to run the kernels without a device")
    device = PlainDevice(develop.SOURCE, tmp_path_factory.mktemp("compose"))
    batch = scenes.joined([scene.packed(looks, np.random.default_rng(SEED))])
    meshes = [mesh for mesh, _ in scenes._surfaces(scene.knee)]
    paths = np.concatenate(
        [SignedDepthRasteriser().path_lengths(meshes, look.camera) for look in looks]
    )
    # only the patterns that are used: the whole stack takes a while to make
    stack = np.zeros((len(scenes.PATTERN_KINDS) * scenes.BLURS, 1024, 1024), np.float32)
    for number in np.unique(batch["patterns"]):
        kind, step = divmod(int(number), scenes.BLURS)
        stack[number] = tile(scenes.PATTERN_KINDS[kind], step / 4)
    primary = np.zeros((len(looks), SIZE, SIZE), np.float32)
    body = np.zeros_like(primary)
    given = (np.ascontiguousarray(batch[name]) for name in ("first", "codes", "grain", "patterns"))
    nodes = np.ascontiguousarray(batch["nodes"])
    device.start(
        "compose",
        SIZE * SIZE,
        len(looks),
        (paths, *given, stack, nodes, primary, body, nodes.shape[1], SIZE, SIZE),
    )
    # later looks go on with the same generator: only the first can be made again here
    expected = on_the_cpu(scene, looks[0])
    assert expected.min() < 0.2 * expected.max()
    # behind much metal next to nothing is left, and the kernel's exponent ends sooner
    np.testing.assert_allclose(primary[0], expected, rtol=1e-3, atol=1e-7)
    assert 50.0 < np.median(body[0][body[0] > 0]) < 250.0


def test_materials_come_in_the_kernels_order() -> None:
    source = develop.SOURCE.read_text()
    assert f"#define MATERIALS {len(scenes.MATERIALS)}\n" in source
    assert f"#define BONES {len(scenes.BONES)}\n" in source
    assert scenes.MATERIALS[:4] == ("adipose", "muscle", "cortical", "marrow")


def test_scales_are_enhanced_as_on_the_cpu() -> None:
    rng = np.random.default_rng(0)
    picture = cv2.GaussianBlur(rng.random((96, 96)).astype(np.float32), (0, 0), 2)
    ours = develop.enhanced(
        torch.from_numpy(picture)[None], torch.tensor([[1.5, 1.3, 1.2]]), torch.tensor([[[0.7]]])
    )[0].numpy()
    expected = tone.enhanced(picture, (1.5, 1.3, 1.2), 0.7)
    # beyond an edge OpenCV's smaller picture goes on in another way
    np.testing.assert_allclose(ours[16:-16, 16:-16], expected[16:-16, 16:-16], atol=1e-5)
    np.testing.assert_allclose(ours, expected, atol=6e-3)


def test_an_unsharp_mask_is_a_gain_of_the_finer_scales(scene: scenes.SubjectScene) -> None:
    from dataclasses import replace

    formation = replace(
        scene.settings[0][1], gains=(1.0, 1.0), base=1.0, sharpen=0.5, sharpen_share=0.01
    )
    gains = scenes._gains(formation, scene.shots[0].camera)
    assert gains[0] == pytest.approx(1.5)
    assert (np.diff(gains) <= 0).all()
    assert gains[-1] == 1.0


def test_a_shutter_opens_where_the_cpu_opens_it() -> None:
    from synthetic_data.film_formation.shutters import Shutter, opening

    for shutter in (
        Shutter("round", half=(0.4, 0.4), soft=0.01),
        Shutter(half=(0.3, 0.4), angle_deg=10.0, centre=(0.55, 0.45), soft=0.01),
    ):
        row = torch.from_numpy(scenes._shutters([shutter])[:1])
        y, x = np.mgrid[0:200, 0:160].astype(np.float32)
        ours = develop.opening(
            row,
            torch.from_numpy(x)[None],
            torch.from_numpy(y)[None],
            torch.tensor([[160.0, 200.0]]),
        )[0].numpy()
        assert np.abs(ours - opening((200, 160), shutter)).mean() < 0.015


@pytest.mark.parametrize("sigma", [0.6, 0.9, 1.3])
def test_softness_agrees_with_opencv(sigma: float) -> None:
    rng = np.random.default_rng(1)
    picture = cv2.GaussianBlur(rng.random((64, 64)).astype(np.float32), (0, 0), 1.0)
    ours = develop.soft(torch.from_numpy(picture)[None], torch.full((1, 1, 1), sigma))[0].numpy()
    expected = cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    assert np.abs(ours - expected).max() < 0.15 * np.abs(picture - expected).max() + 1e-4


def test_a_picture_keeps_its_geometry_and_scale(
    scene: scenes.SubjectScene, looks: list[Look]
) -> None:
    """Without noise and with a plain tone, denser is brighter, in the place where it is dense."""
    batch = scenes.joined([scene.packed(looks, np.random.default_rng(SEED))])
    batch |= develop.rows_with(batch)
    numbers = {name: torch.from_numpy(np.ascontiguousarray(v)) for name, v in batch.items()}
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    ball = np.clip(1.0 - ((x - 90) ** 2 + (y - 140) ** 2) / 40**2, 0, 1)
    primary = torch.from_numpy(np.exp(-2.0 * ball).astype(np.float32)).expand(2, SIZE, SIZE)
    generator = torch.Generator().manual_seed(0)
    signal = develop.detected(primary, 100.0 * torch.ones_like(primary), numbers, generator)
    picture, inside = develop.shown(signal, numbers, generator)
    assert picture.shape == (2, SIZE, SIZE)
    assert 0.0 <= float(picture.min()) <= float(picture.max()) <= 1.0
    for one, on_film in zip(picture.numpy(), inside.numpy(), strict=True):
        soft = cv2.GaussianBlur(np.where(on_film, one, 0).astype(np.float32), (0, 0), 4)
        if on_film[140, 90]:
            row, column = np.unravel_index(soft.argmax(), soft.shape)
            assert np.hypot(row - 140, column - 90) < 25 or soft[140, 90] > 0.9 * soft.max()
