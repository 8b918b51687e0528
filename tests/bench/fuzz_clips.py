"""Put damaged clips through the main road by the thousand, and count what comes of them.

    python tests/bench/fuzz_clips.py --seed 1 --count 2000

See README.md beside it. The exit status is 0 only if nothing failed.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from dataclasses import asdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.fuzzing import KINDS, SPOILERS, Case, all_kinds, case, render_base
from tests.fuzzrun import Ran, run_command, run_here, verdict
from vidspeed.errors import WorkerDied, WorkerStuck
from vidspeed.spread.executor import executor

AHEAD = 6  # cases that wait for a worker


def main() -> int:
    """Run the bench from the command line."""
    asked = _options()
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        base = render_base(home / "base")
        (home / "good").mkdir()
        good = all_kinds(base, home / "good", asked.kinds or list(KINDS))
        numbers = asked.case or range(asked.first, asked.first + asked.count)
        with executor(max(2, asked.jobs), patience_s=20.0) as pool:
            intact = {
                kind: pool.submit(run_here, str(base), str(home), kind, data).result()
                for kind, data in good.items()
            }
            _show_intact(intact)
            rows = _all(pool, asked, numbers, good, intact, base, home)
    return _report(rows)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--case", type=int, nargs="*", help="only these cases, told at length")
    parser.add_argument("--kinds", nargs="*", choices=list(KINDS), help="only these files")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--commands", type=int, default=50, help="one in so many by real command")
    parser.add_argument("--keep", type=Path, help="folder for the files that failed")
    parser.add_argument("--out", type=Path, help="file for a line of JSON a case")
    return parser.parse_args()


def _show_intact(intact: dict[str, Ran]) -> None:
    for kind, ran in intact.items():
        speed_mps, U95_mps = ran.passes[0].speed_mps, ran.passes[0].U95_mps
        assert speed_mps is not None and U95_mps is not None, (kind, ran)
        print(f"{kind:22} {3.6 * speed_mps:8.3f} km/h, U95 {3.6 * U95_mps:.3f}, {ran.problems}")


def _all(pool, asked, numbers, good, intact, base, home) -> list[tuple[Case, Ran | None, str]]:
    """Run every case; a few are with the workers at any time."""
    rows: list[tuple[Case, Ran | None, str]] = []
    for item, future in _submitted(pool, numbers, asked.seed, good, base, home):
        ran, said = _judged(future, intact[item.kind])
        if item.number % asked.commands == asked.commands - 1 or (ran is None):
            told = run_command(base, home / "command", item.kind, item.data)
            word = verdict(told, intact[item.kind])
            said += f"; COMMAND {word}" if word.isupper() or word[:2].isupper() else "; command"
            ran = ran or told
        rows.append((item, ran, said))
        _note(asked, item, ran, said)
    return rows


def _submitted(
    pool: Executor, numbers, seed: int, good: dict[str, bytes], base: Path, home: Path
) -> Iterator[tuple[Case, Future[Ran]]]:
    waiting: list[tuple[Case, Future[Ran]]] = []
    for number in numbers:
        item = case(seed, number, good)
        waiting.append((item, pool.submit(run_here, str(base), str(home), item.kind, item.data)))
        if len(waiting) > AHEAD:
            yield waiting.pop(0)
    yield from waiting


def _judged(future: Future[Ran], intact: Ran) -> tuple[Ran | None, str]:
    try:
        ran = future.result()
    except WorkerDied as error:
        return None, f"decoder died ({error})"
    except WorkerStuck:
        return None, "HANG"
    return ran, verdict(ran, intact)


def _failed(said: str) -> bool:
    return any(word.isupper() and len(word) > 3 for word in said.split())


def _note(asked: argparse.Namespace, item: Case, ran: Ran | None, said: str) -> None:
    if asked.out is not None:
        row = {"number": item.number, "kind": item.kind, "spoiler": item.spoiler, "said": said}
        with asked.out.open("a", encoding="utf-8", newline="\n") as file:
            file.write(json.dumps(row | {"ran": asdict(ran) if ran else None}) + "\n")
    if asked.case or _failed(said):
        print(f"case {item.number} {item.kind} {item.spoiler}: {said}", flush=True)
        if ran is not None:
            print("   ", ran.fault or (ran.passes, ran.problems), flush=True)
        if asked.keep is not None:
            asked.keep.mkdir(parents=True, exist_ok=True)
            (asked.keep / f"{item.number}-{item.spoiler}-{item.kind}").write_bytes(item.data)


def _report(rows: list[tuple[Case, Ran | None, str]]) -> int:
    said = Counter(word for _, _, word in rows)
    print(f"\n{len(rows)} damaged files")
    for word, count in sorted(said.items()):
        print(f"{count:6}  {word}")
    print("\nby damage: refused or no pass, agrees, differs and flagged, died, failed")
    for name in (row.__name__ for row in SPOILERS):
        words = [word for item, _, word in rows if item.spoiler == name]
        failed = sum(_failed(word) for word in words)
        counts = [
            sum(word.startswith(start) for word in words)
            for start in (("refused", "no pass"), "agrees", "differs", "decoder died")
        ]
        print(f"{name:16}" + "".join(f"{count:6}" for count in (*counts, failed)))
    print("\nwhat is told of those that differ:")
    for item, told, word in rows:
        if told is not None and word.startswith("differs"):
            speeds = ", ".join(f"{3.6 * (row.speed_mps or 0.0):.1f} km/h" for row in told.passes)
            words = "; ".join(text[:110] for text in told.problems)
            print(f"{item.number} {item.kind} {item.spoiler}: {speeds}: {words}")
    ran = [row for _, row, _ in rows if row is not None]
    peak = max((row.peak_mb for row in ran if row.peak_mb is not None), default=0.0)
    print(f"\nlongest {max(row.cpu_s for row in ran):.1f} s, most memory {peak:.0f} MB")
    failures = sum(_failed(word) for _, _, word in rows)
    print(f"{failures} failed")
    return 1 if failures else 0


if __name__ == "__main__":
    began_s = time.monotonic()
    status = main()
    print(f"{time.monotonic() - began_s:.0f} s")
    sys.exit(status)
