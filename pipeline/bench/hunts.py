"""Invented studies of a hunter who wanders to a square view, with everything that is true of them.

One virtual knee is filmed again and again under a simulated operator (`closed_loop`), by a beam
that turns or a limb that is turned; films carry times, doses and, in some studies, the positioner's
angles. For demonstrations and for measuring the audit; computed, and marked as invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.align.beam import near_end, turned, turns_between
from pipeline.bench.closed_loop import Stand, draw_stand, draw_start, search
from pipeline.contracts import Aim, Patient, PosableScenario, Progress, silent
from pipeline.knee.film import Film
from pipeline.knee.landmarks import View
from pipeline.readers.dicom_shot import Positioner, Shot
from pipeline.records.dicom_out import Invention, dataset_of
from pipeline.records.files import disk_errors
from pipeline.registry import build

Array = NDArray[np.float64]
Pose = tuple[float, float]
Header = Literal["beam", "limb", "none"]

DAY = "20200101"
AFTER_DEG = 2.5
"""How far the hunter who does not see that the film is square turns on, standard deviation."""
SECONDS = (25, 90)
"""Between two films of a hunt (design value)."""
DOSE_DGY_CM2 = (0.3, 1.2)
"""Area dose product of one invented film, in DICOM's unit (design value)."""


@dataclass(frozen=True)
class Hunter:
    """How an invented study comes about.

    Attributes:
        view: hunted for.
        seed: of knee, start and everything else.
        header: `beam`, positioner's angles, and only the beam is turned; `limb`, positioner's
            angles, but every other step turns the limb; `none`, no angles in the header.
        tolerance_deg: within which a film is square.
        within: degrees by which the first beam is off at most.
        after: films taken after the first square one.
        most: films up to the first square one at most.
        dosed: whether headers state the dose.
        operator: a made-up code.
        pixels: rows and columns of a film.
        start: (rotation, tilt) of the first film; None: drawn.
    """

    view: View
    seed: int
    header: Header = "beam"
    tolerance_deg: float = 5.0
    within: float = 15.0
    after: int = 0
    most: int = 8
    dosed: bool = True
    operator: str = "A"
    pixels: int = 640
    start: Pose | None = None


@dataclass(frozen=True)
class HuntFilm:
    """One film of a hunt and what is true of it.

    Attributes:
        pose: (rotation, tilt), degrees.
        turn: (orbital, other) degrees since the film before, of beam or limb; None on the first.
        by_limb: whether the limb was turned.
        aim: how the film is taken.
        shot: what its header says.
    """

    pose: Pose
    turn: Pose | None
    by_limb: bool
    aim: Aim
    shot: Shot


@dataclass(frozen=True)
class Hunt:
    """A hunt before its films are made.

    Attributes:
        first_square: index of the first film within the tolerance, or None.
    """

    hunter: Hunter
    side: str
    stand: Stand
    films: tuple[HuntFilm, ...]
    patient: Patient

    @property
    def first_square(self) -> int | None:
        tolerance = self.hunter.tolerance_deg
        inside = (i for i, f in enumerate(self.films) if max(map(abs, f.pose)) <= tolerance)
        return next(inside, None)

    def film(self, index: int) -> Film:
        """The film itself; computed now."""
        return self.patient.film(self.films[index].aim, index)


def hunt_of(hunter: Hunter) -> Hunt:
    """The hunt of a hunter who searches one axis at a time. The same for the same hunter."""
    rng = np.random.default_rng([hunter.seed, 7])
    stand = draw_stand(hunter.view, rng)
    if hunter.start is None:
        start = draw_start(rng, hunter.within, hunter.tolerance_deg)
    else:
        start = hunter.start
    episode = search(stand, start, rng, tolerance=hunter.tolerance_deg, most=hunter.most)
    poses = list(episode.true)
    for _ in range(hunter.after):
        # On and on around square: the hunter does not know.
        wander = rng.normal(0, AFTER_DEG, 2).clip(-hunter.tolerance_deg, hunter.tolerance_deg)
        poses.append((float(wander[0]), float(wander[1])))
    return filmed(hunter, stand, poses, rng)


def filmed(hunter: Hunter, stand: Stand, poses: Sequence[Pose], rng: np.random.Generator) -> Hunt:
    """The hunt that shows these poses one after the other."""
    side = "right" if hunter.seed % 2 else "left"
    patient = patient_of(hunter, stand, side)
    aim = Aim(
        hunter.view,
        (1.0, 0.0, 0.0),
        off_centre_mm=(float(rng.normal(0, 8)), float(rng.normal(0, 8))),
        roll_deg=float(rng.normal(0, 5)),
        sid_mm=float(rng.uniform(950, 1050)),
        sod_mm=float(rng.uniform(700, 780)),
        source_at_near_end=hunter.view == "lateral" and bool(rng.random() < 0.5),
        field_mm=float(rng.uniform(170, 210)),
        pixels=hunter.pixels,
    )
    ends = [near_end(hunter.view, *pose, stand.flexion, stand.lie) for pose in poses]
    beam, films = ends[0], []
    clock = 9 * 3600 + float(rng.uniform(0, 3600))
    for number, (pose, end) in enumerate(zip(poses, ends, strict=True)):
        turn, by_limb = None, False
        if number:
            turn = turns_between(hunter.view, ends[number - 1], end)
            by_limb = hunter.header == "limb" and number % 2 == 1
            if not by_limb:
                beam = turned(hunter.view, beam, *turn)
        positioner = None
        if hunter.header != "none":
            positioner = positioner_of(beam, side, detector_near=not aim.source_at_near_end)
        shot = Shot(
            acquired=f"{DAY} {_clock(clock)}",
            number=number + 1,
            dose_area_gy_cm2=float(np.round(rng.uniform(*DOSE_DGY_CM2), 2)) / 10
            if hunter.dosed
            else None,
            kvp=65.0,
            positioner=positioner,
            lying_on_side=False,
            invented=True,
        )
        films.append(HuntFilm(pose, turn, by_limb, patient.aimed(aim, *pose), shot))
        clock += float(rng.uniform(*SECONDS))
    return Hunt(hunter, side, stand, tuple(films), patient)


def patient_of(hunter: Hunter, stand: Stand, side: str) -> Patient:
    """The virtual knee of a hunt. Raises `Problem` where no such scenario is installed."""
    options: dict[str, Any] = {
        "styles": ("c_arm",),
        "views": (hunter.view,),
        "side": side,
        "flexion_deg": (stand.flexion, stand.flexion),
        "tidy": True,
    }
    scenario: PosableScenario = build("scenario", "knee_films", options)
    return scenario.patient(hunter.seed)


def positioner_of(beam: Array, side: str, *, detector_near: bool) -> Positioner:
    """Angles about the body of a supine patient, to a tenth of a degree.

    Args:
        beam: (3,) toward the view's near end in the axes of `pipeline.align.beam`.
        detector_near: whether the detector stands there.
    """
    anterior, head, lateral = beam if detector_near else -beam
    left = lateral if side == "left" else -lateral
    primary = float(np.degrees(np.arctan2(left, anterior)))
    secondary = float(np.degrees(np.arcsin(np.clip(head, -1, 1))))
    return Positioner(round(primary, 1), round(secondary, 1), "patient", "HFS")


def _clock(seconds: float) -> str:
    whole = int(seconds)
    hours, minutes = whole // 3600, whole // 60 % 60
    return f"{hours:02d}{minutes:02d}{whole % 60:02d}.{int(1000 * (seconds - whole)):03d}"


# ---- files -------------------------------------------------------------------------------------


def write_hunt(
    hunt: Hunt,
    folder: Path,
    study: str,
    *,
    run: bool = False,
    progress: Progress = silent,
) -> list[Path]:
    """The films as DICOM under `folder`: separate images, or one run of several frames.

    A run states one dose for all its frames, and the positioner's angles by their increments.
    """
    sets = []
    for index, each in enumerate(hunt.films):
        invention = Invention(study, study, f"{study} hunt", f"{study} {index}", index + 1)
        data = dataset_of(hunt.film(index), invention)
        _circumstances(data, each.shot)
        data.OperatorsName = f"INVENTED^{hunt.hunter.operator}"
        sets.append(data)
        progress(index + 1, len(hunt.films))
    names = [f"shot-{index}.dcm" for index in range(1, len(sets) + 1)]
    if run:
        sets, names = [_as_run(sets, hunt)], ["run.dcm"]
    paths = [folder / name for name in names]
    for data, path in zip(sets, paths, strict=True):
        with disk_errors(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            data.save_as(path, enforce_file_format=True)
    return paths


def _circumstances(data: Any, shot: Shot) -> None:
    """What a header says of a shot."""
    day, _, clock = (shot.acquired or "").partition(" ")
    data.StudyDate = data.ContentDate = data.AcquisitionDate = day
    data.StudyTime = data.ContentTime = data.AcquisitionTime = clock
    data.KVP = f"{shot.kvp:g}"
    if shot.dose_area_gy_cm2 is not None:
        data.ImageAndFluoroscopyAreaDoseProduct = f"{10 * shot.dose_area_gy_cm2:.4g}"
    if shot.positioner is not None:
        data.PatientPosition = shot.positioner.patient
        data.PositionerMotion = "STATIC"
        data.PositionerPrimaryAngle = f"{shot.positioner.primary:.1f}"
        data.PositionerSecondaryAngle = f"{shot.positioner.secondary:.1f}"


def _as_run(sets: Sequence[Any], hunt: Hunt) -> Any:
    """Several single pictures as the frames of one."""
    run = sets[0]
    run.PixelData = b"".join(data.PixelData for data in sets)
    run.NumberOfFrames = len(sets)
    doses = [each.shot.dose_area_gy_cm2 for each in hunt.films]
    if None not in doses:
        run.ImageAndFluoroscopyAreaDoseProduct = f"{10 * sum(d or 0.0 for d in doses):.4g}"
    places = [each.shot.positioner for each in hunt.films]
    if all(place is not None for place in places):
        run.PositionerMotion = "DYNAMIC"
        for name, key in (("Primary", "primary"), ("Secondary", "secondary")):
            angles = [getattr(place, key) for place in places]
            steps = [0.0, *np.diff(angles)]
            setattr(run, f"Positioner{name}AngleIncrement", [f"{step:.1f}" for step in steps])
    return run
