"""Area dose products added up: what no header states stays unknown."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from pipeline.audit.model import Dose, FilmRead


def dose_of(films: Sequence[FilmRead]) -> Dose:
    """The dose of the pictures of `films`, each picture once.

    A run's dose that is stated only as a whole counts where all its pictures are among them; it
    is never divided.
    """
    pictures = {film.picture: film.shot for film in films}
    runs: dict[str, int] = defaultdict(int)
    for (source, _), shot in pictures.items():
        if shot.dose_area_gy_cm2 is None and shot.run_dose_area_gy_cm2 is not None:
            runs[source] += 1
    total, stated, undivided, counted = 0.0, 0, 0, set()
    for (source, _), shot in pictures.items():
        if shot.dose_area_gy_cm2 is not None:
            total, stated = total + shot.dose_area_gy_cm2, stated + 1
        elif shot.run_dose_area_gy_cm2 is not None:
            if runs[source] < shot.frames:
                undivided += 1
                continue
            stated += 1
            if source not in counted:
                counted.add(source)
                total += shot.run_dose_area_gy_cm2
    return Dose(total if stated else None, stated, len(pictures), undivided)


def together(doses: Iterable[Dose]) -> Dose:
    """Several doses of different pictures added up."""
    every = list(doses)
    known = [dose.gy_cm2 for dose in every if dose.gy_cm2 is not None]
    return Dose(
        sum(known) if known else None,
        sum(dose.stated for dose in every),
        sum(dose.pictures for dose in every),
        sum(dose.undivided for dose in every),
    )
