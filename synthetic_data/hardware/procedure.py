"""What is on a film taken during a procedure: introducers in place, their leads, drapes.

Introducers stand near the usual places for the superomedial, superolateral and inferomedial
genicular nerves and above the patella (Choi et al., Pain 2011;152:481; the place above the
patella is common practice, no source), at random depth and angle. None goes in on the
inferolateral side, where the common peroneal nerve runs. Sizes: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee, Mesh, Solid
from pipeline.knee.frames import Frames, frames_of
from synthetic_data.anatomy.geometry import unit
from synthetic_data.hardware.bodies import crossings, ellipsoid, hollow, pipe, prism, rod, tube
from synthetic_data.pathology.leg import noted

Array = NDArray[np.float64]

PLACES = ("superomedial", "superolateral", "inferomedial", "suprapatellar")


@dataclass(frozen=True)
class _Aim:
    """Where an introducer should end (3,) mm, and which way it comes from (3,) unit."""

    target: Array
    outward: Array


@dataclass
class Procedure:
    """One to four introducers, what hangs on them, and what lies about.

    Attributes:
        most: greatest number of introducers, 1 to 4.
        towel_share, pillow_share, tubing_share, table_share: share of films with each.
        short_mm, past_mm: how far a tip may stop before its place, and go beyond it.
    """

    most: int = 4
    towel_share: float = 0.5
    pillow_share: float = 0.4
    tubing_share: float = 0.2
    table_share: float = 0.35
    short_mm: float = 35.0
    past_mm: float = 18.0

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with them; bones stay as they are, `tips` says where each one ends."""
        frames = frames_of(knee.surfaces)
        number = int(rng.integers(1, self.most + 1))
        order = [PLACES[i] for i in rng.permutation(len(PLACES))]
        # The three usual places are used more often than the fourth.
        if number < 4 and rng.random() < 0.7:
            order.remove("suprapatellar")
        solids = dict(knee.solids)
        tips: list[Array] = []
        shafts: list[Array] = []
        facts: dict[str, float | str] = {}
        for name in order[:number]:
            aim = _aim(knee, frames, name)
            if aim is None:
                continue
            tip, parts, drawn = self._introducer(knee, frames, aim, rng)
            tips.append(tip)
            shafts.append(parts["cannula"].mesh.vertices.mean(axis=0))
            solids.update({f"{name}_{part}": solid for part, solid in parts.items()})
            facts.update({f"{name}_{key}": value for key, value in drawn.items()})
        solids.update(self._things(knee, frames, rng))
        knee = replace(
            knee,
            solids=solids,
            tips=np.concatenate([knee.tips, np.reshape(tips, (-1, 3))]),
            shafts=np.concatenate([knee.shafts, np.reshape(shafts, (-1, 3))]),
        )
        return noted(knee, "procedure", {"introducers": float(len(tips)), **facts})

    def _introducer(
        self, knee: Knee, frames: Frames, aim: _Aim, rng: np.random.Generator
    ) -> tuple[Array, dict[str, Solid], dict[str, float | str]]:
        """Its tip, its parts by name, and what was drawn."""
        f = frames.femur
        away = unit(aim.outward + rng.normal(0, 0.16, 3) + rng.uniform(-0.25, 0.25) * f.y)
        short = float(np.clip(rng.normal(0, 9), -self.past_mm, self.short_mm))
        if rng.random() < 0.2:
            short = float(rng.uniform(5, self.short_mm))
        over = crossings(knee.soft["skin"], aim.target, away)
        cover = float(over[over > 0].max()) if (over > 0).any() else self.short_mm
        tip = aim.target + min(short, cover - 3.0) * away + rng.normal(0, 1.5, 3)
        radius = float(rng.uniform(0.5, 0.9))
        bare = float(rng.uniform(4, 12))
        at = crossings(knee.soft["skin"], tip, away)
        skin = float(at[at > 0].max()) if (at > 0).any() else 40.0
        length = max(float(rng.choice([50.0, 75.0, 100.0, 150.0])), skin + 15.0)
        s = np.array([0.0, 0.6, 3.0, 4.5, bare, 0.5 * length, length])
        size = radius * np.array([0.15, 0.35, 0.95, 1.0, 1.0, 1.0, 1.0])
        curve = rng.normal(0, 1.2) * unit(np.cross(away, f.x + 0.3 * f.y))
        line = tip + s[:, None] * away + ((s / length) ** 2)[:, None] * curve
        back = line[-1]
        parts = {
            "cannula": Solid(tube(line, size, 10), "steel", "muscle", "instrument"),
            "sleeve": Solid(
                pipe(line[4:], radius + 0.18, radius, 10), "polyethylene", "muscle", "instrument"
            ),
        }
        behind = unit(line[-1] - line[-2])
        # Hub of plastic with a metal core; its lead bends away toward the foot or the head.
        hub = np.stack([back, back + 4 * behind, back + 20 * behind, back + 26 * behind])
        parts["hub"] = Solid(
            tube(hub, np.array([1.2, 2.8, 3.4, 2.0]), 10), "polyethylene", None, "thing"
        )
        parts["probe"] = Solid(
            rod(back - 1.0 * behind, back + 22 * behind, 0.45, 8), "steel", None, "instrument"
        )
        if rng.random() < 0.7:
            t = np.linspace(0, 1, 24)[:, None]
            start = hub[-1]
            drop = unit(rng.normal(0, 0.5, 3) - rng.choice([1.0, 1.0, -1.0]) * f.y + 0.3 * behind)
            end = start + rng.uniform(120, 220) * drop + rng.normal(0, 25, 3)
            knot = start + rng.uniform(25, 60) * behind
            cable = (1 - t) ** 2 * start + 2 * t * (1 - t) * knot + t**2 * end
            jacket = float(rng.uniform(1.0, 1.9))
            parts["lead"] = Solid(tube(cable, jacket, 8), "polyethylene", None, "thing")
            parts["wire"] = Solid(tube(cable, 0.25, 6), "copper", None, "thing")
        return tip, parts, {"short_mm": short, "radius_mm": radius, "bare_mm": bare}

    def _things(self, knee: Knee, frames: Frames, rng: np.random.Generator) -> dict[str, Solid]:
        """Towels over or under the limb, the pillow and the table under it, and tubing.

        Edges of all but the tubing are hardly seen, unless the beam runs along them.
        """
        f = frames.femur
        out: dict[str, Solid] = {}
        if rng.random() < self.towel_share:
            for i in range(int(rng.integers(1, 3))):
                angle = rng.uniform(-0.4, 0.4)
                along = np.cos(angle) * f.y + np.sin(angle) * f.z
                across = np.cross(along, f.x)
                # From an edge across the thigh or the leg, away from the knee.
                sign = float(rng.choice([-1.0, 1.0]))
                edge = f.origin + sign * rng.uniform(45, 120) * along
                front = rng.choice([-1.0, 1.0]) * rng.uniform(95, 130) * f.x
                corners = np.stack(
                    [
                        edge + a * across + b * sign * along
                        for a, b in ((-190, 0), (190, 0), (190, 260), (-190, 260))
                    ]
                )
                thick = rng.uniform(0.6, 2.2) * f.x
                out[f"towel_{i + 1}"] = Solid(
                    prism(corners + front, np.zeros(3), thick), "polyethylene", None, "thing"
                )
        if rng.random() < self.pillow_share:
            centre = f.origin - rng.uniform(120, 150) * f.x - rng.uniform(-60, 60) * f.y
            radii = np.array([rng.uniform(30, 55), rng.uniform(60, 110), rng.uniform(110, 180)])
            axes = np.stack([f.x, f.y, f.z])
            # Foam hardly attenuates: only its cover counts.
            cover = hollow(
                ellipsoid(centre, radii, axes), ellipsoid(centre, radii - rng.uniform(0.4, 1), axes)
            )
            out["pillow"] = Solid(cover, "polyethylene", None, "thing")
        if rng.random() < self.table_share:
            out.update(_table(frames, "pillow" in out, rng))
        if rng.random() < self.tubing_share:
            out.update(_tubing(knee, frames, rng))
        return out


def _table(frames: Frames, pillow: bool, rng: np.random.Generator) -> dict[str, Solid]:
    """The table's top: two thin sheets and foam that hardly attenuates between them.

    From the front only its edge is seen, where it is on the film at all; from the side the beam
    runs through the whole width of it. Sizes: common practice, no source.
    """
    f = frames.femur
    # The bent thigh lies about half as steep as the knee is bent.
    lean = np.radians(0.5 * frames.flexion_deg + rng.normal(0, 4))
    up = np.cos(lean) * f.y + np.sin(lean) * f.x
    front = np.cross(up, f.z)
    across = unit(f.z + rng.normal(0, 0.02) * up)
    depth = rng.uniform(175, 230) if pillow else rng.uniform(95, 150)
    middle = f.origin - depth * front + rng.normal(0, 60) * across
    half, long = rng.uniform(200, 280), rng.uniform(250, 500)
    corners = np.stack(
        [
            middle + a * half * across + b * long * up
            for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
    )
    thick, sheet = rng.uniform(25, 50), rng.uniform(0.5, 1.3)
    return {
        f"table_{name}": Solid(
            prism(corners - at * front, np.zeros(3), -sheet * front), "polyethylene", None, "thing"
        )
        for name, at in (("top", 0.0), ("bottom", thick))
    }


def _tubing(knee: Knee, frames: Frames, rng: np.random.Generator) -> dict[str, Solid]:
    """A plastic tube with water in it, across the limb in front of it or along its side."""
    f = frames.femur
    angle = rng.uniform(0, np.pi)
    along = np.cos(angle) * f.y + np.sin(angle) * f.z
    across = np.cross(along, f.x)
    side = f.z * rng.choice([-1.0, 1.0])
    beside = rng.random() < 0.5
    out = side if beside else f.x
    at = crossings(knee.soft["skin"], f.origin, out)
    clear = (float(at[at > 0].max()) if (at > 0).any() else 80.0) + rng.uniform(8, 40)
    middle = f.origin + clear * out + rng.uniform(-60, 60) * (f.x if beside else across)
    if beside:
        along = unit(f.y + rng.uniform(-0.4, 0.4) * f.x)
        across = np.cross(along, f.z)
    t = np.linspace(-1, 1, 40)[:, None]
    bow, wave = rng.uniform(-60, 60), rng.uniform(-15, 15)
    line = middle + 230 * t * along + (bow * t**2 + wave * np.sin(5 * t)) * across
    outer = float(rng.uniform(1.6, 3.2))
    inner = outer - float(rng.uniform(0.5, 0.9))
    return {
        "tubing": Solid(pipe(line, outer, inner, 10), "polyethylene", None, "thing"),
        "tubing_water": Solid(tube(line[1:-1], inner, 10), "water", None, "thing"),
    }


def _aim(knee: Knee, frames: Frames, name: str) -> _Aim | None:
    """The usual place on the bone's surface, half way between its front and its back."""
    f, t = frames.femur, frames.tibia
    if name == "suprapatellar":
        top = float(((knee.bones["patella"].vertices - f.shaft_point) @ f.shaft).max())
        height = max(top, 0.35 * f.width) + 45.0
        inside = f.shaft_point + height * f.shaft
        return _surface(knee.bones["femur"], inside, f.x)
    if name == "inferomedial":
        inside = t.shaft_point - 0.32 * f.width * t.y
        return _surface(knee.bones["tibia"], inside, -t.z)
    sign = -1.0 if name == "superomedial" else 1.0
    inside = f.shaft_point + 0.62 * f.width * f.shaft
    return _surface(knee.bones["femur"], inside, sign * f.z)


def _surface(bone: Mesh, inside: Array, outward: Array) -> _Aim | None:
    at = crossings(bone, inside, outward)
    return _Aim(inside + at[-1] * outward, outward) if len(at) and at[-1] > 0 else None
