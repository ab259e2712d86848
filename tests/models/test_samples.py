"""Samples: places stay on what they mark, through jitter, mirror and the replay buffer."""

from __future__ import annotations

import multiprocessing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from toy_knee import ToyScenario

from models.blanks import blank_film
from models.channels import CHANNELS_OF, VIEWS
from models.geometry import crop_transform, inside_film, normalise, normalise_bytes, resample
from models.samples import (
    Jitter,
    crop_sample,
    film_sample,
    film_to_samples,
    lateral_right_of_up,
    stray_sample,
    to_bytes,
    wide_size,
    width_on_film,
)
from models.slots import Outbox
from pipeline.knee.film import Film
from pipeline.knee.truth import KneeTruth, LabelledFilm

CROP = 128
STILL = Jitter(0.0, 0.0, 0.0, 0.0)


def knee_film(seed: int) -> tuple[LabelledFilm, KneeTruth]:
    labelled = ToyScenario(empty_share=0.0).make(seed)
    return labelled, labelled.knees[0]


def spotted(labelled: LabelledFilm, xy: np.ndarray) -> LabelledFilm:
    """The same film showing nothing but a spot with a halo at `xy`."""
    y, x = np.mgrid[0 : labelled.film.rows, 0 : labelled.film.columns]
    square = (x - xy[0]) ** 2 + (y - xy[1]) ** 2
    spot = 0.1 + 0.5 * np.exp(-square / 100) + 0.3 * np.exp(-square / 3000)
    return LabelledFilm(Film(spot.astype(np.float32), "spot", "0" * 64), labelled.knees)


def peak(picture: np.ndarray) -> np.ndarray:
    y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    w = np.where(picture > 0.9 * picture.max(), picture, 0).astype(np.float64)
    return np.array([(w * x).sum(), (w * y).sum()]) / w.sum()


@pytest.mark.parametrize("seed", range(6))
def test_crop_places_mark_the_same_spot_as_the_film(seed: int) -> None:
    labelled, truth = knee_film(seed)
    inside = np.flatnonzero(truth.seen)
    for k in inside[:: max(len(inside) // 3, 1)]:
        film = spotted(labelled, truth.xy[k])
        rng = np.random.default_rng(seed)
        sample = crop_sample(film, truth, CROP, Jitter(flip=0.0), None, rng)
        channel = CHANNELS_OF[truth.view].start + int(k)
        assert peak(sample.picture) == pytest.approx(sample.xy[channel], abs=0.35)
        assert sample.known[channel] == 1.0


def test_left_and_right_knees_look_alike_in_canonical_form() -> None:
    labelled, truth = knee_film(3)
    mirrored_film = Film(np.ascontiguousarray(labelled.film.pixels[:, ::-1]), "m", "0" * 64)
    flip = np.array([labelled.film.columns - 1.0, 0.0])
    other = replace(
        truth,
        side="left" if truth.side == "right" else "right",
        lateral_to_right=not truth.lateral_to_right,
        xy=flip + truth.xy * [-1, 1],
        centre=flip + truth.centre * [-1, 1],
        up=truth.up * [-1, 1],
    )
    rng = np.random.default_rng
    one = crop_sample(labelled, truth, CROP, STILL, None, rng(0))
    two = crop_sample(LabelledFilm(mirrored_film, (other,)), other, CROP, STILL, None, rng(0))
    assert two.xy == pytest.approx(one.xy, abs=1e-3)
    difference = np.abs(two.picture.astype(int) - one.picture.astype(int))
    assert np.percentile(difference, 99) <= 4
    assert (two.angles == one.angles).all()


def test_a_crop_the_wrong_way_round_teaches_only_that() -> None:
    labelled, truth = knee_film(1)
    sample = crop_sample(labelled, truth, CROP, Jitter(flip=1.0), None, np.random.default_rng(0))
    assert sample.flipped == 1.0
    assert not sample.known.any()
    assert sample.posed == 0.0


def test_upside_down_films_keep_their_handedness() -> None:
    labelled, truth = knee_film(2)
    size = np.array([labelled.film.columns - 1.0, labelled.film.rows - 1.0])
    turned = replace(
        truth,
        xy=size - truth.xy,
        centre=size - truth.centre,
        up=-truth.up,
        lateral_to_right=not truth.lateral_to_right,
    )
    assert lateral_right_of_up(turned) == lateral_right_of_up(truth)


@pytest.mark.parametrize("seed", range(12))
def test_locator_targets_mark_the_knee_through_turns_and_mirrors(seed: int) -> None:
    labelled, truth = knee_film(seed)
    film = spotted(labelled, truth.centre)
    sample = film_sample(film, 128, None, np.random.default_rng(seed))
    x, y, width, ux, uy, view, _, there = sample.knees[0]
    assert there == 1.0
    assert VIEWS[int(view)] == truth.view
    assert peak(sample.picture) == pytest.approx([x, y], abs=0.35)
    assert np.hypot(ux, uy) == pytest.approx(1.0, abs=1e-5)
    above = truth.centre + truth.up * width_on_film(truth) * 0.4
    again = film_sample(spotted(labelled, above), 128, None, np.random.default_rng(seed))
    assert peak(again.picture) == pytest.approx(
        [x + 0.4 * width * ux, y + 0.4 * width * uy], abs=0.5
    )


def test_locator_knows_a_mirrored_film_from_a_plain_one() -> None:
    labelled, truth = knee_film(4)
    words = set()
    for seed in range(20):
        sample = film_sample(labelled, 128, None, np.random.default_rng(seed))
        knee = sample.knees[0]
        lateral = VIEWS[int(knee[5])] == "lateral"
        words.add(bool(knee[6]))
        assert lateral == (truth.view == "lateral")
    assert words == {True, False}


def test_blanks_and_strays_ask_for_no_landmark() -> None:
    rng = np.random.default_rng(0)
    for _ in range(20):
        whole, crops = film_to_samples(blank_film(rng), CROP, 128, 3, None, rng)
        assert not whole.knees.any()
        assert len(crops) == 1
        assert VIEWS[int(crops[0].view)] == "none"
        assert not crops[0].known.any()
    labelled, _ = knee_film(5)
    stray = stray_sample(labelled, CROP, None, rng)
    assert stray is None or stray.picture.shape == (wide_size(CROP),) * 2


@pytest.mark.train
def test_replay_moves_places_with_the_picture() -> None:
    torch = pytest.importorskip("torch")
    from models.replay import Ring, crop_batch

    labelled, truth = knee_film(0)
    k = int(np.flatnonzero(truth.seen)[0])
    channel = CHANNELS_OF[truth.view].start + k
    film = spotted(labelled, truth.xy[k])
    sample = crop_sample(film, truth, CROP, STILL, None, np.random.default_rng(0))
    ring = Ring(5, torch.device("cpu"))
    ring.add([sample] * 7)
    assert ring.count == 5
    generator = torch.Generator().manual_seed(1)
    for use in (None, generator):
        batch = crop_batch(ring.draw(4, generator), CROP, use)
        for picture, xy in zip(batch["picture"], batch["xy"], strict=True):
            point = xy[channel].numpy()
            if (point > 8).all() and (point < CROP - 8).all():
                assert peak(picture[0].numpy()) == pytest.approx(point, abs=0.4)


@pytest.mark.train
def test_films_of_a_batch_carry_their_knees_along() -> None:
    torch = pytest.importorskip("torch")
    from models.replay import film_batch, stacked

    labelled, truth = knee_film(3)
    other_labelled, other = knee_film(4)
    above = truth.centre + truth.up * width_on_film(truth) * 0.4
    sides = set()
    strips = checked = 0
    for seed in range(12):
        batches = []
        for one, at, beside, there in (
            (labelled, truth.centre, other_labelled, other.centre),
            (labelled, above, other_labelled, other.centre),
        ):
            samples = [
                film_sample(spotted(film, xy), 128, None, None)
                for film, xy in ((one, at), (beside, there))
            ]
            assert all(sample.knees[0, 7] == 1.0 for sample in samples)
            generator = torch.Generator().manual_seed(seed)
            batches.append(film_batch(stacked(samples), generator))
        strips += int(batches[0]["knees"][0, :, 7].sum() != 1)
        if batches[0]["knees"][0, :, 7].sum() != 1 or batches[0]["knees"][0, 0, 7] != 1:
            continue
        x, y, width, ux, uy, _, to_right, _ = batches[0]["knees"][0, 0].tolist()
        sides.add(bool(to_right))
        shown = batches[0]["picture"][0, 0].numpy()
        if shown[:, [0, -1]].max() > 0.5 or not (16 < x < 112 and 24 < y < 104):
            continue
        checked += 1
        assert peak(shown) == pytest.approx([x, y], abs=1.0)
        assert np.hypot(ux, uy) == pytest.approx(1.0, abs=1e-4)
        assert peak(batches[1]["picture"][0, 0].numpy()) == pytest.approx(
            [x + 0.4 * width * ux, y + 0.4 * width * uy], abs=1.2
        )
    assert checked >= 4
    assert sides == {True, False}


@pytest.mark.train
def test_samples_pass_through_shared_slots_unchanged(tmp_path: Path) -> None:
    pytest.importorskip("torch")
    from models.replay import stacked
    from models.slots import SlotPlan, make_file, opened, take_out

    labelled, _ = knee_film(0)
    rng = np.random.default_rng(0)
    film, crops = film_to_samples(labelled, CROP, 128, 3, None, rng)
    plan = SlotPlan(CROP, 128, 5)
    path = make_file(plan, 1)
    near, far = multiprocessing.Pipe()
    slots = opened(path, plan)
    outbox = Outbox(path, plan, far)
    assert not path.exists()
    outbox.put(True, film, crops)
    fed = take_out(slots, near.recv_bytes()[0], plan)
    assert fed.validation
    for sent, came in (
        (stacked(crops), stacked([fed.crops])),
        (stacked([film]), stacked([fed.film])),
    ):
        assert sent.keys() == came.keys()
        for name, value in sent.items():
            assert value.dtype == came[name].dtype, name
            assert value.equal(came[name]), name


def test_bytes_are_normalised_like_grey_values() -> None:
    labelled, truth = knee_film(2)
    transform = crop_transform(truth.centre, truth.up, width_on_film(truth), False, CROP)
    inside = inside_film(transform, *labelled.film.pixels.shape)
    picture = to_bytes(0.2 + 0.6 * resample(labelled.film.pixels, transform))
    exact = normalise(picture.astype(np.float32) / 255, inside) * 255.0
    assert np.abs(normalise_bytes(picture, inside) - exact).max() < 6.0
    assert not normalise_bytes(np.full((64, 64), 9, np.uint8), np.ones((64, 64), bool)).any()


def test_what_a_knee_has_is_asked_for() -> None:
    labelled, truth = knee_film(1)
    rng = np.random.default_rng(0)
    for found, wanted in (({}, [0, 0]), ({"implant": 1.0, "hardware": 0.0}, [1, 0])):
        with_it = replace(truth, found=found)
        assert crop_sample(labelled, with_it, CROP, STILL, None, rng).found.tolist() == wanted


@pytest.mark.train
def test_grey_values_change_and_places_do_not() -> None:
    pytest.importorskip("albumentations")
    from models.augment import Augmenter

    labelled, truth = knee_film(0)
    augmenter = Augmenter()
    plain = crop_sample(labelled, truth, CROP, STILL, None, np.random.default_rng(0))
    changed = 0
    for seed in range(12):
        one = crop_sample(labelled, truth, CROP, STILL, augmenter, np.random.default_rng(seed))
        two = crop_sample(labelled, truth, CROP, STILL, augmenter, np.random.default_rng(seed))
        assert (one.picture == two.picture).all()
        assert (one.xy == plain.xy).all()
        changed += bool((one.picture != plain.picture).any())
    assert changed >= 8
