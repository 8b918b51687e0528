"""How fast the desk lists many clips, on a server as a user starts it.

    python tests/bench/desk_list.py --clips 200 --asks 30
    python tests/bench/desk_list.py --busy

A session of so many clips is made up, with results beside it; the page of the clips is asked for
again and again, with everything on it. Prints the wall time of the answers, which on a busy machine
says little, and the processor time that the desk needed for each, which says what it costs.
"""

from __future__ import annotations

import argparse
import http.client
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from vidspeed.desk.clips import clip_list
from vidspeed.desk.runs import Runner

LIMIT_MS = 200.0
SAMPLE = Path(__file__).resolve().parents[2] / "samples" / "night-two-cameras"
SESSION = """\
title = "Many clips"
[course]
length_m = 60.0
length_u_m = 0.02
markers = "markers.csv"
[flight_line]
offset_m = 0.0
offset_u_m = 0.2
height_m = 3.0
height_u_m = 0.2
[[camera]]
name = "north"
image_size_px = [1280, 720]
picks = "picks-north.csv"
"""


def make(folder: Path, count: int) -> None:
    """Write a session of `count` clips, each with a pass that was measured."""
    rows = [f"M{at},{8 * at},{at % 3 - 5},{at % 2},0.01,fit" for at in range(8)]
    text = "\n".join(["name,x_m,y_m,z_m,u_m,use", *rows, ""])
    (folder / "markers.csv").write_text(text, encoding="utf-8")
    (folder / "clips").mkdir()
    names = [f"clips/pass-{number:04d}.mp4" for number in range(count)]
    clips = "".join(
        f'\n[[clip]]\nfile = "{name}"\ncamera = "north"\npass = "{number}"\nexposure_ms = 1.0\n'
        for number, name in enumerate(names)
    )
    (folder / "session.toml").write_text(SESSION + clips, encoding="utf-8")
    for name in names:
        (folder / name).write_bytes(b"\0" * 4096)
    (folder / "results").mkdir()
    summary = {
        "passes": [_pass(number, name) for number, name in enumerate(names)],
        "clips": [{"clip": name, "camera": "north"} for name in names],
        "problems": [],
        "mark": None,
        "sensitivities": [[0.001 * at for at in range(60)] for _ in names],  # as long as a real one
    }
    (folder / "results/summary.json").write_text(json.dumps(summary), encoding="utf-8")


def _pass(number: int, name: str) -> dict[str, object]:
    budget = [{"source": f"source {at}", "contribution_mps": 0.01 * at} for at in range(12)]
    return {
        "pass": str(number), "status": "measured", "clips": [name], "speed_mps": 100.0,
        "speed_U95_mps": 0.5, "direction": "forward", "budget": budget,
        "profile": [{"x_m": at, "speed_mps": 100.0, "speed_u_mps": 0.2} for at in range(40)],
    }  # fmt: skip


def cpu_s(pid: int) -> float:
    """Return the processor time that a process has used (Linux; 0 elsewhere)."""
    path = Path(f"/proc/{pid}/stat")
    if not path.exists():
        return 0.0
    fields = path.read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100.0


def main() -> None:
    """Ask, and print what it took."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--asks", type=int, default=30)
    parser.add_argument("--busy", action="store_true", help="while a sample is being measured")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        make(Path(home), asked.clips)
        begin_s = time.process_time()
        rows = clip_list(Path(home))
        print(f"the list alone: {1e3 * (time.process_time() - begin_s):.0f} ms, {len(rows)} rows")
        command = [sys.executable, "-c", "from vidspeed.cli import main; main()"]
        with (
            _measured(busy=asked.busy),
            subprocess.Popen(
                [*command, "desk", home, "--no-browser"],
                stdout=subprocess.PIPE,
                text=True,
                encoding="utf-8",
            ) as process,
        ):
            try:
                assert process.stdout is not None
                _ask_often(process.pid, process.stdout.readline().split()[1], asked.asks)
            finally:
                process.kill()


@contextmanager
def _measured(*, busy: bool) -> Iterator[None]:
    """Measure a sample meanwhile, as the desk would."""
    if not busy:
        yield
        return
    with tempfile.TemporaryDirectory() as home:
        folder = shutil.copytree(SAMPLE, Path(home) / "s")
        runner = Runner(folder)
        runner.start(None, 4)
        while not runner.run.steps and runner.run.state == "running":
            time.sleep(0.1)
        try:
            yield
            print(f"a sample was {runner.run.state} meanwhile")
        finally:
            runner.cancel()
            while runner.working:
                time.sleep(0.1)


def _ask_often(pid: int, address: str, asks: int) -> None:
    port = int(address.partition("?")[0].rstrip("/").rpartition(":")[2])
    connection = http.client.HTTPConnection("127.0.0.1", port)
    connection.request("GET", "/?" + address.partition("?")[2])
    answer = connection.getresponse()
    answer.read()
    cookie = str(answer.getheader("set-cookie")).partition(";")[0]
    walls_ms: list[float] = []
    size, start_s = 0, 0.0
    for number in range(asks + 3):
        begin_s = time.monotonic()
        connection.request("GET", "/clips", headers={"Cookie": cookie})
        answer = connection.getresponse()
        size = len(answer.read())
        assert answer.status == 200
        if number == 2:  # the first few load what is needed
            start_s = cpu_s(pid)
        elif number > 2:
            walls_ms.append(1e3 * (time.monotonic() - begin_s))
    used_ms = 1e3 * (cpu_s(pid) - start_s) / asks
    walls_ms.sort()
    print(f"asked {asks} times, {size / 1e3:.0f} kB each")
    print(f"processor time of the desk: {used_ms:.0f} ms an answer")
    print(
        f"wall time: median {statistics.median(walls_ms):.0f} ms, "
        f"slowest but one {walls_ms[-2]:.0f} ms; wanted: below {LIMIT_MS:.0f} ms"
    )


if __name__ == "__main__":
    main()
