"""From parameters to landmarks on a film, with the Jacobian.

Film axes: a along +x, b along +y (down), c away from the viewer, millimetres at the femur's
origin. The canonical film shows a right knee: on AP its lateral side toward -a and its front
toward the viewer (-c); on a lateral film its front toward -a and its lateral side away from the
viewer (+c). A left knee, mirrored in depth, is the same right knee with the source at the
other end. A point q = (qa, qb, qc) falls on

    (x, y) = principal + g w (qa, qb),   w = D / (D + s qc),

g pixels per mm at the femur's origin, D the source's distance, s = +1 where the source stands
on the viewer's side, -1 at the far end.

Parameters: rotation, tip, roll (rad); ta, tb (mm); log g; log D; tibia and patella in the
femur's frame: flexion, varus, axial (rad), x, y, z (mm); shape coefficients; on AP the four rim
points' own offsets (mm), because the tilt is that of these very points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.knee_shape import RIM_POINTS, KneeShape
from pipeline.fit.placing import Placed, Plan, plan_of
from pipeline.knee.landmarks import View

Array = NDArray[np.float64]

ROTATION, TIP, ROLL, TA, TB, LOG_G, LOG_D = range(7)
TIBIA = slice(7, 13)
PATELLA = slice(13, 19)
SHAPE = 19
RIM_SIZE = 12
FLEXION = 7

AXES = {
    # Columns: where X_f, Y_f, Z_f point on the film when square on.
    "AP": np.array([[0.0, 0, -1], [0, -1, 0], [-1, 0, 0]]),
    "lateral": np.diag([-1.0, -1.0, 1.0]),
}


def turn(axis: int, angle: float) -> Array:
    """(3, 3) rotation by `angle` (rad) about a coordinate axis."""
    c, s = math.cos(angle), math.sin(angle)
    if axis == 0:
        return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    if axis == 1:
        return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def turns(axis: int, angles: Array) -> Array:
    """(B, 3, 3) rotations by (B,) angles (rad) about a coordinate axis: `turn` of each."""
    out = np.zeros((len(angles), 3, 3))
    i, j = ((1, 2), (2, 0), (0, 1))[axis]
    out[:, axis, axis] = 1.0
    out[:, i, i] = out[:, j, j] = np.cos(angles)
    out[:, j, i] = np.sin(angles)
    out[:, i, j] = -out[:, j, i]
    return out


def slope_of(axis: int, angle: float) -> Array:
    """(3, 3) derivative of `turn` by its angle."""
    d = turn(axis, angle + math.pi / 2)
    d[axis, axis] = 0.0
    return d


def tip_axis(view: View) -> int:
    """The femur's own axis about which it is tipped: z on AP, x on a lateral film."""
    return 2 if view == "AP" else 0


def femur_turn(view: View, theta: Array) -> Array:
    """(3, 3) from the femur's frame to film axes."""
    return (
        turn(2, theta[ROLL])
        @ AXES[view]
        @ turn(1, theta[ROTATION])
        @ turn(tip_axis(view), theta[TIP])
    )


def femur_turns(view: View, thetas: Array) -> Array:
    """(B, 3, 3) `femur_turn` of each of (B, P) parameters."""
    spin = turns(1, thetas[:, ROTATION]) @ turns(tip_axis(view), thetas[:, TIP])
    return turns(2, thetas[:, ROLL]) @ (AXES[view] @ spin)


def femur_slopes(view: View, theta: Array) -> tuple[Array, Array, Array]:
    """(3, 3) derivatives of `femur_turn` per radian of rotation, tip and roll; `theta`: (P,)."""
    outer, spin = turn(2, theta[ROLL]) @ AXES[view], turn(1, theta[ROTATION])
    tip = turn(tip_axis(view), theta[TIP])
    return (
        outer @ slope_of(1, theta[ROTATION]) @ tip,
        outer @ spin @ slope_of(tip_axis(view), theta[TIP]),
        slope_of(2, theta[ROLL]) @ AXES[view] @ spin @ tip,
    )


def joint_turn(pose: Array) -> Array:
    """(3, 3) from a bone's frame to the femur's, for its flexion, varus and axial angle."""
    return turn(2, -pose[0]) @ turn(0, pose[1]) @ turn(1, pose[2])


def joint_turns(poses: Array) -> Array:
    """(B, 3, 3) `joint_turn` of each of (B, 6) poses."""
    return turns(2, -poses[:, 0]) @ turns(0, poses[:, 1]) @ turns(1, poses[:, 2])


def joint_slopes(pose: Array) -> tuple[Array, Array, Array]:
    """(3, 3) derivatives of `joint_turn` per radian of its three angles; `pose`: (6,)."""
    bend, varus, axial = turn(2, -pose[0]), turn(0, pose[1]), turn(1, pose[2])
    return (
        -slope_of(2, -pose[0]) @ varus @ axial,
        bend @ slope_of(0, pose[1]) @ axial,
        bend @ varus @ slope_of(1, pose[2]),
    )


@dataclass(frozen=True)
class BeamModel:
    """The forward model of one view for one knee shape.

    Args:
        shape: the compact knee.
        view: AP or lateral.
        source_side: s above.
        principal: (2,) pixel of the central ray.
    """

    shape: KneeShape
    view: View
    source_side: float
    principal: Array

    @property
    def _plan(self) -> Plan:
        return plan_of(self.shape, self.view)

    @property
    def size(self) -> int:
        """Number of parameters."""
        return SHAPE + self.shape.count + (RIM_SIZE if self.view == "AP" else 0)

    @property
    def rim(self) -> slice:
        """Where the rim points' offsets stand among the parameters; empty on a lateral film."""
        return slice(SHAPE + self.shape.count, self.size)

    def coefficients(self, theta: Array) -> Array:
        """(M,) shape coefficients."""
        return theta[SHAPE : SHAPE + self.shape.count]

    # -- points ---------------------------------------------------------------------------

    def film(self, bone: str, local: Array, theta: Array) -> Array:
        """(N, 3) points of a bone in its own frame to film axes, mm."""
        r = femur_turn(self.view, theta)
        if bone != "femur":
            part = theta[TIBIA if bone == "tibia" else PATELLA]
            own = joint_turn(part)
            local = local @ own.T + part[3:]
        return local @ r.T + np.array([theta[TA], theta[TB], 0.0])

    def pixels(self, film: Array, theta: Array) -> Array:
        """(N, 3) mm in film axes to (N, 2) pixels."""
        d = np.exp(theta[LOG_D])
        w = np.exp(theta[LOG_G]) * d / (d + self.source_side * film[..., 2:])
        return self.principal + w * film[..., :2]

    # -- landmarks ------------------------------------------------------------------------

    def place(self, theta: Array) -> Placed:
        """Where every landmark of the view falls for `theta`, (P,), and which point it is."""
        plan = self._plan
        turned, shift = self._bones(theta)
        coefficients = self.coefficients(theta)
        cloud = plan.cloud + (coefficients.astype(np.float32) @ plan.cloud_modes).reshape(3, -1)
        offsets = theta[self.rim].reshape(-1, 3)
        if len(offsets):
            cloud[:, plan.rim_rows] += offsets.T
        film = np.empty_like(cloud)
        for part, turn_of, shift_of in zip(plan.parts, turned, shift, strict=True):
            film[:, part] = turn_of.astype(np.float32) @ cloud[:, part]
            film[:, part] += shift_of.astype(np.float32)[:, None]
        # Pixels from the central ray: a choice does not depend on where the film begins.
        g, d = float(np.exp(theta[LOG_G])), float(np.exp(theta[LOG_D]))
        flat = film[:2] * (g * d / (d + self.source_side * film[2]))
        chosen = plan.choose(flat, self._directions(flat, turned, shift, theta))
        bone, modes = plan.bone[chosen.row], plan.modes[chosen.row]
        local = plan.mean[chosen.row] + modes @ coefficients
        for row, offset in zip(plan.rim_rows, offsets, strict=False):
            local[chosen.row == row] += offset
        exact = (turned[bone] @ local[:, :, None])[:, :, 0] + shift[bone]
        return Placed(
            plan.names,
            bone,
            plan.point[chosen.row],
            local,
            modes,
            self.pixels(exact, theta),
            chosen.normal,
            chosen.sd_normal,
            chosen.sd_along,
        )

    def _bones(self, theta: Array) -> tuple[Array, Array]:
        """(3, 3, 3) turns from each bone's frame to film axes and (3, 3) where its origin lies."""
        r = femur_turn(self.view, theta)
        origin = np.array([theta[TA], theta[TB], 0.0])
        turned, shift = [r], [origin]
        for part in (TIBIA, PATELLA):
            turned.append(r @ joint_turn(theta[part]))
            shift.append(r @ theta[part][3:] + origin)
        return np.stack(turned), np.stack(shift)

    def _directions(self, px: Array, turned: Array, shift: Array, theta: Array) -> dict[str, Array]:
        """(2,) unit film directions by name, right angles taken on the film."""
        ends = np.concatenate([np.zeros((3, 1, 3)), 20.0 * turned.transpose(0, 2, 1)], axis=1)
        ends = ends + shift[:, None]
        film = self.pixels(ends.reshape(-1, 3), theta).reshape(3, 4, 2)
        steps = film[:, 1:] - film[:, :1]
        x, y, z = (_unit(v) for v in steps[0])
        patella_up = _unit(steps[2, 1])
        patella_out = _square_to(patella_up, steps[2, 2])
        found = {"x": x, "y": y, "z": z, "patella_up": patella_up, "patella_out": patella_out}
        forward = 2 if self.view == "AP" else 0
        for number, bone in enumerate(("femur", "tibia")):
            start, end = (px[:, i] for i in self._plan.axis[bone])
            found[f"{bone}_along"] = along = _unit(end - start)
            found[f"{bone}_across"] = _square_to(along, steps[number, forward])
        if self.view == "AP":
            found["up"] = self._plan.below(px, y)
            across, up = found["tibia_across"], -found["tibia_along"]
            found["edge_medial"], found["edge_lateral"] = _unit(up - across), _unit(up + across)
        return found

    def point_jacobian(self, bone: str, index: NDArray[np.int64], theta: Array) -> Array:
        """(N, 2, P) pixels per parameter at points of a bone."""
        m = self.shape.count
        r, dr = femur_turn(self.view, theta), femur_slopes(self.view, theta)
        modes = self.shape.modes[bone][:, index]
        local = self.shape.mean[bone][index] + np.tensordot(self.coefficients(theta), modes, 1)
        dq = np.zeros((len(index), 3, self.size))
        if bone == "tibia" and self.view == "AP":
            rims = [index == int(self.shape.index[name]) for name in RIM_POINTS]
            for mine, offset in zip(rims, theta[self.rim].reshape(4, 3), strict=True):
                local[mine] += offset
        if bone == "femur":
            femoral, total = local, r
        else:
            part = TIBIA if bone == "tibia" else PATELLA
            own, d_own = joint_turn(theta[part]), joint_slopes(theta[part])
            femoral, total = local @ own.T + theta[part][3:], r @ own
            for i in range(3):
                dq[:, :, part.start + i] = local @ (r @ d_own[i]).T
            dq[:, :, part.start + 3 : part.stop] = r
            if bone == "tibia" and self.view == "AP":
                for i, mine in enumerate(rims):
                    start = SHAPE + m + 3 * i
                    dq[mine, :, start : start + 3] = total
        for i, column in enumerate((ROTATION, TIP, ROLL)):
            dq[:, :, column] = femoral @ dr[i].T
        dq[:, 0, TA] = dq[:, 1, TB] = 1.0
        dq[:, :, SHAPE : SHAPE + m] = (modes @ total.T).transpose(1, 2, 0)
        q = femoral @ r.T + np.array([theta[TA], theta[TB], 0.0])
        return self._pixel_slopes(dq, q, theta)

    def jacobian(self, theta: Array, placed: Placed) -> Array:
        """(K, 2, P) pixels per parameter at the points that `placed` chose at `theta`."""
        m = self.shape.count
        dr = femur_slopes(self.view, theta)
        (turned, shift), bone, local = self._bones(theta), placed.bone, placed.local
        r = turned[0]
        total = turned[bone]
        q = (total @ local[:, :, None])[:, :, 0] + shift[bone]
        femoral = (q - shift[0]) @ r
        dq = np.zeros((len(bone), 3, self.size))
        for i, column in enumerate((ROTATION, TIP, ROLL)):
            dq[:, :, column] = femoral @ dr[i].T
        dq[:, 0, TA] = dq[:, 1, TB] = 1.0
        dq[:, :, SHAPE : SHAPE + m] = total @ placed.modes
        for number, part in ((1, TIBIA), (2, PATELLA)):
            rows = np.flatnonzero(bone == number)
            for i, slope in enumerate(joint_slopes(theta[part])):
                dq[rows, :, part.start + i] = local[rows] @ (r @ slope).T
            dq[rows, :, part.start + 3 : part.stop] = r
        if self.view == "AP":
            for i, name in enumerate(RIM_POINTS):
                mine = (bone == 1) & (placed.index == int(self.shape.index[name]))
                start = SHAPE + m + 3 * i
                dq[mine, :, start : start + 3] = turned[1]
        return self._pixel_slopes(dq, q, theta)

    def _pixel_slopes(self, dq: Array, q: Array, theta: Array) -> Array:
        """(N, 2, P) pixels per parameter from (N, 3, P) mm per parameter at (N, 3) film mm."""
        d, g = np.exp(theta[LOG_D]), np.exp(theta[LOG_G])
        w = d / (d + self.source_side * q[:, 2])
        flat = q[:, :2]
        out = (g * w)[:, None, None] * dq[:, :2]
        depth = -g * w**2 * self.source_side / d
        out += (depth[:, None] * flat)[:, :, None] * dq[:, 2:3]
        out[:, :, LOG_G] += g * w[:, None] * flat
        # dw/dlogD = w - w^2: a farther source flattens the perspective.
        out[:, :, LOG_D] += g * (w - w**2)[:, None] * flat
        return out


def _unit(vector: Array) -> Array:
    """(2,) at length 1; a direction seen end on stays zero."""
    return vector / max(float(np.hypot(vector[0], vector[1])), 1e-12)


def _square_to(along: Array, toward: Array) -> Array:
    """The unit vector at right angles to `along` on the side of `toward`."""
    across = np.array([-along[1], along[0]])
    return across if across @ toward >= 0 else -across
