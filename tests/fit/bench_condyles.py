"""Which condyle is which, on laterals nobody trained on: the table, and the calibration.

    python tests/fit/bench_condyles.py [--films 400] [--seed 310000] [--weights FOLDER]

Prints how often the likelier naming is right as a function of how far the condyles stand apart,
and the `naming_trust` and `naming_evidence` that fit these films best. Calibrate on one set of
seeds, report on another.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from condyle_names import (
    calibrate,
    condyle_markdown,
    condyle_summary,
    naming_of,
    separation_mm,
)

from pipeline.fit.fused import FusedPose
from pipeline.registry import build


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--films", type=int, default=400)
    parser.add_argument("--seed", type=int, default=310_000)
    parser.add_argument("--weights", default="")
    arguments = parser.parse_args()
    options = {"views": ["lateral"], "other_share": 0.0, "no_knee_share": 0.0}
    scenario = build("scenario", "knee_films", options)
    detector = build("detector", "onnx", {"folder": arguments.weights})
    estimator = FusedPose()
    namings, log_odds, costs, right = [], [], [], []
    for seed in range(arguments.seed, arguments.seed + arguments.films):
        labelled = scenario.make(seed)
        (truth,) = labelled.knees
        found = [d for d in detector.detect(labelled.film) if d.view == "lateral"]
        if not found or found[0].direct is None:
            continue
        detection, direct = found[0], found[0].direct
        namings.append(naming_of(truth, estimator.estimate(labelled.film, detection)))
        if separation_mm(truth) < 2.0:
            continue  # where the condyles eclipse, a sign says little about names
        explained = estimator.explain(labelled.film, detection)
        flip = float(np.clip(direct.flip_probability, 1e-4, 1 - 1e-4))
        log_odds.append(np.log((1 - flip) / flip))
        costs.append(explained.best(1).cost - explained.best(0).cost)
        right.append(
            direct.rotation_deg * truth.rotation_deg + direct.tilt_deg * truth.tilt_deg > 0
        )
    print(condyle_markdown(condyle_summary(namings)))
    trust, evidence = calibrate(log_odds, costs, right)
    print(f"best for these films: naming_trust {trust:.2f}, naming_evidence {evidence:.2f}")


if __name__ == "__main__":
    main()
