"""The mark of the day: its rules, what was left out and why, set-ups compared, the proof."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from nicegui import run, ui

from vidspeed.desk.answered import KMH, compared, known, setups_of
from vidspeed.desk.frame import messages, page
from vidspeed.desk.results import summary_of
from vidspeed.desk.tables import Cell, Link, Tag, table
from vidspeed.errors import VidspeedError
from vidspeed.record.markview import beats_sentence, mark_view, no_mark_sentence
from vidspeed.record.proofview import proof_view
from vidspeed.record.units import speed_text
from vidspeed.values import Outcome, PassResult

PLACES = ("Place, x y z (m)", "Cameras", "Seen less surveyed (m)", "u (m)", "Over its u")
STRETCHES = ("Between", "Distance (m)", "Wrong by (%)", "u (%)", "Over its u")
DRIVES = ("Log", "Cameras", "Measured (km/h)", "Logged (km/h)", "Apart by (%)", "u (%)",
          "Over its u")  # fmt: skip


def add(app: FastAPI, folder: Path) -> None:
    """Add the page of the mark."""

    @ui.page("/mark")
    async def mark() -> None:
        with page("Mark", here="/mark"):
            try:
                outcome = await run.io_bound(known, folder)
            except VidspeedError as error:
                messages("This session cannot be read:", error.messages)
                return
            if outcome is None:
                _no_results(folder)
                return
            _mark(outcome)
            _passes(outcome)
            _Setups(outcome).show()
            _proof(outcome)


def part(words: str) -> None:
    """Put the head of a part of a page."""
    with ui.element("h2").classes("part"):
        ui.label(words)


def _no_results(folder: Path) -> None:
    """Say that nothing was measured, or not since the session's files changed."""
    if summary_of(folder) is None:
        ui.label("Nothing was measured yet: a mark needs a measured pass each way.")
    else:
        ui.label(
            "The session, a clip or this tool has changed since the results were written, so they "
            "say nothing of it as it is now."
        ).classes("warn")
    ui.link("Measure on the page of the clips", "/clips").classes("big")


def _mark(outcome: Outcome) -> None:
    """Show the figure, whether it beats an earlier one, and its rules."""
    view = mark_view(outcome, KMH)
    if view is None:
        ui.label(no_mark_sentence(outcome)).classes("speed").props('id="mark"')
        _change_rules()
        return
    ui.label(f"{view['speed']} {KMH.label}").classes("speed").props('id="mark"')
    ui.label(
        f"Mean of passes {view['passes'][0]} and {view['passes'][1]}, 95 % interval, coverage "
        f"factor {view['factor']}. The figure is cut, never rounded up."
    )
    beats = beats_sentence(outcome, KMH)
    if beats is not None:
        ui.label(beats).classes("ready").props('id="beats"')
    if view["rules"]:
        table(
            "Rules of the mark.",
            ("Rule", "Verdict", "What was found"),
            ((rule, Tag(words=verdict, kind=kind), detail)
             for rule, kind, verdict, detail in view["rules"]),
        )  # fmt: skip
    else:
        ui.label("No rule is stated that passes must keep.")
    _change_rules()
    for note in view["notes"]:
        ui.label(f"{note}.").classes("said")


def _change_rules() -> None:
    ui.link("State rules and the earlier figure", "/setup/mark").classes("big")


def _passes(outcome: Outcome) -> None:
    """Show every pass, and why it is in the mark or is not."""
    part("Passes, in the mark and left out")
    why = {} if outcome.mark is None else dict(outcome.mark.left_out)
    mine = () if outcome.mark is None else outcome.mark.passes
    table(
        "Every pass of the day.",
        ("Pass", "Direction", "km/h ± U95", "Set-up", "In the mark"),
        (_pass_cells(number, row, mine, why) for number, row in enumerate(outcome.passes)),
    )


def _pass_cells(
    number: int, row: PassResult, mine: tuple[str, ...], why: dict[str, str]
) -> list[Cell]:
    speed = "–"
    if row.speed_mps is not None and row.speed_U95_mps is not None:
        speed = speed_text(row.speed_mps, row.speed_U95_mps, KMH).removesuffix(f" {KMH.label}")
    taken: Cell = why.get(row.label, "no: there is no mark")
    if row.label in mine:
        taken = Tag(words="yes", kind="ok")
    elif row.label in why:
        taken = f"no: {why[row.label]}"
    return [
        Link(words=f"Pass {row.label}", where=f"/passes/{number}"),
        row.direction or "–",
        speed,
        row.setup or "–",
        taken,
    ]


class _Setups:
    """The comparison of two set-ups on one page."""

    def __init__(self, outcome: Outcome) -> None:
        self.outcome = outcome
        self.names = setups_of(outcome)
        self.chosen = self.names[:2]

    def show(self) -> None:
        """Lay the part out; it changes with what is chosen."""
        part("Set-ups compared")
        if len(self.names) < 2:
            ui.label(
                "Give clips a setup (the craft's configuration) to compare two of them: at least "
                "two need measured passes."
            )
            return
        if len(self.names) > 2:
            with ui.element("div").classes("rows"), ui.element("div"):
                for place, words in enumerate(("Is this", "slower than this")):
                    self._choice(place, words)
        self.home = ui.element("div").props('id="compared"')
        self._tell()

    def _choice(self, place: int, words: str) -> None:
        with ui.element("label").props(f'for="setup-{place}"'):
            ui.label(words)
        box = ui.element("select").props(f'id="setup-{place}"')
        box.on("change", lambda event: self._take(place, event.args),
               js_handler="(event) => emit(event.target.selectedIndex)")  # fmt: skip
        with box:
            for number, name in enumerate(self.names):
                option = ui.element("option")
                if number == place:
                    option.props("selected")
                with option:
                    ui.label(name)

    def _take(self, place: int, number: Any) -> None:
        if isinstance(number, int) and 0 <= number < len(self.names):
            self.chosen[place] = self.names[number]
            self._tell()

    def _tell(self) -> None:
        self.home.clear()
        with self.home:
            try:
                found, lines, plot = compared(self.outcome, *self.chosen)
            except VidspeedError as error:
                messages("These cannot be compared:", error.messages)
                return
            ui.label(f"{lines[-1]}.").classes("ready").props('id="verdict"')
            table(
                "Both sides.",
                ("Set-up", "Forward", "Reverse", "Mean of both ways, km/h ± U95"),
                ((group.name, *(str(group.directions.count(way)) for way in ("forward", "reverse")),
                  speed_text(group.speed_mps, group.speed_U95_mps, KMH).removesuffix(" km/h"))
                 for group in (found.first, found.second)),
            )  # fmt: skip
            for line in lines[:-1]:
                ui.label(f"{line}.").classes("said")
            picture = ui.element("img").classes("plot")
            picture.props["src"] = plot
            picture.props["alt"] = f"Every pass of both set-ups, and their difference. {lines[-1]}"


def _proof(outcome: Outcome) -> None:
    """Show what lamps on the ground prove of the course."""
    part("Proof on the ground")
    view = proof_view(outcome.proof, KMH)
    ui.label(view["sentence"]).classes("said").props('id="proof"')
    if outcome.proof is None:
        ui.link("State a proof", "/setup/proof/0").classes("big")
    for caption, head, rows in (
        ("A lamp held still.", PLACES, view["places"]),
        ("Distances between these places.", STRETCHES, view["distances"]),
        ("A lamp driven along the course.", DRIVES, view["drives"]),
    ):
        if rows:
            table(caption, head, _texts(rows))


def _texts(rows: list[dict[str, str]]) -> Iterator[list[Cell]]:
    for row in rows:
        yield list(row.values())
