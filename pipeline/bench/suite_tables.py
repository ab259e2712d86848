"""The figures of a suite as Markdown tables: one row per condition."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.bench.suite import VIEWS
from pipeline.bench.tables import number, percent
from pipeline.knee.angles import ANGLES


def _spread(three: Mapping[str, Any], digits: int = 2) -> str:
    if not three.get("n"):
        return "-"
    return f"{three['value']:.{digits}f} ({three['low']:.{digits}f} to {three['high']:.{digits}f})"


def _shares(three: Mapping[str, Any]) -> str:
    if not three.get("n"):
        return "-"
    low, high = 100 * three["low"], 100 * three["high"]
    return f"{100 * three['value']:.1f} % ({low:.1f} to {high:.1f})"


def held(cover: Mapping[str, Any]) -> str:
    """A coverage with its interval, in per cent."""
    if not cover["n"]:
        return "-"
    low, high = 100 * cover["low"], 100 * cover["high"]
    return f"{100 * cover['held']:.1f} ({low:.0f} to {high:.0f})"


def suite_markdown(figures: Mapping[str, Any]) -> str:
    """The goals per condition, the angles per view, and the probability of being square."""
    made, conditions = figures["made_by"], figures["conditions"]
    lines = [
        f"{made['films']} films a condition, seeds from {made['first_seed']}, which training never "
        "used; every condition reads the same seeds. 95 % intervals in brackets.",
        "",
        "| condition | knees | view right | landmarks, mean (mm) | within 2 mm | angles, MAE (deg) "
        "| 95th | direction right when > 2 deg off |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, row in conditions.items():
        both = row["both"]
        lines.append(
            f"| {words(name)} | {row['knees']} | {percent(row['view_right'])} | "
            f"{_spread(both['landmarks'])} | {_shares(both['sdr_2'])} | {_spread(both['mae'])} | "
            f"{number(both['p95'])} | {percent(both['direction'])} |"
        )
    lines += [
        "",
        "Landmarks: radial at fixed landmarks, normal to the outline at contour ones, mm at the "
        "knee. Angles: rotation and tilt together.",
        "",
        "| condition | view | knees | landmarks (mm) | rotation MAE | tilt MAE | network alone: "
        "rotation, tilt | rotation inside its 90 % interval | tilt inside | half width: rotation, "
        "tilt | factor needed: rotation, tilt |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, row in conditions.items():
        for view in VIEWS:
            part = row[view]
            if not part["posed"]:
                continue
            two = [part[angle] for angle in ANGLES]
            cover = [each["coverage"] for each in two]
            lines.append(
                f"| {words(name)} | {view} | {part['knees']} | {_spread(part['landmarks'])} | "
                + " | ".join(_spread(each["mae"]) for each in two)
                + f" | {', '.join(number(each['direct_mae']) for each in two)} | "
                + " | ".join(held(each) for each in cover)
                + f" | {', '.join(number(each['half_width'], 1) for each in cover)} | "
                + f"{', '.join(number(each['needed']) for each in cover)} |"
            )
    lines += [
        "",
        "Factor needed: what the deviations would have to be multiplied by for 90 % intervals to "
        "hold there.",
        "",
        "| condition | square on within | truly square | calibration error | Brier | verdict given "
        "| of these right |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, row in conditions.items():
        for tolerance, part in row["square"].items():
            right = part["told_right"]
            lines.append(
                f"| {words(name)} | {tolerance} | {part['square']} of {part['n']} | "
                f"{part['ece']:.3f} | {part['brier']:.3f} | {100 * part['told']:.1f} % | "
                f"{'-' if right is None else f'{100 * right:.1f} %'} |"
            )
    lines += _beside(conditions) + _tips(conditions)
    return "\n".join(lines) + "\n"


def _beside(conditions: Mapping[str, Any]) -> list[str]:
    rows = [
        f"| {words(name)} | {words(row['beside']['name'])} | {row['beside']['landmarks']['n']} | "
        f"{_spread(row['beside']['landmarks'])} | {_spread(row['beside']['mae'])} |"
        for name, row in conditions.items()
        if "beside" in row
    ]
    if not rows:
        return []
    return [
        "",
        "Errors as a multiple of those of the same knees in the same beam under another condition:",
        "",
        "| condition | beside | knees | landmarks | angles |",
        "| --- | --- | --- | --- | --- |",
        *rows,
    ]


def _tips(conditions: Mapping[str, Any]) -> list[str]:
    rows = [
        f"| {words(name)} | {percent(row['tips']['within_1.5'])} | {row['tips']['found_nowhere']} |"
        for name, row in conditions.items()
        if row["tips"]["within_1.5"]["n"]
    ]
    if not rows:
        return []
    return [
        *_depths(conditions),
        "",
        "| condition | tips of instruments found within 1.5 mm | found where there is none |",
        "| --- | --- | --- |",
        *rows,
    ]


def _depths(conditions: Mapping[str, Any]) -> list[str]:
    """Depths of found tips on lateral films, where a run has measured them."""
    rows = []
    for name, row in conditions.items():
        for which, said in (("square", "up to 2 degrees off"), ("all", "all")):
            depth = row["tips"].get("depth", {}).get(which, {}).get("found", {"n": 0})
            if depth["n"]:
                rows.append(
                    f"| {words(name)} | {said} | {percent(depth['within_3'])} | "
                    f"{depth['mae']:.1f} | {percent(depth['coverage_90'])} |"
                )
    if not rows:
        return []
    return [
        "",
        "| condition | lateral films | depth of tips within 3 points of % | mean error, points | "
        "90 % interval holds |",
        "| --- | --- | --- | --- | --- |",
        *rows,
    ]


def words(name: str) -> str:
    """A condition's name as words."""
    return name.replace("_", " ")
