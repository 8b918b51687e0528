"""The ideal solver: knows the truth, solves around it for everything that is uncertain.

It shares no code with the tool but the projection. It solves the first pass, and where one clip of
each camera holds several, all of them together. Derivatives are central differences at the
truth, so its u is the Bayesian Cramér-Rao bound of the session (H. L. Van Trees, "Detection,
Estimation, and Modulation Theory", part I, 1968, section 2.4, for a linear Gaussian problem), and
its own z tells whether the bench draws what it states.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from bench_given import lens_residuals, light_covariance
from bench_scene import Case, turn
from bench_truth import Floats, TruePath, mean_along_course, solve_time
from bench_write import Rows
from scipy.linalg import block_diag

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


def solve_ideal(case: Case, tracks: list[list[Rows]]) -> Ideal:
    """Solve a case; `tracks` are its lights as written, a list of cameras a pass."""
    block = lay_out(case, len(tracks))
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


def lay_out(case: Case, passes: int) -> Block:
    """Name the unknowns of a case with so many passes."""
    block = Block()
    block.add("s", [1e-5])
    block.add("markers", [1e-3] * 3 * len(case.markers))
    if passes > 1 and "flight_line" in case.stated:
        block.add("line", [1e-3, 1e-3])
    for number in range(passes):
        block.add(f"path {number}", [*[1e-3] * 3, *[1e-2] * 3, *[1e-1] * 3, *[1.0] * 3])
        if case.stated["craft"]["lamp_u_m"] > 0.0:
            for camera in case.cameras:
                block.add(f"lamp {number} {camera.name}", [1e-3] * 2)
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
    return block


class Model:
    """The whole session as observed less predicted, over standard uncertainty."""

    def __init__(self, case: Case, tracks: list[list[Rows]], block: Block) -> None:
        self.case = case
        self.block = block
        self.places = np.array(case.true_markers)
        self.tracks = [
            [{k: np.array([row[k] for row in rows]) for k in rows[0]} for rows in one]
            for one in tracks
        ]
        self.light_rows: list[list[slice]] = []
        self.residuals(np.zeros(len(block.steps)))

    def part(self, theta: Floats, name: str, count: int = 1) -> Floats:
        """Return the unknowns of a name; zeros where the case has none."""
        where = self.block.where.get(name)
        return np.zeros(count) if where is None else theta[where]

    def moved_path(self, theta: Floats, number: int) -> TruePath:
        """Return the smooth path of a pass at the unknowns."""
        path = self.case.paths[number]
        terms = path.terms + self.part(theta, f"path {number}").reshape(4, 3)
        gates = (solve_time(terms[:, 0], 0.0), solve_time(terms[:, 0], path.length_m))
        return replace(path, terms=terms, gates_s=gates)

    def speed(self, theta: Floats) -> float:
        """Return the speed of the first pass at the unknowns."""
        scale = self.case.paths[0].scale_error + float(self.part(theta, "s")[0])
        return replace(self.moved_path(theta, 0), scale_error=scale).speed_mps

    def clock(self, theta: Floats, index: int) -> float:
        """Return the true seconds for a second of a camera's clock at the unknowns."""
        camera = self.case.cameras[index]
        return camera.clock_scale + float(self.part(theta, f"clock {camera.name}")[0])

    def start(self, theta: Floats, number: int, index: int) -> float:
        """Return what a camera's clock shows at tau = 0 of a pass, at the unknowns.

        The first camera's moment is fixed, the path moves. The others' clocks are off by one
        unknown each, which is all that passes of the same clips have in common.
        """
        true_s = self.case.starts_s
        off = self.part(theta, f"start {self.case.cameras[index].name}")
        rate = self.clock(theta, 0) / self.clock(theta, index)
        rate -= self.case.cameras[0].clock_scale / self.case.cameras[index].clock_scale
        return float(true_s[number, index] + off[0] + rate * (true_s[number, 0] - true_s[0, 0]))

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
        rows = [self.survey(theta)]
        if "line" in self.block.where and self.case.line_part > 0.0:
            rows.append(-self.part(theta, "line") / self.line_u(shared=True))
        rows += [self.flight(theta, number) for number in range(len(self.tracks))]
        rows += [self.station(theta, index) for index in range(len(self.case.cameras))]
        rows += self.sync(theta)
        self.light_rows = []
        begin = sum(len(row) for row in rows)
        for number in range(len(self.tracks)):
            self.light_rows.append([])
            for index in range(len(self.case.cameras)):
                rows.append(self.lights(theta, number, index))
                self.light_rows[-1].append(slice(begin, begin + len(rows[-1])))
                begin += len(rows[-1])
        return np.concatenate(rows)

    def survey(self, theta: Floats) -> Floats:
        """Return the residuals of the scale and the markers."""
        course = self.case.stated["course"]
        scale = self.case.paths[0].scale_error + self.part(theta, "s")
        told = np.array([item[1] for item in self.case.markers])
        u = np.array([item[2] for item in self.case.markers])[:, None]
        places = self.places + self.part(theta, "markers").reshape(-1, 3)
        off = -scale / (course["length_u_m"] / course["length_m"])
        return np.concatenate([off, ((told - places) / u).ravel()])

    def line_u(self, *, shared: bool) -> Floats:
        """Return u (2,) of the flight line's offset and height: common to all passes, or own."""
        line, part = self.case.stated["flight_line"], self.case.line_part
        if "line" not in self.block.where:
            part = float(shared)
        u = np.array([line["offset_u_m"], line["height_u_m"]])
        return np.asarray(u * np.sqrt(part if shared else 1.0 - part))

    def flight(self, theta: Floats, number: int) -> Floats:
        """Return the residuals of the flight line and the priors of a pass's path."""
        line = self.case.stated.get("flight_line", {})
        path = self.moved_path(theta, number)
        accel_u = np.array(line.get("accel_u_mps2", (10.0, 3.0, 3.0)))
        jerk_u = accel_u * abs(self.case.paths[number].terms[1, 0]) / path.length_m
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
            # What is common moves the stated line; its own truth is in the stated figure.
            told = told - self.part(theta, "line", 2)
            rows.append((told - mean_along_course(path)) / self.line_u(shared=False))
        for index, camera in enumerate(self.case.cameras):
            lamp = self.part(theta, f"lamp {number} {camera.name}", 0)
            if len(lamp):
                u = self.case.stated["craft"]["lamp_u_m"]
                rows.append(-(self.case.lamp_m[number, index] + lamp) / u)
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
            for index in range(len(self.case.cameras)):
                start = self.start(theta, 0, index)
                tau.append(self.clock(theta, index) * (event["time_s"][index] - start))
            rows.append(np.array([tau[1] - tau[0]]) / np.hypot(*event["time_u_s"]))
            for camera, clip in zip(self.case.cameras, self.case.stated["clip"], strict=False):
                exposure = camera.exposure_s + self.part(theta, f"exposure {camera.name}")
                told_s = 1e-3 * clip.get("exposure_ms", 500.0 / camera.rate_hz)
                u = 1e-3 * clip.get("exposure_u_ms", 1e3 / camera.rate_hz / np.sqrt(12.0))
                rows.append((told_s - exposure) / u)
        return rows

    def lights(self, theta: Floats, number: int, index: int) -> Floats:
        """Return the residuals of a camera's lights of a pass in pixels, x and y in turn.

        Seen less the smooth path: the weave is noise (`whitener`). Were the true weave moved
        along with the path, its pattern along x would tell how far away the light is.
        """
        camera, track = self.case.cameras[index], self.tracks[number][index]
        pose, lens = self.camera(theta, index)
        since = track["time_s"] - self.start(theta, number, index)
        readout = camera.readout_s + self.part(theta, f"readout {camera.name}")
        exposure = camera.exposure_s + self.part(theta, f"exposure {camera.name}")
        tau = self.clock(theta, index) * since + exposure / 2.0 + readout * track["row"]
        place = self.moved_path(theta, number).smooth(tau)
        lamp = self.part(theta, f"lamp {number} {camera.name}", 2)
        place[:, 1:] += self.case.lamp_m[number, index] + lamp
        seen = project(place, pose, lens)
        return (np.column_stack([track["x_px"], track["y_px"]]) - seen).ravel()

    def whitener(self) -> Floats:
        """Return the matrix that gives all residuals unit covariance.

        The weave is a correlated error of the lights of all cameras, by their places along x;
        quantised stamps move each light along its motion.
        """
        count = self.light_rows[-1][-1].stop
        covariance = np.eye(count)
        for number, own in enumerate(self.light_rows):
            part = slice(own[0].start, own[-1].stop)
            covariance[part, part] = self.pass_covariance(number)
        return np.linalg.inv(np.linalg.cholesky(covariance))

    def pass_covariance(self, number: int) -> Floats:
        """Return the covariance of all lights of a pass, weave included."""
        path = self.case.paths[number]
        push, x, own = [], [], []
        for index, camera in enumerate(self.case.cameras):
            track = self.tracks[number][index]
            tau = camera.clock_scale * (track["time_s"] - self.case.starts_s[number, index])
            tau = tau + camera.exposure_s / 2.0 + camera.readout_s * track["row"]
            place, after = path.smooth(tau), path.smooth(tau + 1e-4)
            by_y, by_z = (
                (camera.see(place + step) - camera.see(place - step)) / 2e-3
                for step in 1e-3 * np.eye(3)[1:]
            )
            motion = (camera.see(after) - camera.see(place)) / 1e-4
            own.append(light_covariance(track, motion))
            push.append(np.stack([by_y, by_z], axis=-1).reshape(-1, 2))
            x.append(np.repeat(place[:, 0], 2))
        spread = np.concatenate(x)
        kernel = np.exp(-0.5 * ((spread[:, None] - spread) / (path.length_m / 4.0)) ** 2)
        rms = self.case.stated.get("flight_line", {}).get("weave_u_m", 0.02)
        slope = np.concatenate(push)
        return np.asarray(block_diag(*own) + rms**2 * kernel * (slope @ slope.T))
