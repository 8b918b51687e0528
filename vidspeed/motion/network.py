"""The session as one least-squares problem: stations, markers and any number of passes.

Calibration is this problem without passes; a pass with one camera or with several is the same
problem with lights. Rows of the whitened residuals, in order: picks, taped camera positions,
lights, what the flight line says, events seen by two clips, what was heard, priors. `shift` moves
the observations by so many standard uncertainties each, which is how an input is disturbed.

A stack of states, axes "..." in front, is computed at once: a draw of Monte Carlo then costs what
its numbers cost, and not what it costs to call for them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np

from vidspeed.motion.events import Event, event_row
from vidspeed.motion.path import RATE, basis, basis_rate, known_of
from vidspeed.motion.sounding import Scale, Sounding, sound_rows
from vidspeed.motion.station import Station, fill, look, times
from vidspeed.motion.traverse import ClipLights, Traverse
from vidspeed.motion.unknowns import Ledger, State, entered, moved
from vidspeed.values import Bools, Floats, Input, Ints, Marker, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picks(Value):
    """The picks of fitted markers in one station: `marker` (k,) index, `xy_px`, `u_px` (k,).

    `assumed` (k,) tells whose `u_px` nobody stated.
    """

    station: int
    marker: Ints
    xy_px: Floats
    u_px: Floats
    assumed: Bools


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Network(Value):
    """The problem. `markers_m` (m, 3) as surveyed; `markers_at` is the place of their deviates.

    True places are `markers_m` + `markers_factor` (m, 3, k) @ deviates, the survey's scale is
    `scale_factor` @ the deviates at `scale_at`: two places, or for an adjusted survey one.
    """

    markers: tuple[Marker, ...]
    markers_m: Floats
    markers_factor: Floats
    markers_at: slice
    scale_at: slice
    scale_factor: Floats
    stations: tuple[Station, ...]
    picks: tuple[Picks, ...]
    traverses: tuple[Traverse, ...]
    events: tuple[Event, ...]
    ledger: Ledger
    sounds: tuple[Sounding, ...] = ()
    shift: Floats | None = None

    def moved(self, state: State, step: Floats) -> State:
        """Return `state` moved by `step`."""
        return moved(state, step, tuple(station.turn for station in self.stations))

    def evaluate(self, state: State) -> tuple[Floats, Floats]:
        """Return whitened residuals (..., m) and Jacobian (..., m, n) of the computed values."""
        places = self.ledger.places
        seen = self._seen_rows()
        residuals = np.empty((*state.theta.shape[:-1], seen + len(places)))
        jacobian = np.zeros((*residuals.shape, self.ledger.size))
        at = 0
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            for count, block in self._blocks(state):
                residuals[..., at : at + count] = block(jacobian[..., at : at + count, :])
                at += count
        residuals[..., seen:] = -state.theta[..., places]
        jacobian[..., np.arange(seen, residuals.shape[-1]), places] = 1.0
        if self.shift is not None:
            residuals += self.shift
        return residuals, jacobian

    def normal(self, jacobian: Floats) -> Floats:
        """Return the normal matrix (..., n, n) of a Jacobian that `evaluate` gave."""
        data = jacobian[..., : jacobian.shape[-2] - len(self.ledger.places), :]
        normal = np.swapaxes(data, -1, -2) @ data
        normal[..., self.ledger.places, self.ledger.places] += 1.0
        return np.asarray(normal)

    def _seen_rows(self) -> int:
        """Return how many rows come before the priors."""
        lights = sum(len(clip.track) for row in self.traverses for clip in row.clips)
        known = sum(len(row.known) for row in self.traverses)
        picks = sum(len(row.marker) for row in self.picks)
        sounds = sum(row.count for row in self.sounds)
        beside = 3 * len(list(self._taped())) + known + len(self.events) + sounds
        return 2 * (picks + lights) + beside

    def inputs(self) -> list[Input]:
        """Return what each row of the residuals is, in their order."""
        listed: list[Input] = []
        for picks in self.picks:
            owner = f"camera {self.stations[picks.station].camera.name}"
            for index, u_px, assumed in zip(picks.marker, picks.u_px, picks.assumed, strict=True):
                name = self.markers[index].name
                listed += [
                    entered(
                        owner, f"pick {name} {axis}", "picks", float(u_px), "px",
                        assumed=bool(assumed),
                    )
                    for axis in "xy"
                ]  # fmt: skip
        for station in self._taped():
            owner, u_m = f"camera {station.camera.name}", float(station.camera.position_u_m or 0.0)
            listed += [
                entered(owner, f"position {axis}", "camera position", u_m, "m") for axis in "xyz"
            ]
        for traverse in self.traverses:
            for clip in traverse.clips:
                listed += _light_inputs(traverse, clip)
        for traverse in self.traverses:
            listed += [row.input for row in traverse.known]
        listed += [entered("session", event.name, "sync", event.u_s, "s") for event in self.events]
        listed += [entry for row in self.sounds for entry in row.inputs()]
        return listed + list(self.ledger.priors)

    def light_rows(self) -> list[list[slice]]:
        """Return the rows of the lights: a list a traverse, a slice a clip."""
        at = 2 * sum(len(picks.marker) for picks in self.picks) + 3 * len(list(self._taped()))
        found = []
        for traverse in self.traverses:
            row = []
            for clip in traverse.clips:
                row.append(slice(at, at + 2 * len(clip.track)))
                at += 2 * len(clip.track)
            found.append(row)
        return found

    def sound_rows(self) -> list[slice]:
        """Return the rows of what was heard, a slice a sound."""
        ends = self._seen_rows() - np.cumsum([0, *(row.count for row in self.sounds[::-1])])
        return [slice(int(end), int(begin)) for begin, end in pairwise(ends)][::-1]

    def marker_places(self, state: State) -> Floats:
        """Return the markers' places (..., m, 3) in `state`."""
        deviates = state.theta[..., self.markers_at]
        moved_m = deviates @ self.markers_factor.reshape(-1, deviates.shape[-1]).T
        return np.asarray(self.markers_m + moved_m.reshape(*moved_m.shape[:-1], -1, 3))

    def marker_slopes(self, by_point: Floats, marker: int) -> Floats:
        """Return how the survey's deviates move a seen marker (2, k), by its point's (2, 3)."""
        return np.asarray(by_point @ self.markers_factor[marker])

    def scale(self, state: State) -> Floats:
        """Return true metres for one metre of the course in `state`, (...)."""
        return np.asarray(1.0 + state.theta[..., self.scale_at] @ self.scale_factor)

    def light_times(self, state: State, clip: ClipLights) -> Floats:
        """Return the times (..., n) of a clip's lights on the pass's clock."""
        station = self.stations[clip.station]
        since = clip.track.time_s - clip.reference_s
        at = station.clock_scale(state)[..., None] * since
        at += station.readout_at(state)[..., None] * clip.track.row
        if clip.offset is not None:
            at += state.theta[..., clip.offset]
        if clip.step is not None:
            at += state.theta[..., clip.late] * clip.step.late_s(clip.track)
        return np.asarray(at)

    def clip_offsets(self, state: State) -> Floats:
        """Return how far (..., e), seconds, each later clip of the first pass is behind its first.

        On the course's clock, between the moments at which both clips' stamps are zero: the
        same number for every pass of two clips.
        """
        first, *later = self.traverses[0].clips
        begun = self.stations[first.station].clock_scale(state) * first.reference_s
        behind = np.empty((*state.theta.shape[:-1], len(later)))
        for order, clip in enumerate(later):
            assert clip.offset is not None
            behind[..., order] = state.theta[..., clip.offset.start] + begun
            behind[..., order] -= self.stations[clip.station].clock_scale(state) * clip.reference_s
        return behind

    def offset_slopes(self) -> Floats:
        """Return the derivatives (e, n) of `clip_offsets` by the unknowns."""
        first, *later = self.traverses[0].clips
        slopes = np.zeros((len(later), self.ledger.size))
        for row, clip in zip(slopes, later, strict=True):
            assert clip.offset is not None
            row[clip.offset] = 1.0
            for end, sign in ((first, 1.0), (clip, -1.0)):
                station = self.stations[end.station]
                row[station.clock] += sign * 1e-6 * station.camera.clock_u_ppm * end.reference_s
        return slopes

    def _taped(self) -> Iterator[Station]:
        return (station for station in self.stations if station.camera.position_m is not None)

    def _blocks(self, state: State) -> Iterator[tuple[int, Callable[[Floats], Floats]]]:
        """Yield how many rows a block has, and what fills them and returns its residuals."""
        places = self.marker_places(state)
        for picks in self.picks:
            yield 2 * len(picks.marker), partial(self._pick_rows, state, picks, places)
        for station in self._taped():
            yield 3, partial(self._tape_rows, state, station)
        for traverse in self.traverses:
            for clip in traverse.clips:
                yield 2 * len(clip.track), partial(self._light_rows, state, traverse, clip)
        for traverse in self.traverses:
            yield len(traverse.known), partial(self._known_rows, state, traverse)
        for event in self.events:
            clips = self.traverses[event.traverse].clips
            yield 1, partial(event_row, event, clips, self.stations, state)
        for sound in self.sounds:
            traverse = self.traverses[0]
            station = self.stations[traverse.clips[sound.clip].station]
            scale = Scale(self.scale(state), self.scale_at, self.scale_factor)
            yield sound.count, partial(sound_rows, sound, traverse, station, scale, state)

    def _pick_rows(self, state: State, picks: Picks, places: Floats, out: Floats) -> Floats:
        station = self.stations[picks.station]
        seen = look(station, state, places[..., picks.marker, :])
        rows = _by_point(out)
        fill(rows, station, seen)
        rows[..., self.markers_at] = seen.by_point @ self.markers_factor[picks.marker]
        rows /= picks.u_px[:, None, None]
        return _in_row((picks.xy_px - seen.pixels) / picks.u_px[:, None])

    def _tape_rows(self, state: State, station: Station, rows: Floats) -> Floats:
        camera = station.camera
        assert camera.position_m is not None and camera.position_u_m is not None
        rows[..., station.position] = np.eye(3) / camera.position_u_m
        left = (camera.position_m - state.theta[..., station.position]) / camera.position_u_m
        return np.asarray(left)

    def _light_rows(
        self, state: State, traverse: Traverse, clip: ClipLights, out: Floats
    ) -> Floats:
        station = self.stations[clip.station]
        time = self.light_times(state, clip)
        xi = traverse.nominal.xi(time)
        functions, coefficients = basis(xi), traverse.coefficients(state)
        points = functions @ coefficients
        weaves = [
            (axis, place)
            for axis, place in ((1, traverse.weave_y), (2, traverse.weave_z))
            if place is not None
        ]
        weave_m = traverse.weave_u_m * clip.weave
        size = traverse.growth(state)[..., None]
        for axis, place in weaves:
            points[..., axis] += size * (state.theta[..., place] @ weave_m.T)
        if clip.lamp is not None:
            points[..., 1:] += traverse.lamp_u_m * state.theta[..., None, clip.lamp]
        seen = look(station, state, points)
        held_px = np.einsum("nik,...k->...ni", clip.drag_px, state.theta[..., clip.drag])
        left = clip.track.xy_px - seen.pixels - held_px
        left = times(clip.white, left[..., None])[..., 0]
        seen = seen.whitened(clip.white)
        rows = _by_point(out)
        fill(rows, station, seen)
        by_path = seen.by_point[..., None, :] * functions[..., None, :, None]
        rows[..., traverse.path] = by_path.reshape(*by_path.shape[:-2], -1)
        for axis, place in weaves:
            by_axis = seen.by_point[..., axis]
            rows[..., place] = (size[..., None] * by_axis)[..., None] * weave_m[:, None, :]
            grown = state.theta[..., place] @ weave_m.T
            grown *= traverse.nominal.direction / traverse.length_m
            rows[..., traverse.path.start + RATE] += by_axis * grown[..., None]
        if clip.lamp is not None:
            rows[..., clip.lamp] = traverse.lamp_u_m * seen.by_point[..., 1:]
        rows[..., clip.drag] = times(clip.white, clip.drag_px)
        rate = basis_rate(xi) @ coefficients / traverse.nominal.duration_s
        by_time = np.sum(seen.by_point * rate[..., None, :], axis=-1)
        self._fill_time(rows, clip, by_time)
        return _in_row(left)

    def _fill_time(self, rows: Floats, clip: ClipLights, by_time: Floats) -> None:
        """Write the derivatives by clock scale, read-out, offset and step: each moves the time."""
        station = self.stations[clip.station]
        since = clip.track.time_s - clip.reference_s
        ppm = 1e-6 * station.camera.clock_u_ppm
        rows[..., station.clock.start] = by_time * (ppm * since)[:, None]
        rows[..., station.readout.start] = by_time * (station.readout_u_s * clip.track.row)[:, None]
        if clip.offset is not None:
            rows[..., clip.offset.start] = by_time
        if clip.step is not None and clip.late is not None:
            late_s = clip.step.late_s(clip.track)
            rows[..., clip.late.start] = by_time * late_s[:, None]

    def _known_rows(self, state: State, traverse: Traverse, rows: Floats) -> Floats:
        """Fill the rows of what the flight line says; not a number where no gate is reached."""
        values, slopes = known_of(traverse.coefficients(state), traverse.nominal, traverse.length_m)
        slopes = slopes.reshape(*values.shape, -1)
        left = np.zeros(rows.shape[:-1])
        for order, row in enumerate(traverse.known):
            rows[..., order, traverse.path] = slopes[..., row.number, :] / row.u
            left[..., order] = row.stated - values[..., row.number]
            if row.shared is not None:
                left[..., order] += row.shared_u * state.theta[..., row.shared.start]
                rows[..., order, row.shared] = -row.shared_u / row.u
            left[..., order] /= row.u
        return left


def _by_point(rows: Floats) -> Floats:
    """Return a view (..., n, 2, size) of rows (..., 2 n, size)."""
    return rows.reshape(*rows.shape[:-2], -1, 2, rows.shape[-1])


def _in_row(left: Floats) -> Floats:
    """Return residuals (..., n, 2) as (..., 2 n)."""
    return np.asarray(left).reshape(*left.shape[:-2], -1)


def _light_inputs(traverse: Traverse, clip: ClipLights) -> list[Input]:
    """Return the inputs of a clip's lights: two a light."""
    size = np.sqrt(np.einsum("nii->n", clip.cov_px2) / 2.0)
    return [
        entered(
            f"pass {traverse.label}",
            f"light {clip.clip} {frame} {axis}",
            "light positions",
            float(u_px),
            "px",
        )
        for frame, u_px in zip(clip.track.frame, size, strict=True)
        for axis in "ab"
    ]
