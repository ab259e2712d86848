"""A small plot of angles over time, as an `<svg>` element that reads in grey too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 900, 280, 56, 40, 16
LIMIT = 15.0
"""Degrees at the plot's edge; what lies beyond is drawn there as an arrow head."""


@dataclass(frozen=True)
class Shot:
    """One reviewed film: when, and its angles in degrees."""

    when: str
    rotation: float | None
    tilt: float | None
    square: str | None


def plot(shots: Sequence[Shot], tolerance: float) -> str:
    """Rotation as filled dots, tilt as open squares, shots in the order given.

    Args:
        tolerance: degrees either side of zero, drawn as a band.
    """
    parts = [
        f'<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="rotation and tilt of {len(shots)} films in time order">',
        f'<rect x="{LEFT}" y="{_y(tolerance):.1f}" width="{WIDTH - LEFT}" '
        f'height="{_y(-tolerance) - _y(tolerance):.1f}" class="band"/>',
    ]
    for degrees in (-15, -10, -5, 0, 5, 10, 15):
        y = _y(degrees)
        parts.append(
            f'<line x1="{LEFT}" x2="{WIDTH}" y1="{y:.1f}" y2="{y:.1f}" '
            f'class="{"zero" if degrees == 0 else "grid"}"/>'
            f'<text x="{LEFT - 8}" y="{y + 5:.1f}" text-anchor="end">{degrees:+d}\u00b0</text>'
        )
    step = (WIDTH - LEFT - 20) / max(len(shots), 1)
    for number, shot in enumerate(shots):
        x = LEFT + 10 + (number + 0.5) * step
        if shot.rotation is not None:
            parts.append(_point(x - 4, shot.rotation, "dot"))
        if shot.tilt is not None:
            parts.append(_point(x + 4, shot.tilt, "box"))
    for number in sorted({0, len(shots) // 2, len(shots) - 1}) if shots else ():
        x = LEFT + 10 + (number + 0.5) * step
        anchor = {0: "start", len(shots) - 1: "end"}.get(number, "middle")
        parts.append(
            f'<text x="{x:.1f}" y="{HEIGHT - 12}" text-anchor="{anchor}">'
            f"{_day(shots[number])}</text>"
        )
    return "".join([*parts, "</svg>"])


def _y(degrees: float) -> float:
    share = (LIMIT - max(-LIMIT, min(LIMIT, degrees))) / (2 * LIMIT)
    return TOP + share * (HEIGHT - TOP - BOTTOM)


def _point(x: float, degrees: float, kind: str) -> str:
    y = _y(degrees)
    if abs(degrees) > LIMIT:
        out = -9 if degrees > 0 else 9
        return f'<path class="{kind}" d="M{x - 5:.1f} {y:.1f}h10l-5 {out}Z"/>'
    if kind == "dot":
        return f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>'
    return f'<rect class="box" x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8"/>'


def _day(shot: Shot) -> str:
    digits = shot.when[:8]
    return f"{digits[:4]}-{digits[4:6]}-{digits[6:]}" if digits.isdigit() else ""
