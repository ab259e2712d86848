"""Scenes: labels agree with the cameras that draw them, and grey scales with reading's."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch")

from models.channels import CHANNELS, VIEWS  # noqa: E402
from models.develop import blocky, crops_of, equalised, normalised, strokes, weathered  # noqa: E402
from models.geometry import normalise  # noqa: E402
from models.samples import OVERSAMPLED, scene_to_looks, wide_size  # noqa: E402
from pipeline.contracts import Scenario, SceneScenario  # noqa: E402
from pipeline.registry import build  # noqa: E402

CROP = 96


def scenario(**options: object) -> SceneScenario:
    made = build("scenario", "knee_films", {"styles": ("radiography",), **options})
    assert isinstance(made, SceneScenario)
    return made


def test_normalised_agrees_with_the_one_for_reading() -> None:
    rng = np.random.default_rng(0)
    pictures = rng.gamma(2.0, 0.12, (4, 64, 64)).clip(0, 1).astype(np.float32)
    pictures[1, :20] = 0.0
    pictures[3] = 0.5
    inside = np.ones((4, 64, 64), bool)
    inside[2, :, :16] = False
    ours = normalised(torch.from_numpy(pictures), torch.from_numpy(inside)).numpy()
    for one, picture, on_film in zip(ours, pictures, inside, strict=True):
        np.testing.assert_allclose(one, normalise(picture, on_film), atol=2e-3)


def test_labels_of_a_scene_lie_where_its_looks_show_the_bone() -> None:
    rng = np.random.default_rng(3)
    scene = scenario(views=("AP",), other_share=0.0).scene(11, 4)
    looks, labels = scene_to_looks(scene, CROP, rng)
    for look, label in zip(looks, labels, strict=True):
        assert look.camera.rows == look.camera.columns == wide_size(CROP) * OVERSAMPLED
        # a fixed point of the bone, projected by the look's own camera
        at = look.camera.project(scene.knee.points["medial_spine"])
        at = (at + 0.5) / OVERSAMPLED - 0.5
        label_at = label["xy"][CHANNELS.index("medial_spine")]
        if label["flipped"]:
            assert label["known"].sum() == 0
        np.testing.assert_allclose(label_at, at, atol=1e-3)
        corner = look.to_film @ np.array([0.0, 0.0, 1.0])
        shot = scene.shots[look.shot].camera
        np.testing.assert_allclose(shot.pixel(corner), look.camera.origin, atol=1e-6)
        assert label["view"] == VIEWS.index("AP")


def test_the_same_seed_packs_the_same_scene() -> None:
    made = []
    for _ in range(2):
        rng = np.random.default_rng(5)
        scene = scenario().scene(23, 2)
        looks, _ = scene_to_looks(scene, CROP, rng)
        made.append(scene.packed(looks, rng))
    for name, value in made[0].items():
        np.testing.assert_array_equal(value, made[1][name])


def test_crops_of_leave_out_what_cannot_be_drawn() -> None:
    from models.develop import FedScene

    rng = np.random.default_rng(5)
    scene = scenario().scene(23, 3)
    looks, labels = scene_to_looks(scene, CROP, rng)
    packed = scene.packed(looks, rng)
    packed["drawable"][1] = False
    size = wide_size(CROP) * OVERSAMPLED

    class Grey:
        def develop(self, scenes: object) -> tuple[torch.Tensor, torch.Tensor]:
            ramp = torch.linspace(0.1, 0.9, size).expand(3, size, size)
            return ramp, torch.ones(3, size, size, dtype=torch.bool)

    generator = torch.Generator().manual_seed(0)
    batch = crops_of([FedScene(packed, labels)], Grey(), generator)
    assert batch["picture"].shape == (2, wide_size(CROP), wide_size(CROP))
    assert batch["picture"].dtype == torch.uint8
    np.testing.assert_array_equal(batch["xy"], labels["xy"][[0, 2]])


def test_weather_stays_within_the_scale() -> None:
    generator = torch.Generator().manual_seed(1)
    picture = torch.rand(16, 64, 64, generator=generator)
    seen = weathered(picture, generator)
    assert float(seen.min()) >= 0.0
    assert float(seen.max()) <= 1.0
    assert not torch.equal(seen, picture)


def test_processes_make_scenes() -> None:
    from models.feeder import FeedPlan, SceneFeeder

    plan = FeedPlan(CROP, 64, 1, 0, seed=0, shots=2)
    with SceneFeeder([scenario()], plan, 1) as feeder:
        taken: list[object] = []
        while not taken:
            taken = feeder.take(2)
    assert len(taken) == 1
    assert set(taken[0].labels["view"]) <= {0, 1, 2}  # type: ignore[attr-defined]


def test_toys_are_no_scenes() -> None:
    sys.path.insert(0, str(Path(__file__).parent))
    from toy_knee import ToyScenario

    assert isinstance(ToyScenario(), Scenario)
    assert not isinstance(ToyScenario(), SceneScenario)


def knee_like() -> np.ndarray:
    y, x = np.mgrid[:384, :384] / 384.0
    bone = np.exp(-(((x - 0.5) / 0.12) ** 4)) * (0.5 + 0.2 * np.sin(9 * y))
    grain = np.random.default_rng(2).normal(0, 0.02, x.shape)
    return (0.2 + 0.3 * x * y + bone * 0.5 + grain).clip(0, 1).astype(np.float32)


def test_equalised_is_what_opencv_does() -> None:
    picture = knee_like()
    ours = equalised(torch.from_numpy(picture)[None], torch.tensor([3.0]))[0].numpy()
    theirs = cv2.createCLAHE(3.0, (6, 6)).apply((picture * 255).astype(np.uint8)) / 255.0
    assert np.corrcoef(ours.ravel(), theirs.ravel())[0, 1] > 0.99
    assert np.abs(ours - theirs).mean() < 0.03
    assert np.abs(ours - picture).mean() > 0.05


def test_blocky_is_what_a_jpeg_of_that_quality_loses() -> None:
    grey = (knee_like() * 255).astype(np.uint8)
    _, kept = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 40])
    theirs = cv2.imdecode(kept, cv2.IMREAD_GRAYSCALE).astype(float)
    whole = torch.from_numpy(grey / np.float32(255))[None]
    ours = blocky(whole, torch.tensor([40.0]))[0].numpy() * 255
    assert np.abs(ours - theirs).mean() < 0.5 < np.abs(grey - theirs).mean()


def test_strokes_are_thin_and_on_a_fifth_of_the_pictures() -> None:
    generator = torch.Generator().manual_seed(4)
    found = strokes(400, 96, lambda *shape: torch.rand((400, *shape), generator=generator))
    share = found.flatten(1).float().mean(dim=1)
    assert 0.12 < (share > 0).float().mean() < 0.28
    assert share.max() < 0.06
