"""Reading real films, where they are at hand: 27 adult knees under an open licence (FracAtlas,
Abedeen et al., Sci Data 10, 521 (2023), CC BY 4.0), 18 with the marks of one reader."""

import numpy as np
import pytest
from real_films import FOLDER, read_all

from pipeline.registry import build

pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="the real films are not part of the project and not at hand"
)


@pytest.fixture(scope="module")
def rows():
    return read_all(build("detector", "onnx", {}), build("pose", "fused", {}))


def test_view_and_side_are_right(rows):
    assert len(rows) == 27
    views = [d is not None and d.view == real.view for real, d, _, _ in rows]
    assert sum(views) >= 25
    sides = [
        d.side == real.side
        for real, d, _, _ in rows
        if d is not None and d.view == real.view == "AP" and real.side
    ]
    assert len(sides) >= 12
    assert all(sides)


def test_landmarks_lie_where_a_reader_put_them(rows):
    """In % of W; the reader's own deviation is 1 to 3 %."""
    errors = np.array([e for *_, wrong in rows for e, _ in wrong.values()])
    assert len(errors) > 200
    assert np.median(errors) < 2.5
    condyles = np.array(
        [e for *_, wrong in rows for n, (e, _) in wrong.items() if "condyle" in n and "distal" in n]
    )
    assert np.median(condyles) < 1.2


def test_every_read_film_has_a_pose_with_sane_numbers(rows):
    for real, detection, pose, _ in rows:
        if detection is None or detection.view != real.view:
            continue
        assert pose is not None, real.name
        top = pose.hypotheses[0]
        assert abs(top.rotation_deg) < 35, real.name
        assert abs(top.tilt_deg) < 30, real.name
        assert 0.2 < top.rotation_sd < 8, real.name
        assert sum(h.probability for h in pose.hypotheses) == pytest.approx(1.0)
