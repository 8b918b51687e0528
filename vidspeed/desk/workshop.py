"""Processes that work for the pass pages, so that these stay usable whatever a clip does."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from pathlib import Path
from typing import Any

from vidspeed.desk.films import Film, filmed
from vidspeed.desk.passes import Shown, Wanted, solved
from vidspeed.spread.executor import PATIENCE_S
from vidspeed.spread.processes import Processes

FILMS = 6  # that are kept in memory: some megabytes each
IMPORTS = "vidspeed.desk.films"  # what a worker imports while it waits


class Workshop:
    """What all pass pages share: a process that solves, one that decodes, and films made before."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.doing = ""  # what the process that solves is at, where it looks at a clip anew
        self.solving = Processes(1, tell=self._hear, imports=IMPORTS, patience_s=PATIENCE_S)
        self.filming = Processes(1, tell=None, imports=IMPORTS, patience_s=PATIENCE_S)
        self.films: OrderedDict[str, Film] = OrderedDict()

    def _hear(self, what: str, done: int, total: int) -> None:
        self.doing = f"looking at {what}" + (f": {100 * done // total} %" if total else "")

    async def solve(self, wanted: Wanted) -> Shown:
        """Solve a pass; VidspeedError where that cannot be done."""
        self.doing = ""
        return await asyncio.wrap_future(self.solving.submit(solved, self.folder, wanted))

    async def film(self, key: str, *job: Any, darker: bool) -> Film:
        """Decode the frames of a clip of a pass, or take what was decoded before."""
        if key not in self.films:
            made = await asyncio.wrap_future(self.filming.submit(filmed, *job, darker=darker))
            self.films[key] = made
        self.films.move_to_end(key)
        while len(self.films) > FILMS:
            self.films.popitem(last=False)
        return self.films[key]
