"""The ideal solver: knows the truth, solves around it for everything that is uncertain.

It shares no code with the tool but the projection. Derivatives are central differences at the
truth, so its u is the Bayesian Cramér-Rao bound of the session (H. L. Van Trees, "Detection,
Estimation, and Modulation Theory", part I, 1968, section 2.4, for a linear Gaussian problem), and
its own z tells whether the bench draws what it states.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from bench_cameras import LENS_NAMES
from bench_scene import Case, TrueCamera, turn
from bench_truth import Floats, TruePath, mean_along_course, solve_time
from bench_write import Rows

from vidspeed.geometry.lens import project
from vidspeed.values import Pose


@dataclass(frozen=True, slots=True, kw_only=True)
class Ideal:
    """What the ideal solver makes of the first pass: speed and its standard uncertainty."""

    speed_mps: float
    u_mps: float
    chi2: float
    dof: int


class Block:
    """The layout of the unknowns: named slices of one vector of departures from the truth."""

    def __init__(self) -> None:
        self.steps: list[float] = []
        self.where: dict[str, slice] = {}

    def add(self, name: str, steps: list[float]) -> None:
        """Append unknowns with the steps of their differences."""
        self.where[name] = slice(len(self.steps), len(self.steps) + len(steps))
        self.steps += steps


def solve_ideal(case: Case, tracks: list[Rows]) -> Ideal:
    """Solve the first pass of a case; `tracks` are its lights as written, a list a camera."""
    block = lay_out(case)
    model = Model(case, tracks, block)
    steps = np.array(block.steps)
    zero = np.zeros(len(steps))
    jacobian = slopes(model.residuals, zero, steps)
    weight = model.whitener()
    white = weight @ jacobian * steps
    theta = zero.copy()
    for _ in range(4):
        at_hand = slopes(model.residuals, theta, steps)
        step = np.linalg.lstsq(
            weight @ at_hand * steps, weight @ model.residuals(theta), rcond=None
        )
        theta = theta - steps * step[0]
    covariance = np.linalg.inv(white.T @ white)
    speed_slope = slopes(lambda t: np.array([model.speed(t)]), zero, steps)[0] * steps
    left = weight @ model.residuals(theta)
    return Ideal(
        speed_mps=model.speed(theta),
        u_mps=float(np.sqrt(speed_slope @ covariance @ speed_slope)),
        chi2=float(left @ left),
        dof=len(left) - len(steps),
    )


def slopes(function: Callable[[Floats], Floats], at: Floats, steps: Floats) -> Floats:
    """Return the derivatives of a vector function by central differences, a column an unknown."""
    columns = []
    for index, step in enumerate(steps):
        shift = np.zeros(len(at))
        shift[index] = step
        columns.append((function(at + shift) - function(at - shift)) / (2.0 * step))
    return np.stack(columns, axis=1)


def lay_out(case: Case) -> Block:
    """Name the unknowns of a case's first pass."""
    block = Block()
    block.add("s", [1e-5])
    block.add("markers", [1e-3] * 3 * len(case.markers))
    block.add("path", [1e-3, 1e-3, 1e-3, *[1e-2] * 3, *[1e-1] * 3, *[1.0] * 3])
    for index, camera in enumerate(case.cameras):
        lens = "lens" in case.stated["camera"][index]
        block.add(f"pose {camera.name}", [1e-5] * 3 + [1e-3] * 3)
        block.add(f"lens {camera.name}", [1e-1] * (4 if lens else 3) + [1e-4] * (5 if lens else 1))
        block.add(f"clock {camera.name}", [1e-6])
        if camera.readout_s > 0.0:
            block.add(f"readout {camera.name}", [1e-4])
        if "sync" in case.stated:
            block.add(f"exposure {camera.name}", [1e-4])
        if index:
            block.add(f"start {camera.name}", [1e-4])
        if case.stated["craft"]["lamp_u_m"] > 0.0:
            block.add(f"lamp {camera.name}", [1e-3] * 2)
    return block


class Model:
    """The whole session as observed less predicted, over standard uncertainty."""

    def __init__(self, case: Case, tracks: list[Rows], block: Block) -> None:
        self.case = case
        self.block = block
        self.path = case.paths[0]
        self.places = np.array(case.true_markers)
        self.tracks = [{k: np.array([row[k] for row in rows]) for k in rows[0]} for rows in tracks]
        self.light_rows: list[slice] = []
        self.residuals(np.zeros(len(block.steps)))

    def part(self, theta: Floats, name: str, count: int = 1) -> Floats:
        """Return the unknowns of a name; zeros where the case has none."""
        where = self.block.where.get(name)
        return np.zeros(count) if where is None else theta[where]

    def moved_path(self, theta: Floats) -> TruePath:
        """Return the smooth path at the unknowns."""
        terms = self.path.terms + self.part(theta, "path").reshape(4, 3)
        gates = (solve_time(terms[:, 0], 0.0), solve_time(terms[:, 0], self.path.length_m))
        return replace(self.path, terms=terms, gates_s=gates)

    def speed(self, theta: Floats) -> float:
        """Return the speed at the unknowns."""
        scale = self.path.scale_error + float(self.part(theta, "s")[0])
        return replace(self.moved_path(theta), scale_error=scale).speed_mps

    def camera(self, theta: Floats, index: int) -> tuple[Pose, Floats]:
        """Return pose and lens of a camera at the unknowns."""
        camera = self.case.cameras[index]
        move = self.part(theta, f"pose {camera.name}")
        pose = Pose(
            camera_from_course=turn(move[:3]) @ camera.pose.camera_from_course,
            position_m=camera.pose.position_m + move[3:],
        )
        change = self.part(theta, f"lens {camera.name}")
        lens = camera.lens.copy()
        if len(change) == 9:
            lens = lens + change
        else:
            lens[:2] += change[0]
            lens[2:5] += change[1:]
        return pose, lens

    def residuals(self, theta: Floats) -> Floats:
        """Return all observed less predicted; priors over their u, lights in pixels."""
        rows = [self.survey(theta), self.flight(theta)]
        rows += [self.station(theta, index) for index in range(len(self.case.cameras))]
        rows += self.sync(theta)
        self.light_rows = []
        begin = sum(len(row) for row in rows)
        for index in range(len(self.case.cameras)):
            rows.append(self.lights(theta, index))
            self.light_rows.append(slice(begin, begin + len(rows[-1])))
            begin += len(rows[-1])
        return np.concatenate(rows)

    def survey(self, theta: Floats) -> Floats:
        """Return the residuals of the scale and the markers."""
        course = self.case.stated["course"]
        scale = self.path.scale_error + self.part(theta, "s")
        told = np.array([item[1] for item in self.case.markers])
        u = np.array([item[2] for item in self.case.markers])[:, None]
        places = self.places + self.part(theta, "markers").reshape(-1, 3)
        off = -scale / (course["length_u_m"] / course["length_m"])
        return np.concatenate([off, ((told - places) / u).ravel()])

    def flight(self, theta: Floats) -> Floats:
        """Return the residuals of the flight line and the path's priors."""
        line = self.case.stated.get("flight_line", {})
        path = self.moved_path(theta)
        accel_u = np.array(line.get("accel_u_mps2", (10.0, 3.0, 3.0)))
        jerk_u = accel_u * abs(self.path.terms[1, 0]) / path.length_m
        rows = [-path.terms[2] / accel_u, -path.terms[3] / jerk_u]
        ends = path.smooth(np.array(path.gates_s))
        change = ends[1, 1:] - ends[0, 1:]
        keys = ("offset_u_m", "height_u_m")
        change_u = [
            line.get("drift_u_m", line.get(keys[0])),
            line.get("climb_u_m", line.get(keys[1])),
        ]
        rows.append(-change / np.array(change_u))
        if "offset_m" in line:
            told = np.array([line["offset_m"], line["height_m"]])
            rows.append((told - mean_along_course(path)) / np.array([line[k] for k in keys]))
        for camera in self.case.cameras:
            lamp = self.part(theta, f"lamp {camera.name}", 0)
            if len(lamp):
                index = self.case.cameras.index(camera)
                u = self.case.stated["craft"]["lamp_u_m"]
                rows.append(-(self.case.lamp_m[0, index] + lamp) / u)
        return np.concatenate(rows)

    def station(self, theta: Floats, index: int) -> Floats:
        """Return the residuals of one camera: picks, lens, taped place, clock, read-out."""
        camera, stated = self.case.cameras[index], self.case.stated["camera"][index]
        pose, lens = self.camera(theta, index)
        places = self.places + self.part(theta, "markers").reshape(-1, 3)
        names = [item[0] for item in self.case.markers]
        use = [item[3] for item in self.case.markers]
        picks = [p for p in self.case.picks[camera.name] if use[names.index(p[0])] == "fit"]
        seen = project(places[[names.index(p[0]) for p in picks]], pose, lens)
        told = np.array([p[1] for p in picks])
        u = np.array([1.0 if p[2] is None else p[2] for p in picks])[:, None]
        rows = [((told - seen) / u).ravel()]
        rows.append(lens_residuals(self.case, stated, camera, lens))
        if "position_m" in stated:
            rows.append((np.array(stated["position_m"]) - pose.position_m) / stated["position_u_m"])
        scale = camera.clock_scale - 1.0 + self.part(theta, f"clock {camera.name}")
        rows.append(-scale / (1e-6 * stated.get("clock_u_ppm", 100.0)))
        readout = camera.readout_s + self.part(theta, f"readout {camera.name}")
        longest = min(1.0 / camera.rate_hz, 0.035)
        told_s = 1e-3 * stated.get("readout_ms", 500.0 * longest)
        readout_u = 1e-3 * stated.get("readout_u_ms", 1e3 * longest / np.sqrt(12.0))
        if readout_u > 0.0:
            rows.append((told_s - readout) / readout_u)
        return np.concatenate(rows)

    def sync(self, theta: Floats) -> list[Floats]:
        """Return the residual of an event seen by two cameras, if there is one."""
        rows = []
        for event in self.case.stated.get("sync", []):
            tau = []
            for index, camera in enumerate(self.case.cameras):
                scale = camera.clock_scale + self.part(theta, f"clock {camera.name}")
                start = self.case.starts_s[0, index] + self.part(theta, f"start {camera.name}")
                tau.append(scale * (event["time_s"][index] - start))
            rows.append((tau[1] - tau[0]) / np.hypot(*event["time_u_s"]))
            for camera, clip in zip(self.case.cameras, self.case.stated["clip"], strict=False):
                exposure = camera.exposure_s + self.part(theta, f"exposure {camera.name}")
                told_s = 1e-3 * clip.get("exposure_ms", 500.0 / camera.rate_hz)
                u = 1e-3 * clip.get("exposure_u_ms", 1e3 / camera.rate_hz / np.sqrt(12.0))
                rows.append((told_s - exposure) / u)
        return rows

    def lights(self, theta: Floats, index: int) -> Floats:
        """Return the residuals of a camera's lights in pixels, x and y in turn.

        Seen less the smooth path: the weave is noise (`whitener`). Were the true weave moved
        along with the path, its pattern along x would tell how far away the light is.
        """
        camera, track = self.case.cameras[index], self.tracks[index]
        pose, lens = self.camera(theta, index)
        scale = camera.clock_scale + self.part(theta, f"clock {camera.name}")
        start = self.case.starts_s[0, index] + self.part(theta, f"start {camera.name}")
        readout = camera.readout_s + self.part(theta, f"readout {camera.name}")
        exposure = camera.exposure_s + self.part(theta, f"exposure {camera.name}")
        tau = scale * (track["time_s"] - start) + exposure / 2.0 + readout * track["row"]
        place = self.moved_path(theta).smooth(tau)
        place[:, 1:] += self.case.lamp_m[0, index] + self.part(theta, f"lamp {camera.name}", 2)
        seen = project(place, pose, lens)
        return (np.column_stack([track["x_px"], track["y_px"]]) - seen).ravel()

    def whitener(self) -> Floats:
        """Return the matrix that gives all residuals unit covariance.

        The weave is a correlated error of the lights of all cameras, by their places along x;
        quantised stamps move each light along its motion.
        """
        count = self.light_rows[-1].stop
        first = self.light_rows[0].start
        covariance = np.eye(count)
        push, x = [], []
        for index, (camera, track) in enumerate(zip(self.case.cameras, self.tracks, strict=True)):
            tau = camera.clock_scale * (track["time_s"] - self.case.starts_s[0, index])
            tau = tau + camera.exposure_s / 2.0 + camera.readout_s * track["row"]
            place, after = self.path.smooth(tau), self.path.smooth(tau + 1e-4)
            by_y, by_z = (
                (camera.see(place + step) - camera.see(place - step)) / 2e-3
                for step in 1e-3 * np.eye(3)[1:]
            )
            motion = (camera.see(after) - camera.see(place)) / 1e-4
            where = self.light_rows[index]
            covariance[where, where] = light_covariance(track, motion)
            push.append(np.stack([by_y, by_z], axis=-1).reshape(-1, 2))
            x.append(np.repeat(place[:, 0], 2))
        spread = np.concatenate(x)
        kernel = np.exp(-0.5 * ((spread[:, None] - spread) / (self.path.length_m / 4.0)) ** 2)
        rms = self.case.stated.get("flight_line", {}).get("weave_u_m", 0.02)
        slope = np.concatenate(push)
        covariance[first:, first:] += rms**2 * kernel * (slope @ slope.T)
        return np.linalg.inv(np.linalg.cholesky(covariance))


def light_covariance(track: dict[str, Floats], motion_px_s: Floats) -> Floats:
    """Return the true covariance (2 n, 2 n) of a track's lights, x and y in turn.

    Each light's from its root, and by how far two are apart in the track; what rounds the
    stamps is added along the motion.
    """
    count = len(motion_px_s)
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    total = np.zeros((count, 2, count, 2))
    for part in "ab":
        root = np.column_stack([track[f"root_x{part}_px"], track[f"root_y{part}_px"]])
        total += np.einsum("kl,ki,lj->kilj", track[f"alike_{part}"][apart], root, root)
    for k in range(count):
        moved = track["time_u_s"][k] * motion_px_s[k]
        total[k, :, k, :] += np.outer(moved, moved)
    return total.reshape(2 * count, 2 * count)


def lens_residuals(case: Case, stated: dict[str, Any], camera: TrueCamera, lens: Floats) -> Floats:
    """Return what is stated of a lens less the lens, over its u."""
    if "lens" in stated:
        content = case.lens_files[stated["lens"]]
        told = np.array([content[name] for name in LENS_NAMES])
        root = np.linalg.cholesky(np.array(content["covariance"]))
        return np.linalg.solve(root, told - lens)
    width, height = camera.size_px
    centre = np.array(stated.get("centre_px", [(width - 1) / 2.0, (height - 1) / 2.0]))
    rows = [(centre - lens[2:4]) / stated.get("centre_u_px", 0.02 * width)]
    rows.append(np.array([(stated.get("k1", 0.0) - lens[4]) / stated.get("k1_u", 0.1)]))
    if "focal_px" in stated:
        u = stated.get("focal_u_px", 0.03 * stated["focal_px"])
        rows.append(np.array([(stated["focal_px"] - lens[0]) / u]))
    return np.concatenate(rows)
