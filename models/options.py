"""What a training run can be told."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from models.keypoints import KeypointShape
from models.locator import LocatorShape
from pipeline.knee.errors import Problem


@dataclass(frozen=True)
class TrainOptions:
    """Options of one training run; `profile` gives sensible sets of them.

    Attributes:
        minutes: length of the run, from its start; the learning rate falls to nothing by then,
            however fast the machine. The last measurement and saving come on top (seconds).
        seed: of the initial weights and of the films; the same seed gives the same films.
        device: `cuda`, `cpu`, or `auto`.
        workers: processes that make films or scenes; 0 = all cores but one. With several GPUs:
            for each of them.
        scene_share: share of these that make scenes, which the GPU turns into crops; 0 = none.
        scene_shots: films of each scene.
        scene_crops: share of a step's crops that come from scenes, where there are any.
        scene_looks: crops developed from scenes at a time.
        scene_every: steps from one time to the next, at least.
        threads: threads of the training process on a CPU; 0 = leave it to the library.
        crops_per_film: keypoint crops cut from each film.
        crop_batch, film_batch: samples of a step for the keypoint network and the locator.
        crop_capacity, film_capacity: samples kept for replay.
        warm: crops that must be there before the first step.
        learning_rate, weight_decay: of AdamW.
        ema: decay of the averaged weights, which are the ones kept.
        validation_films: films held apart, measured every `validate_s` seconds.
        save_s, log_s: seconds between checkpoints, and between rows of the curves.
        compile: torch.compile both networks (costs about a minute at the start).
        max_steps: stop early, 0 = never.
        pause_after: minutes after which this call stops; the same call again goes on. 0 = never.
        start_from: folder of weights to begin with instead of random ones, or empty.
        keypoints, locator: sizes of the networks.
    """

    minutes: float = 18.4
    seed: int = 0
    device: str = "auto"
    workers: int = 0
    scene_share: float = 0.6
    scene_shots: int = 8
    scene_crops: float = 0.6
    scene_looks: int = 64
    scene_every: int = 2
    threads: int = 0
    crops_per_film: int = 4
    crop_batch: int = 256
    film_batch: int = 128
    crop_capacity: int = 70_000
    film_capacity: int = 60_000
    warm: int = 1024
    learning_rate: float = 2e-3
    weight_decay: float = 0.02
    ema: float = 0.999
    validation_films: int = 320
    validate_s: float = 90.0
    save_s: float = 60.0
    log_s: float = 10.0
    compile: bool = False
    max_steps: int = 0
    pause_after: float = 0.0
    start_from: str = ""
    keypoints: KeypointShape = field(default_factory=KeypointShape)
    locator: LocatorShape = field(default_factory=LocatorShape)

    def __post_init__(self) -> None:
        for name, size in (
            ("keypoints.crop", self.keypoints.crop),
            ("locator.picture", self.locator.picture),
        ):
            if size % 32 or size < 64:
                raise Problem(name, f"{size} is not a multiple of 32", "choose 160, 256, 320 ...")
        if self.minutes <= 0:
            raise Problem("minutes", "must be more than 0", "give the length of the run")


def profile(name: str) -> TrainOptions:
    """`full`: one data-centre GPU. `small`: a CPU with two cores, a quarter of an hour.

    `baseline` and `baseline_small`: as these, a keypoint network on torchvision's backbone.
    """
    if name == "full":
        return TrainOptions()
    if name.startswith("baseline"):
        as_ours = profile("full" if name == "baseline" else name.removeprefix("baseline_"))
        plain = KeypointShape(as_ours.keypoints.crop, 80, 0, "mobilenet_v3_large")
        return replace(as_ours, keypoints=plain)
    if name == "small":
        return replace(
            TrainOptions(),
            minutes=13.0,
            device="cpu",
            workers=1,
            threads=1,
            crops_per_film=4,
            crop_batch=16,
            film_batch=12,
            crop_capacity=8000,
            film_capacity=4000,
            warm=64,
            learning_rate=2e-3,
            ema=0.99,
            validation_films=48,
            validate_s=180.0,
            keypoints=KeypointShape(crop=128, width=24, depth=1),
            locator=LocatorShape(picture=128, width=12),
        )
    raise Problem(
        "profile",
        f"there is no profile `{name}`",
        "choose `full`, `small`, `baseline` or `baseline_small`",
    )
