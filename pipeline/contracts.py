"""The contracts: one small Protocol per stage. A plugin is a dataclass that fulfils one.

A plugin's options are its own dataclass fields; it is found through an entry point in the group
`squareon.<stage>` (docs/guides/plugins.md) and built by `pipeline.registry.build`.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.detection import Detection, Pose
from pipeline.knee.film import Film
from pipeline.knee.frames import Frames
from pipeline.knee.landmarks import View
from pipeline.knee.reading import CriterionRead, Proposal, Reading
from pipeline.knee.truth import KneeTruth, LabelledFilm


@runtime_checkable
class FilmReader(Protocol):
    """Turns one file into films."""

    def accepts(self, path: Path) -> bool:
        """Whether this reader should try `path`; looks at name and first bytes only."""
        ...

    def read(self, path: Path) -> Iterable[Film]:
        """The films in `path`, one per frame. Raises `Problem` where it cannot be read."""
        ...


@dataclass(frozen=True)
class AnatomyRequest:
    """What a scenario asks of an anatomy source; None = the source draws it from `rng`."""

    sex: str | None = None
    flexion_deg: float = 0.0
    weight_bearing: bool = False
    bmi: float | None = None


@runtime_checkable
class AnatomySource(Protocol):
    """Makes right knees."""

    def sample(self, rng: np.random.Generator, request: AnatomyRequest) -> Knee:
        """A new knee; the same generator state gives the same knee."""
        ...


@runtime_checkable
class Finding(Protocol):
    """Something an adult knee may have: disease, an implant, hardware, instruments."""

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with it. Bones keep their faces, so that vertices still correspond."""
        ...


@runtime_checkable
class Renderer(Protocol):
    """Measures how much of each ray lies inside each closed surface."""

    def path_lengths(self, meshes: Sequence[Mesh], camera: Camera) -> NDArray[np.float32]:
        """(len(meshes), rows, columns) mm of each pixel's ray inside each surface."""
        ...


TRAINING_SEEDS = 1_000_000_000
"""Training draws its films from this seed on; whatever is measured on stays below."""


@runtime_checkable
class Scenario(Protocol):
    """Makes labelled synthetic films of one kind of practice."""

    def make(self, seed: int) -> LabelledFilm:
        """The film of that seed: the same bytes for the same seed and version everywhere."""
        ...


@dataclass(frozen=True)
class Aim:
    """How one film of a patient is taken: where the beam stands to the knee.

    Attributes:
        view: what the film is meant to show.
        toward: direction of the central ray toward the near end of the view (in front of the
            knee, or on its lateral side), along the femur's X_f, Y_f, Z_f; of any length.
        off_centre_mm: where the femur's origin lies from the central ray, at the knee: across
            (lateral on AP, anterior on a lateral film) and proximal.
        roll_deg: turn of the femur on the film, + = proximal end clockwise.
        sid_mm, sod_mm: source to receptor, source to the plane of the knee.
        source_at_near_end: the tube, not the receptor, stands at the near end.
        field_mm: side of the square field at the knee.
        pixels: rows and columns of the film.
    """

    view: View
    toward: tuple[float, float, float]
    off_centre_mm: tuple[float, float] = (0.0, 0.0)
    roll_deg: float = 0.0
    sid_mm: float = 1000.0
    sod_mm: float = 740.0
    source_at_near_end: bool = False
    field_mm: float = 190.0
    pixels: int = 768


@runtime_checkable
class Patient(Protocol):
    """One subject, of whom any number of films can be taken under beams of one's choosing."""

    @property
    def knee(self) -> Knee:
        """The articulated right knee (a left one is seen in a mirror)."""
        ...

    @property
    def frames(self) -> Frames:
        """Its frames."""
        ...

    def aimed(self, aim: Aim, rotation_deg: float, tilt_deg: float) -> Aim:
        """`aim` turned so that its film shows just these angles, whatever its `toward`."""
        ...

    def camera(self, aim: Aim) -> Camera:
        """The beam and the pixels of such a film, in the knee's axes."""
        ...

    def film(self, aim: Aim, number: int = 0) -> Film:
        """The film; only its noise hangs on `number`. The same bytes for the same arguments."""
        ...

    def truth(self, aim: Aim) -> KneeTruth:
        """What is exactly true on that film."""
        ...


@dataclass(frozen=True)
class Shot:
    """One film of a scene that is not drawn: the whole film's camera, and what is true on it."""

    camera: Camera
    truth: KneeTruth


@dataclass(frozen=True)
class Look:
    """A square part of a shot's film, to be drawn by itself.

    Attributes:
        shot: which of the scene's shots.
        camera: sees that part; square.
        to_film: (2, 3), the part's pixels to the film's.
    """

    shot: int
    camera: Camera
    to_film: NDArray[np.float64]


@runtime_checkable
class Scene(Protocol):
    """One subject under several beams, ready to be drawn on a device."""

    @property
    def shots(self) -> Sequence[Shot]:
        """The films that could be made."""
        ...

    def packed(self, looks: Sequence[Look], rng: np.random.Generator) -> dict[str, NDArray[Any]]:
        """Everything that the scenario's `Developer` needs, as plain arrays."""
        ...


@runtime_checkable
class Developer(Protocol):
    """Draws the looks of packed scenes on a CUDA device, many at once."""

    def develop(self, packed: Sequence[Mapping[str, NDArray[Any]]]) -> tuple[Any, Any]:
        """Grey values (looks, size, size) 0 to 1, and whether each pixel lies on the film.

        Tensors on the device, looks in the order of the scenes. Noise is new every time.
        """
        ...


@runtime_checkable
class SceneScenario(Scenario, Protocol):
    """A scenario whose films can also be made in two halves: scenes here, pictures on a GPU."""

    def scene(self, seed: int, shots: int) -> Scene:
        """The subject of that seed under `shots` beams."""
        ...

    def developer(self, device: str) -> Developer:
        """Raises `Problem` where there is no CUDA device."""
        ...


@runtime_checkable
class PosableScenario(Scenario, Protocol):
    """A scenario whose subjects can be filmed again and again."""

    def patient(self, seed: int) -> Patient:
        """The subject of that seed: the same knee, technique and console every time."""
        ...


@runtime_checkable
class Detector(Protocol):
    """Finds knees and their landmarks."""

    @property
    def weights(self) -> str:
        """Name and digest of what was learned, for the record."""
        ...

    def detect(self, film: Film) -> Sequence[Detection]:
        """All knees on the film; one with view `none` where there is no knee."""
        ...


@runtime_checkable
class PoseEstimator(Protocol):
    """Works out how the knee stood in the beam."""

    def estimate(self, film: Film, detection: Detection) -> Pose:
        """The pose. Raises `Problem` where the detection does not allow one."""
        ...


@dataclass(frozen=True)
class Sight:
    """All that criteria and target rules may look at for one knee.

    `partner` is the other view of the same knee in the same study, where there is one.
    `side` is the side settled on (header before image), or None. `tolerance_deg` and
    `ap_rotation_zero` come from the alignment options.
    """

    film: Film
    detection: Detection
    pose: Pose
    side: str | None
    tolerance_deg: float
    ap_rotation_zero: float
    partner: Sight | None = None


@runtime_checkable
class AlignmentCriterion(Protocol):
    """Judges one thing an expert would look at."""

    def judge(self, sight: Sight) -> Sequence[CriterionRead]:
        """Rows of the criteria table; none where the criterion does not concern the view."""
        ...


@runtime_checkable
class TargetRule(Protocol):
    """Proposes targets for a person to review."""

    def propose(self, sight: Sight, square: str) -> Sequence[Proposal]:
        """Proposals, withheld ones included with the reason."""
        ...


@runtime_checkable
class Writer(Protocol):
    """Writes readings out."""

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        """Adds one film's readings under `out`; safe to call again for the same film."""
        ...

    def finish(self, out: Path) -> None:
        """Called once after the last film; completes tables and pages."""
        ...


@runtime_checkable
class Command(Protocol):
    """One word of the command line: `squareon NAME ...`.

    Its settings live in `configs/NAME.yaml`, typed by the dataclass `settings`; a field of type
    `dict` is an open section whose keys are options of the plugin it names. A command without
    settings says None and takes no `key=value`.
    """

    help: str
    settings: type | None

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Adds the command's own arguments; may set `parser.epilog` to teach by example."""
        ...

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        """Does the work and returns the exit status; 0 = all well. Raises `Problem`."""
        ...


STAGES: dict[str, type] = {
    "reader": FilmReader,
    "anatomy": AnatomySource,
    "finding": Finding,
    "renderer": Renderer,
    "scenario": Scenario,
    "detector": Detector,
    "pose": PoseEstimator,
    "criterion": AlignmentCriterion,
    "target": TargetRule,
    "writer": Writer,
    "command": Command,
}


Progress = Callable[[int, int | None], None]
"""Told how much of long work is done, and how much there is; None = not known yet."""


def silent(done: int, total: int | None) -> None:
    """The progress that nobody watches."""
