"""Reading with ONNX Runtime: same numbers as torch, no torch needed, plain words for bad input."""

from __future__ import annotations

import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toy_knee import ToyScenario

from models.channels import CHANNELS
from models.onnx_detector import OnnxDetector, fit_similarity
from pipeline.contracts import Detector
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.landmarks import names_of

ROOT = Path(__file__).parent.parent.parent


def test_reading_needs_no_training_library() -> None:
    code = (
        "import sys; sys.modules['torch'] = None; sys.modules['albumentations'] = None; "
        "import models.onnx_detector; print('torch' in sys.modules and sys.modules['torch'])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "None"


@settings(deadline=None, max_examples=25)
@given(st.floats(-180, 180), st.floats(0.2, 300.0), st.floats(-99, 99), st.integers(0, 2**31 - 1))
def test_similarity_is_found_again(angle: float, scale: float, shift: float, seed: int) -> None:
    source = np.random.default_rng(seed).normal(0, 1, (12, 2))
    turn = np.deg2rad(angle)
    true = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    linear, found = fit_similarity(source, source @ true.T + shift, np.ones(12))
    assert linear == pytest.approx(true, abs=1e-6 * max(scale, 1))
    assert found == pytest.approx([shift, shift], abs=1e-6 * max(scale, 1))


@pytest.mark.train
def test_onnx_says_what_torch_says(shipped: Path) -> None:
    torch = pytest.importorskip("torch")
    onnxruntime = pytest.importorskip("onnxruntime")
    from models.channels import ANGLE_SCALE
    from models.export import load_net
    from models.keypoints import KeypointGraph
    from models.locator import LocatorGraph

    points, _ = load_net(shipped, "keypoints")
    places, _ = load_net(shipped, "locator")
    for name, graph, size in (
        ("keypoints", KeypointGraph(points, ANGLE_SCALE), points.shape.crop),
        ("locator", LocatorGraph(places), places.shape.picture),
    ):
        graph.eval()
        session = onnxruntime.InferenceSession(str(shipped / f"{name}.onnx"))
        for batch in (1, 3):
            picture = torch.rand(batch, 1, size, size)
            with torch.no_grad():
                expected = graph(picture)
            got = session.run(None, {"picture": picture.numpy()})
            names = [output.name for output in session.get_outputs()]
            assert names == list(graph.names)
            for key, value, other in zip(names, got, expected, strict=True):
                assert value == pytest.approx(other.numpy(), rel=2e-3, abs=2e-3), key


@pytest.mark.train
def test_a_film_is_read(shipped: Path) -> None:
    detector = OnnxDetector(str(shipped), threads=1, threshold=1e-6)
    assert isinstance(detector, Detector)
    assert detector.weights.startswith("tiny ")
    for seed in range(4):
        film = ToyScenario(side=160, empty_share=0.0).make(seed).film
        found = detector.detect(film)
        assert found
        for knee in found:
            assert 0.0 <= knee.view_probability <= 1.0
            if knee.view in ("AP", "lateral"):
                view = "AP" if knee.view == "AP" else "lateral"
                assert knee.names == names_of(view)
                assert knee.xy.shape == (len(knee.names), 2)
                assert np.isfinite(knee.xy).all()
                assert (np.linalg.eigvalsh(knee.covariance) > 0).all()
                assert knee.direct is not None
                assert 0.0 <= knee.direct.flip_probability <= 0.5
                assert knee.side_probability >= 0.5
    again = pickle.loads(pickle.dumps(detector))
    first, second = detector.detect(film)[0], again.detect(film)[0]
    assert np.array_equal(first.xy, second.xy)


@pytest.mark.train
@pytest.mark.parametrize("shape", [(1, 1), (3, 900), (2000, 40), (64, 64)])
def test_odd_films_are_no_trouble(shipped: Path, shape: tuple[int, int]) -> None:
    pixels = np.zeros(shape, np.float32)
    pixels[0, 0] = np.nan
    detector = OnnxDetector(str(shipped), threads=1)
    assert len(detector.detect(Film(pixels, "odd", "0" * 64))) >= 1


def test_missing_weights_are_told(tmp_path: Path) -> None:
    with pytest.raises(Problem, match=r"no keypoints\.onnx"):
        _ = OnnxDetector(str(tmp_path)).weights
    (tmp_path / "keypoints.onnx").write_bytes(b"nonsense")
    with pytest.raises(Problem, match="no network"):
        _ = OnnxDetector(str(tmp_path)).weights


def test_options_are_checked() -> None:
    with pytest.raises(Problem, match="threshold"):
        OnnxDetector(threshold=2.0)
    with pytest.raises(Problem, match="passes"):
        OnnxDetector(passes=0)


@pytest.mark.train
def test_the_card_says_what_it_must(shipped: Path) -> None:
    card = (shipped / "MODEL_CARD.md").read_text()
    assert "synthetic films only" in card
    assert "must not guide" in card
    assert len(CHANNELS) == 52
    assert sum(path.stat().st_size for path in shipped.iterdir()) < 20e6
