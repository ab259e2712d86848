"""Footprints: the shadow of a spheroid against sampled points, ranges, distances."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from scipy.spatial.distance import cdist

from pipeline.knee.camera import Camera
from pipeline.knee.errors import Problem
from pipeline.knee.reading import Proposal, Warning_
from pipeline.propose.lesion import KINDS, Lesion, corner_shadows, footprint, gap, outlines_of
from pipeline.propose.spheroid import Ellipse, Spheroid, film_matrix, shadow

CAMERA = Camera.looking(
    source=np.array([0.0, 0.0, -700.0]),
    toward=np.array([0.0, 0.0, 1.0]),
    up=np.array([0.0, -1.0, 0.0]),
    sid=1000.0,
    spacing=0.3,
    rows=900,
    columns=800,
)
numbers = st.floats(-1.0, 1.0)


def surface(body: Spheroid, count: int = 4000) -> np.ndarray:
    """(count, 3) points spread over a spheroid (Fibonacci's sphere, stretched)."""
    i = np.arange(count) + 0.5
    polar, turn = np.arccos(1 - 2 * i / count), np.pi * (1 + 5**0.5) * i
    ball = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], 1)
    side = np.eye(3)[np.argmin(np.abs(body.axis))]
    u = np.cross(body.axis, side)
    u /= np.linalg.norm(u)
    frame = np.stack(
        [body.across * u, body.across * np.cross(body.axis, u), body.along * body.axis]
    )
    return body.centre + ball @ frame


def semi_axes(ellipse: Ellipse) -> np.ndarray:
    """(2,) pixels, the shorter first."""
    return np.sqrt(np.linalg.eigvalsh(ellipse.shape))


@settings(max_examples=12)
@given(
    st.tuples(numbers, numbers, numbers).filter(lambda v: np.linalg.norm(v) > 0.1),
    st.tuples(numbers, numbers, numbers),
    st.floats(2.0, 20.0),
    st.floats(2.0, 20.0),
)
def test_the_shadow_is_that_of_sampled_points(axis, place, width, length):
    """Hull of 4000 projected points (SciPy's ConvexHull), and the ellipse OpenCV fits to it."""
    body = Spheroid.at_tip(
        90 * np.array(place), np.array(axis), width=width, length=length, projection=length / 3
    )
    found = shadow(body, CAMERA.matrix)
    points = CAMERA.project(surface(body))
    off = points - found.centre
    inside = (off * np.linalg.solve(found.shape, off.T).T).sum(axis=1)
    assert inside.max() <= 1.0 + 1e-9
    hull = points[ConvexHull(points).vertices]
    assert inside.max() > 0.99
    assert np.pi * np.sqrt(np.linalg.det(found.shape)) == pytest.approx(
        ConvexHull(points).volume, rel=0.01
    )
    (x, y), axes, _ = cv2.fitEllipse(hull.astype(np.float32))
    assert (x, y) == pytest.approx(tuple(found.centre), abs=0.3)
    assert sorted(axes) == pytest.approx(2 * semi_axes(found), rel=0.03)


def test_magnification_and_end_on():
    """A sphere on the axis: radius times SID / sqrt(SOD^2 - r^2); end on a spheroid is a disc."""
    ball = Spheroid(np.zeros(3), np.array([1.0, 0.0, 0.0]), 5.0, 5.0)
    radius = 5.0 * 1000.0 / np.sqrt(700.0**2 - 25.0) / 0.3
    assert semi_axes(shadow(ball, CAMERA.matrix)) == pytest.approx((radius, radius))
    long = Spheroid(np.zeros(3), np.array([0.0, 0.0, 1.0]), 12.0, 4.0)
    assert max(semi_axes(shadow(long, CAMERA.matrix))) == pytest.approx(
        4.0 * 1000 / 700 / 0.3, rel=1e-3
    )


def test_a_film_known_by_scale_alone_is_the_camera():
    """The film's matrix and the camera's project alike, off the central ray too."""
    mm = 0.3 * 700 / 1000
    matrix = film_matrix(mm, 700.0, CAMERA.principal)
    for at in ((0.0, 0.0, 0.0), (40.0, -60.0, 25.0)):
        body = Spheroid(np.array(at), np.array([0.6, 0.0, 0.8]), 9.0, 4.0)
        first = CAMERA.project(np.array([0.0, 0.0, 0.0]))
        shift = np.array([*(first * mm), 0.0])
        moved = Spheroid(body.centre + shift, body.axis, 9.0, 4.0)
        a, b = shadow(body, CAMERA.matrix), shadow(moved, matrix)
        assert a.centre == pytest.approx(b.centre, abs=1e-6)
        assert a.shape == pytest.approx(b.shape, rel=1e-6, abs=1e-6)


@settings(max_examples=8)
@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1), st.floats(0, 6.28))
def test_whatever_lies_in_the_ranges_lies_between_the_outlines(w, n, p, e, turn):
    lesion = Lesion("conventional", elevation_deg=(0.0, 60.0))
    ahead, tip = np.array([np.cos(turn), np.sin(turn)]), np.array([300.0, 280.0])
    known = {"source_mm": 700.0, "principal": np.array([400.0, 400.0])}
    inner, outer = outlines_of(corner_shadows(tip, ahead, lesion, "AP", 0.2, **known))
    at = [
        low + s * (high - low)
        for s, (low, high) in zip(
            (w, n, p),
            (lesion.sizes.width_mm, lesion.sizes.length_mm, lesion.sizes.projection_mm),
            strict=True,
        )
    ]
    one = Lesion(
        "conventional",
        *((v, v) for v in at),
        elevation_deg=(60.0 * e, 60.0 * e),
    )
    shadows = corner_shadows(tip, ahead, one, "AP", 0.2, **known)
    contour = outer.astype(np.float32).reshape(-1, 1, 2)
    for each in shadows:
        for x, y in each.points(24):
            assert cv2.pointPolygonTest(contour, (float(x), float(y)), True) > -0.5
        grown = Ellipse(each.centre, each.shape * 1.02)
        assert all(grown.holds(point) for point in inner)


def test_distances_by_hand():
    """A conventional footprint along +x at 0.2 mm a pixel, one target ahead, a zone beside."""
    lesion = Lesion("conventional", (6, 6), (10, 10), (2, 2), (0, 0))
    near = Proposal(
        "superomedial", "point", ((305.0, 200.0),), 5.0, "this film", "", "proposal", None
    )
    far = Proposal(
        "superolateral", "point", ((500.0, 200.0),), 5.0, "this film", "", "proposal", None
    )
    held = Proposal("inferomedial", "point", (), None, "this film", "", "withheld", "not square")
    zone = Warning_("zone", ((200.0, 250.0), (400.0, 250.0), (400.0, 300.0), (200.0, 300.0)))
    found = footprint(
        np.array([300.0, 200.0]),
        np.array([1.0, 0.0]),
        lesion,
        "AP",
        0.2,
        [held, far, near],
        [zone],
        source_mm=1e6,
    )
    assert (found.target, found.within) == ("superomedial", "inner")
    assert found.target_mm == pytest.approx(1.0)
    assert found.target_90_mm == pytest.approx(1.0)
    assert found.tip_zone_mm == pytest.approx(10.0, abs=0.01)
    assert found.zone_mm == pytest.approx(10.0 - 3.0, abs=0.03)
    assert found.outer[:, 0].max() == pytest.approx(300 + 2 / 0.2, abs=0.1)
    assert found.outer[:, 0].min() == pytest.approx(300 - 8 / 0.2, abs=0.1)
    blind = footprint(
        np.array([300.0, 200.0]), None, lesion, "AP", 0.2, [far], [zone], source_mm=1e6
    )
    assert blind.within == "outside"
    assert len(blind.inner) == 0
    assert blind.zone_mm == pytest.approx(2.0, abs=0.05)
    inside = footprint(np.array([300.0, 260.0]), None, lesion, "AP", 0.2, [], [zone], source_mm=1e6)
    assert inside.zone_mm == 0.0
    assert inside.tip_zone_mm == pytest.approx(-2.0, abs=0.01)
    assert inside.target is None


@settings(max_examples=12)
@given(numbers, numbers, st.floats(2, 30), st.floats(2, 30))
def test_gap_between_polygons_is_scipys(x, y, a, b):
    """Least distance of densely sampled edges (SciPy's cdist)."""
    one = Ellipse(np.zeros(2), np.diag([a**2, b**2])).points(80)
    other = Ellipse(np.array([120 + 30 * x, 60 * y]), np.diag([b**2, a**2])).points(80)
    assert gap(one, other) == pytest.approx(cdist(one, other).min(), abs=2.5)
    assert gap(one, other) <= cdist(one, other).min() + 1e-6
    assert gap(one, one + 0.5) == 0.0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"kind": "hot"}, "no kind"),
        ({"width_mm": (8.0, 4.0)}, "no range"),
        ({"length_mm": (0.0, 4.0)}, "no range"),
        ({"elevation_deg": (0.0, 95.0)}, "no range"),
        ({"projection_mm": (12.0, 14.0)}, "farther beyond the tip"),
        ({"mm_per_px": 0.0}, "no film's scale"),
    ],
)
def test_what_cannot_be_is_refused(options, words):
    with pytest.raises(Problem, match=words):
        Lesion(**options)


def test_every_kind_has_a_source_and_ranges():
    for name, sizes in KINDS.items():
        assert Lesion(name).sizes == sizes
        assert sizes.source
        assert sizes.width_mm[0] < sizes.width_mm[1]
    assert Lesion("cooled", (9, 9), (9, 9), (3, 3)).sizes.source == "as given"
    assert "partly as given" in Lesion("cooled", (9, 9)).sizes.source
