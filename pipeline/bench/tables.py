"""The figures of an assessment as Markdown tables."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def number(value: float | None, digits: int = 2) -> str:
    """A number, or a dash for none."""
    return "-" if value is None else f"{value:.{digits}f}"


def percent(share: Mapping[str, Any]) -> str:
    """A share with its interval and count, in per cent."""
    if not share.get("n"):
        return "-"
    return (
        f"{100 * share['share']:.1f} % ({100 * share['low']:.1f} to {100 * share['high']:.1f}; "
        f"n = {share['n']})"
    )


def _row(name: str, kind: str, errors: Mapping[str, Any]) -> str:
    if not errors.get("n"):
        return f"| {name} | {kind} | 0 | - | - | - | - | - | - | - |"
    sdr = " | ".join(f"{100 * errors[f'sdr_{limit}']:.1f}" for limit in ("2", "2.5", "3", "4"))
    low, high = errors["mean_95"]
    return (
        f"| {name} | {kind} | {errors['n']} | {errors['mean_mm']:.2f} ({low:.2f} to {high:.2f}) | "
        f"{errors['median_mm']:.2f} | {errors['p95_mm']:.2f} | {sdr} |"
    )


def markdown(figures: Mapping[str, Any]) -> str:
    """Headline figures, angles, and one row per landmark, view by view."""
    view = figures["view"]
    lines = [
        f"{figures['films']} synthetic films with {figures['knees']} knees, seeds and anatomy that "
        "training never used. 95 % intervals: of means by bootstrap over films, of shares exact "
        "(Clopper and Pearson).",
        "",
        "| | |",
        "| --- | --- |",
        f"| view right | {percent(view['right'])} |",
        f"| knees missed | {view['missed']} |",
        f"| right way round (AP: side; lateral: facing) | {percent(view['way_round_right'])} |",
        f"| other projections refused | {percent(view['other_refused'])} |",
        f"| films without a knee: none found | {percent(view['no_knee_refused'])} |",
        "",
        "| view | angle | n | MAE (deg) | 95th | bias | direction right when > 2 deg off "
        "| inside its 90 % interval | network alone MAE |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, part in figures["views"].items():
        for angle, a in part["angles"].items():
            if not a.get("n"):
                continue
            low, high = a["mae_95"]
            lines.append(
                f"| {name} | {angle} | {a['n']} | {a['mae']:.2f} ({low:.2f} to {high:.2f}) | "
                f"{a['p95']:.2f} | {a['bias']:+.2f} | {percent(a['direction'])} | "
                f"{100 * a['coverage_90']:.1f} % | {number(a['direct_mae'])} |"
            )
    lines += [
        "",
        "| square on within | films | truly square | calibration error | Brier | verdict given "
        "| of these right |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, row in figures["square"]["both"].items():
        lines.append(
            f"| {name} | {row['n']} | {row['square']} | {row['ece']:.3f} | {row['brier']:.3f} | "
            f"{100 * row['told']:.1f} % | {100 * (row['told_right'] or 0):.1f} % |"
        )
    for name, part in figures["views"].items():
        lines += [
            "",
            f"**{name}**: errors in mm at the knee; `chief` = radial at fixed landmarks, normal "
            "to the outline at contour ones. SDR in % at 2, 2.5, 3 and 4 mm.",
            "",
            "| landmark | error | n | mean | median | 95th | 2 | 2.5 | 3 | 4 |",
            "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
            _row("all", "radial", part["all"]["radial"]),
            _row("all", "chief", part["all"]["chief"]),
        ]
        for landmark, errors in part["landmarks"].items():
            lines.append(_row(landmark, "radial", errors["radial"]))
            if "normal" in errors:
                lines.append(_row(landmark, "normal", errors["normal"]))
    return "\n".join(lines) + "\n"
