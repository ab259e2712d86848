"""The warning zone of the common peroneal nerve, drawn on both views."""

from __future__ import annotations

import numpy as np

from pipeline.align.points import across, px_of, spot, tibia_up
from pipeline.contracts import Sight
from pipeline.knee.reading import Warning_

NAME = "common peroneal nerve zone"
LENGTH_MM, LENGTH_W = 60.0, 0.75
"""From the tip of the fibula: mean + 2 SD of the published branching levels (Hohenberger, 101
limbs; Ryan; Rausch 2019; Teo 2020)."""
MARGIN_MM, MARGIN_W = 15.0, 0.1875
FIBULA_W = 0.25
"""Width of the fibular head in W where no fitted knee shows it (design value)."""


def peroneal_zone(sight: Sight) -> Warning_ | None:
    """The zone as a polygon in pixels, None where the fibular tip is nowhere to be found.

    From the fibular tip to 60 mm (0.75 W) below it, the fibula's width plus 15 mm either side.
    It is drawn whether targets are proposed or withheld, and may reach past the film's edge.
    """
    tip = spot(sight, "fibular_head")
    if tip is None:
        return None
    up = tibia_up(sight)
    aside = across(sight, up)
    length = px_of(sight, LENGTH_MM, LENGTH_W)
    margin = px_of(sight, MARGIN_MM, MARGIN_W)
    half = px_of(sight, 80.0 * FIBULA_W, FIBULA_W) / 2
    least, greatest = -half, half
    outline = sight.pose.outline.get("fibula")
    if outline is not None:
        rel = np.asarray(outline) - tip.xy
        below = -(rel @ up)
        zone = (below > 0) & (below < length)
        if zone.any():
            least, greatest = float((rel @ aside)[zone].min()), float((rel @ aside)[zone].max())
    least, greatest = least - margin, greatest + margin
    corners = [(0.0, least), (0.0, greatest), (length, greatest), (length, least)]
    polygon = [tip.xy - down * up + side * aside for down, side in corners]
    return Warning_(NAME, tuple((float(p[0]), float(p[1])) for p in polygon))
