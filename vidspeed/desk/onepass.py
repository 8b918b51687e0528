"""One open page of a pass: every sighting in one tall picture, false lights dismissed there."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from nicegui import ui

from vidspeed.assembly.reading import read_session
from vidspeed.desk import choices
from vidspeed.desk.candidates import Candidate
from vidspeed.desk.films import Film, film_key, lanes_by_clip, out_of
from vidspeed.desk.frame import page
from vidspeed.desk.passes import Shown, Wanted, linked
from vidspeed.desk.passview import checks_rows, speed_words, view_of
from vidspeed.desk.sources import Source, read_source
from vidspeed.desk.tables import table
from vidspeed.desk.workshop import Workshop
from vidspeed.errors import VidspeedError
from vidspeed.values import Clip, Session, Sighted
from vidspeed.values.pictured import Lane

Changed = tuple[str, str, choices.Rows | None]

SAME = 1e-9  # of a speed
TICK_S = 0.5


def looks() -> None:
    """Add the looks of the pages of passes."""
    ui.add_head_html('<link rel="stylesheet" href="/desk/pass.css">')


class PassPage:
    """One open page of a pass: what it knows of session.toml, and the pass as it is now."""

    def __init__(self, shop: Workshop, found: dict[str, Any], number: int) -> None:
        self.shop, self.found, self.number = shop, found, number
        self.row = found["passes"][number]
        self.wanted = wanted_of(found, number)
        self.source: Source | None = None
        self.shown: Shown | None = None
        self.clips: dict[str, Clip] = {}
        self.asked = 0
        self.client = ui.context.client

    async def show(self) -> None:
        """Lay the page out, solve the pass, and take part in what the pointer and the keys do."""
        with page(f"Pass {self.wanted.label}", here="/passes"):
            looks()
            self._lay_out()
        ui.add_body_html('<script src="/desk/pass.js"></script>')
        ui.on("vidspeed-light", lambda event: self.light(event.args))
        await self.client.connected()
        self.client.run_javascript("pass.start()")
        await self.solve()

    def _lay_out(self) -> None:
        self.speed = ui.label("solving").props('role="status" id="speed"').classes("speed")
        self.said = ui.label("").props('role="status" id="said"').classes("said")
        self.again = ui.link("Measure again on the page of the clips", "/clips").classes("again")
        self.again.set_visibility(False)
        ui.element("div").props('id="views"').classes("views")
        with ui.element("div").props('id="drawn"').classes("drawn"):
            ui.element("canvas").props('id="across" aria-hidden="true"')
            ui.element("canvas").props(
                'id="tall" tabindex="0" role="application" aria-describedby="light" '
                'aria-label="Every sighting of the pass: place across, time down"'
            )
        with ui.element("div").classes("close"):
            ui.element("canvas").props(
                'id="frame" width="704" height="400" role="img" aria-labelledby="light"'
            )
            with ui.element("div"):
                ui.element("div").props('id="light" role="status"')
                ui.element("button").props('id="dismiss" type="button"').classes("act")
                ui.label(
                    "Point at a sighting to see its frame; click to stay there. Up and down: the "
                    "sighting before and after, with Shift several; left and right: the other "
                    "camera; D: dismiss, or restore. A box is a dismissed light, crosses are "
                    "lights that the solution left out by itself, red strokes what is left of a "
                    "light when the flight is taken off it, enlarged."
                ).classes("help")
        self.below = ui.element("div")
        self.timer = ui.timer(TICK_S, self._tick, active=False)

    def _tick(self) -> None:
        """Say how far a clip that has to be looked at anew is."""
        if self.shop.doing:
            self.said.text = self.shop.doing

    async def solve(self) -> None:
        """Solve the pass as session.toml stands now, and show it."""
        began_s = time.perf_counter()
        try:
            self.source = self.source or read_source(self.shop.folder)
            self.timer.active = True
            shown = await self.shop.solve(self.wanted)
            self.clips = {clip.name: clip for clip in self._session().clips}
        except VidspeedError as error:
            self.said.text = "\n".join(error.messages)
            self.client.run_javascript("pass.free()")
            return
        finally:
            self.timer.active = False
        spent_s = time.perf_counter() - began_s
        self.shown = shown
        self.asked += 1
        self._tell(shown, spent_s)
        rows = [] if shown.result is None else lanes_by_clip(shown)
        views = [
            view_of(shown, sighted, lane, _unseen(self.clips.get(sighted.clip), lane))
            for sighted, lane, _ in rows
        ]
        state = {"asked": self.asked, "views": views}
        self.client.run_javascript(f"pass.show({json.dumps(state)})")
        await self._films(self.asked)

    def _tell(self, shown: Shown, spent_s: float) -> None:
        """Write what was found: the speed, the candidates, the checks."""
        result = shown.result
        self.speed.text = speed_words(result)
        stale = self._stale(shown)
        self.said.text = f"Solved in {spent_s:.2f} s.{stale}"
        self.again.set_visibility(bool(stale))
        if result is not None and result.crossings:
            first = next((at for at in result.crossings if at.clip == self.wanted.clips[0]), None)
            if first is not None:
                self.wanted = self.wanted.at(first.time_in_s)
        self.below.clear()
        with self.below:
            self._candidates(shown)
            if result is not None and result.checks:
                _part("Checks")
                table("What was checked of this pass.", ("Check", "Result", "What was found"),
                      checks_rows(result))  # fmt: skip
            if shown.problems:
                _part("What to know")
                for row in shown.problems:
                    ui.label(f"{row.where}: {row.message}").classes("said")

    def _stale(self, shown: Shown) -> str:
        """Say that the results on the disk are of other figures."""
        if shown.without_sound:
            return " Solved without the sound: the figures of a run have it in them."
        now = None if shown.result is None else shown.result.speed_mps
        before = self.row["speed_mps"]
        if now == before or (now and before and abs(now / before - 1.0) < SAME):
            return ""
        before, after = speed_words(self.row), speed_words(shown.result)
        still = "are of before this change" if before == after else f"still say {before}"
        return (
            f" The results {still}: report, mark and pack have these figures once all is measured."
        )

    def _candidates(self, shown: Shown) -> None:
        """Show what else might be the craft, and let it be chosen."""
        _part("Which light is the craft")
        if not shown.candidates:
            ui.label("No light of these clips moves along the course like the craft.")
        with ui.element("div").classes("rows").props('id="candidates"'):
            for candidate in shown.candidates:
                with ui.element("div"):
                    ui.label(_candidate_words(candidate))
                    if candidate.taken:
                        ui.label("taken").classes("tag ok")
                    else:
                        _button("Take this one", partial(self.choose, candidate))
        if shown.chosen:
            _button("Let the tool choose", partial(self.choose, None))
        with ui.element("div").classes("rows").props('id="dismissed"'):
            for clip, count in shown.dismissed:
                with ui.element("div"):
                    ui.label(f"{clip}: {count} dismissed")
                    _button("Restore all of them", partial(self._restore, clip))

    async def _restore(self, clip: str) -> None:
        """Take every dismissal of a clip away."""
        rows: list[Changed] = [(clip, "dismiss", None)]
        await self._change(lambda source: choices.change(source, self._session(), rows))

    async def choose(self, candidate: Candidate | None) -> None:
        """Solve the pass from another light; None: from what the tool takes."""
        shown = self.shown
        if shown is None:
            return
        rows: list[Changed]
        if candidate is not None:
            rows = [(candidate.clip, "choose", choices.chosen(shown, candidate))]
        else:
            rows = [(clip, "choose", None) for clip in self.wanted.clips]
        await self._change(lambda source: choices.change(source, self._session(), rows))

    async def light(self, asked: dict[str, Any]) -> None:
        """Dismiss a light that was pointed at, or restore it."""
        shown = self.shown
        if shown is None or shown.result is None or asked.get("asked") != self.asked:
            self.client.run_javascript("pass.free()")
            return
        try:
            view, light, first, last = (
                int(asked[name]) for name in ("view", "light", "first", "last")
            )
            sighted = shown.result.sightings[view]
            if not 0 <= first <= light <= last < len(sighted.track) or view < 0:
                raise IndexError
        except (KeyError, TypeError, ValueError, IndexError):
            self.client.run_javascript("pass.free()")
            return
        restore = sighted.dismissed is not None and bool(sighted.dismissed[light])
        await self._change(
            lambda source: self._turned(source, sighted, range(first, last + 1), restore)
        )

    def _turned(self, source: Source, sighted: Sighted, which: range, restore: bool) -> Source:
        """Write lights as dismissed, or no longer so."""
        session = self._session()
        clip = next(row for row in session.clips if row.name == sighted.clip)
        track = sighted.track
        lights = [choices.lights_of(track)[k] for k in which]
        if restore:
            interval_s = track.interval_s or float(np.median(np.diff(track.time_s)))
            rows = choices.without_dismissed(clip, lights, interval_s)
            return choices.change(source, session, [(clip.name, "dismiss", rows)])
        values: list[Changed] = [(clip.name, "dismiss", choices.with_dismissed(clip, lights))]
        out = out_of(sighted).copy()
        out[which.start : which.stop] = True
        moved = choices.choices_after(clip, track, out)
        if moved is not None:
            values.append((clip.name, "choose", moved))
        return choices.change(source, session, values)

    def _session(self) -> Session:
        return read_session(self.shop.folder)

    async def _change(self, change: Callable[[Source], Source]) -> None:
        """Change session.toml, and solve again."""
        assert self.source is not None
        try:
            self.source = change(self.source)
        except VidspeedError as error:
            self.said.text = "\n".join(error.messages)
            self.client.run_javascript("pass.free()")
            return
        await self.solve()

    async def _films(self, asked: int) -> None:
        """Send the page the frames of each clip as soon as they are decoded."""
        shown = self.shown
        if shown is None or shown.result is None:
            return
        for number, (sighted, lane, darker) in enumerate(lanes_by_clip(shown)):
            clip = self.clips.get(sighted.clip)
            if clip is None or lane is None or _unseen(clip, lane):
                continue
            key = film_key(clip, lane, sighted)
            try:
                film = await self.shop.film(
                    key,
                    self.shop.folder / str(clip.file),
                    clip.rate_hz,
                    lane,
                    sighted,
                    darker=darker,
                )
            except VidspeedError as error:
                self.client.run_javascript(f"pass.unseen({number}, {json.dumps(str(error))})")
                continue
            if asked != self.asked:
                return
            self.client.run_javascript(f"pass.film({number}, {json.dumps(_film(key, film))})")


def _unseen(clip: Clip | None, lane: Lane | None) -> str | None:
    """Say why no frame of a clip can be shown, None where one can."""
    if clip is None or clip.file is None or clip.track is not None:
        return "this clip is given as a track: it has no frames"
    return None if lane is not None else "the path turns back: its frames cannot be laid out"


def _film(key: str, film: Film) -> dict[str, Any]:
    """Return what the page needs to know of a film."""
    return {
        "whole": f"/film/{key}/whole.png",
        "early": film.early_s,
        "late": film.late_s,
        "from": film.from_m,
        "to": film.to_m,
        "near": [
            None if data is None else f"/film/{key}/{index}.png"
            for index, data in enumerate(film.near)
        ],
        "corner": film.corner_px.tolist(),
    }


def wanted_of(found: dict[str, Any], number: int) -> Wanted:
    """Return which pass a row of summary.json means."""
    row = found["passes"][number]
    return Wanted(
        label=str(row["pass"]),
        clips=tuple(row["clips"]),
        time_s=row["time_in_s"],
        intervals_s=_intervals_s(found),
        linked=linked(found["passes"], row["clips"]),
    )


def _intervals_s(found: dict[str, Any]) -> dict[str, float]:
    """Return the shortest frame interval of each camera's clips, as the last run saw them."""
    shortest: dict[str, float] = {}
    for row in found.get("clips", ()):
        interval_s = row.get("interval_s")
        if isinstance(interval_s, float) and interval_s > 0.0:
            before_s = shortest.get(row["camera"], interval_s)
            shortest[row["camera"]] = min(before_s, interval_s)
    return shortest


def _candidate_words(row: Candidate) -> str:
    speed = "no flight explains it"
    if row.speed_mps is not None and row.speed_U95_mps is not None:
        speed = f"{3.6 * row.speed_mps:.1f} ± {3.6 * row.speed_U95_mps:.1f} km/h"
    return f"{row.camera}, {row.from_s:.2f} to {row.to_s:.2f} s, {row.lights} lights: {speed}"


def _part(words: str) -> None:
    with ui.element("h2").classes("part"):
        ui.label(words)


def _button(words: str, act: Callable[[], Any]) -> None:
    with ui.element("button").props('type="button"').classes("act").on("click", act, args=[]):
        ui.label(words)
