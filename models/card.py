"""The model card: what the weights are, how they were made, what they are not for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.bench.tables import markdown


def write_card(path: Path, facts: dict[str, Any], figures: dict[str, Any] | None) -> None:
    """Writes the card from the facts stored with the weights and, where given, an evaluation."""
    options = facts["options"]
    lines = [
        f"# Model card: {facts['name']}",
        "",
        "Two small convolutional networks. The **locator** looks at a whole film and says where a",
        "knee is, how large, which way its femur points, which view it is and which way it faces.",
        "The **keypoint network** looks at an oriented crop and gives landmarks with covariances,",
        "rotation, tilt and flexion with standard deviations, whether the crop is what it should",
        "be, and how probably the knee has an implant or other hardware.",
        "",
        "## What it is not for",
        "It is not a medical device and must not guide a live or autonomous procedure. Everything",
        "it proposes is for review by a person.",
        "",
        "## How it was made",
        "Trained on synthetic films only, made while training; no real film was used. Its errors",
        "on real films are not known from these figures.",
        "",
        f"- trained {facts['trained']}, code {facts['code_version']}, data {facts['data_version']}",
        f"- seed {options['seed']}, {facts['steps']} steps, {facts['films']} films,"
        f" {facts['seconds'] / 60:.1f} minutes"
        + (", after earlier weights' own training" if options.get("start_from") else ""),
        f"- keypoint crops {options['keypoints']['crop']} pixels, width"
        f" {options['keypoints']['width']}"
        + (f", backbone {backbone}" if (backbone := options["keypoints"].get("backbone")) else "")
        + f"; locator {options['locator']['picture']} pixels, width"
        f" {options['locator']['width']}",
        "",
        "## Figures",
        "On synthetic films held apart (other anatomy and seeds than in training). `mean` is what",
        "predicting the mean shape or angle gives.",
        "",
        *_validation(facts.get("validation") or {}),
    ]
    if figures:
        # Headline tables only; the accuracy page of the documentation has every landmark.
        headline = markdown(figures).split("\n\n**")[0]
        lines += ["", "From film to reading, as `squareon assess` measures it:", "", headline]
    lines += [
        "",
        "## Limits",
        "- Adults; implants and hardware of a few simple shapes only. Children and fractures",
        "  through the landmarks were not in the films.",
        "- Standard deviations are scaled on synthetic films and too small where a film differs.",
        "- Which condyle is which on a lateral film may be undecidable; the chance of a mix-up is",
        "  given and must be used.",
        "- The side of a lateral film cannot be told from the picture alone.",
        "",
    ]
    path.write_text("\n".join(lines))


def _validation(validation: dict[str, Any]) -> list[str]:
    rows = ["| view | crops | MRE mm (mean) | within 2 mm | rotation (mean) | tilt (mean) |"]
    rows.append("| --- | --- | --- | --- | --- | --- |")
    for view in ("AP", "lateral"):
        row = validation.get("keypoints", {}).get(view)
        if row:
            mae, mean = row["angle_mae_deg"], row["mean_angle_mae_deg"]
            rows.append(
                f"| {view} | {row['films']} | {row['mre_mm']:.2f} ({row['mean_shape_mre_mm']:.2f})"
                f" | {100 * row['sdr']['2']:.1f} % | {mae['rotation']:.2f} ({mean['rotation']:.2f})"
                f" deg | {mae['tilt']:.2f} ({mean['tilt']:.2f}) deg |"
            )
    place = validation.get("locator")
    if place:
        rows += ["", f"Knees found: {100 * place['found']:.1f} % of {place['knees']}."]
    for name, told in validation.get("keypoints", {}).get("found", {}).items():
        there, not_there = _percent(told["sensitivity"]), _percent(told["specificity"])
        rows += [
            "",
            f"{name.capitalize()}: {told['knees']} knees had it; told right where it was there"
            f" {there}, where not {not_there}.",
        ]
    return rows


def _percent(share: float | None) -> str:
    return "(none)" if share is None else f"{100 * share:.1f} %"
