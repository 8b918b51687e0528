"""The page on which a camera's lens is measured from a printed chart."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlencode

from fastapi import FastAPI, HTTPException, Request, Response
from nicegui import run, ui

from vidspeed.desk.dropping import EVENT, drop_place, received
from vidspeed.desk.frame import messages, page
from vidspeed.desk.lenses import (
    FILMED,
    camera_of,
    chart_of,
    chart_pdf,
    filmed_of,
    filmed_place,
    measure_lens,
)
from vidspeed.desk.progress import Progress
from vidspeed.desk.runs import Runner
from vidspeed.desk.uploads import MOST_BYTES
from vidspeed.errors import VidspeedError

KINDS = {"chessboard": "plain chessboard", "charuco": "chessboard with codes"}
FOCUS = {
    "near": "nearer than in the field: the markers settle the focal length",
    "field": "as it will be in the field",
}


def add(app: FastAPI, folder: Path) -> None:
    """Add the page, the chart to print, and what takes in what was filmed of it."""
    runner = Runner(folder)

    @app.get("/chart.pdf")
    def chart(board: str, square_mm: str, paper: str, kind: str) -> Response:
        try:
            made = chart_pdf(chart_of(board, square_mm, coded=kind == "charuco"), paper)
        except VidspeedError as error:
            raise HTTPException(422, str(error)) from None
        return Response(made, media_type="application/pdf")

    @app.put("/upload/chart")
    async def upload(request: Request, name: str, number: int) -> Response:
        async def there(path: Path) -> str:
            return f"{path.name} is there"

        try:
            home = filmed_place(camera_of(folder, number))
        except VidspeedError as error:
            raise HTTPException(404, str(error)) from None
        return await received(request, folder, home, name, FILMED, there, most=MOST_BYTES)

    @ui.page("/lens/{number}")
    def lens(number: int) -> None:
        try:
            camera = camera_of(folder, number)
        except VidspeedError:
            raise HTTPException(404) from None
        with page(f"Lens of {camera}", here="/setup"):
            _LensPage(folder, runner, number, camera).show()


class _LensPage:
    """One open page: which chart was printed, what was filmed of it."""

    def __init__(self, folder: Path, runner: Runner, number: int, camera: str) -> None:
        self.folder, self.runner, self.number, self.camera = folder, runner, number, camera
        self.texts = {
            "board": "9x6", "square_mm": "25", "paper": "A4", "kind": "chessboard", "focus": "near",
        }  # fmt: skip

    def show(self) -> None:
        """Lay the page out."""
        ui.label(
            "Print a chart at 100 %, glue it on something flat, and film it in the mode in which "
            "the craft will be filmed: held still in a dozen places, near, tilted every way, and "
            "out to the corners of the picture."
        )
        self._field("board", "Inner corners, across x down")
        self._field("square_mm", "Side of a square, mm")
        self._choice("kind", "Chart", KINDS)
        self._choice("paper", "Paper", {"A4": "A4", "A3": "A3", "Letter": "Letter"})
        self._choice("focus", "The lens was focused", FOCUS)
        with ui.element("div").classes("keys"):
            ui.button("The chart to print", on_click=self._print, color=None).props(
                'id="print" no-caps'
            ).classes("second")
        drop_place(f"/upload/chart?number={self.number}", "Drop clips or stills of the chart here.")
        self.there = ui.label("").props('id="filmed"')
        with ui.element("div").classes("keys"):
            ui.button("Measure the lens", on_click=self._measure).props('id="measure" no-caps')
            ui.link("Back to the camera", f"/setup/camera/{self.number}")
        self.wrong = ui.element("div").props('id="wrong"')
        Progress(self.runner, ended=lambda: None)
        self._count()
        ui.on(EVENT, self._count)

    def _field(self, name: str, words: str) -> None:
        with ui.element("div").classes("field"):
            with ui.element("label").props(f'for="f-{name}"'):
                ui.label(words)
            made = ui.input(value=self.texts[name]).props(f'for="f-{name}" outlined dense')
            made.classes("typed").bind_value(self.texts, name)

    def _choice(self, name: str, words: str, options: dict[str, str]) -> None:
        with ui.element("div").classes("field"):
            with ui.element("label").props(f'for="f-{name}"'):
                ui.label(words)
            made = ui.select(options, value=self.texts[name])
            made.props(f'for="f-{name}" outlined dense').classes("typed")
            made.bind_value(self.texts, name)

    def _count(self) -> None:
        names = [path.name for path in filmed_of(self.folder, self.camera)]
        self.there.text = f"Filmed of the chart: {', '.join(names) or 'nothing yet'}"

    def _print(self) -> None:
        asked = {name: self.texts[name] for name in ("board", "square_mm", "paper", "kind")}
        ui.navigate.to(f"/chart.pdf?{urlencode(asked)}", new_tab=True)

    async def _measure(self) -> None:
        self.wrong.clear()
        try:
            coded = self.texts["kind"] == "charuco"
            chart = chart_of(self.texts["board"], self.texts["square_mm"], coded=coded)
            await run.io_bound(camera_of, self.folder, self.number)
        except VidspeedError as error:
            with self.wrong:
                messages("Not measured:", error.messages)
            return
        what = f"the lens of {self.camera}"
        focus = "field" if self.texts["focus"] == "field" else "near"
        files = len(filmed_of(self.folder, self.camera))
        if not self.runner.begin(what, files, measure_lens, self.folder, self.number, chart, focus):
            ui.notify("Something is being measured already.")
