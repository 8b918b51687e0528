"""What runs beside the pages, as a page shows it."""

from __future__ import annotations

import time
from collections.abc import Callable

from nicegui import ui

from vidspeed.desk.runs import Run, Runner

TICK_S = 0.5


class Progress:
    """What runs, shown on one page: how far it is, what came of it, and how to end it."""

    def __init__(self, runner: Runner, ended: Callable[[], None]) -> None:
        self.runner, self.ended = runner, ended
        self.state = ""
        with ui.element("section").props('id="running" aria-label="Measuring"'):
            self.words = ui.label("").props('id="progress-words" role="status"')
            self.bar = ui.element("progress").props('max=1 value=0 aria-label="Measured so far"')
            self.stop = ui.button("Cancel", on_click=self._cancel, color=None)
            self.stop.props('id="cancel" no-caps').classes("second")
            self.said = ui.element("div").props('id="said" role="status"')
        self._tick()
        ui.timer(TICK_S, self._tick)

    def _cancel(self) -> None:
        self.runner.cancel()
        self._tick()

    def _tick(self) -> None:
        now: Run = self.runner.run
        going = now.state == "running"
        if going:
            share, words = now.progress(time.monotonic())
            self.words.text = f"measuring {now.what}: {words}"
            self.bar.props["value"] = round(share, 3)
            self.bar.update()
        if now.state == self.state:
            return
        ending, self.state = self.state == "running", now.state
        self.bar.visible = self.stop.visible = going
        self.said.clear()
        if not going and now.state != "idle":
            took_s = now.ended_s - now.began_s
            self.words.text = f"{now.what}: {now.state} after {took_s:.1f} s"
            with self.said:
                for line in now.said:
                    ui.label(line).classes("said")
        if ending:
            self.ended()
