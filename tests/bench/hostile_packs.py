"""Is every change of a pack noticed, and does a stranger's pack ever do harm?

    python tests/bench/hostile_packs.py --seed 1

Flips every byte of a pack once, in bits drawn at random, and every byte of the manifest's files
anew with a ZIP around them that fits; makes packs by drawing changes of a valid one (bytes
overwritten, pieces cut out, doubled or put elsewhere, numbers of the ZIP replaced by others), and
looks at what each leaves on the disk, at how it ends, and at the memory that it took.
"""

from __future__ import annotations

import argparse
import random
import struct
import sys
import tempfile
import tracemalloc
import zlib
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.evidence.hostile import cases
from tests.evidence.packed import (
    files_of_pack,
    measured,
    sealed,
    with_manifest,
    write_session,
)
from vidspeed.errors import PackError
from vidspeed.evidence.form import Entry, local_header, tail
from vidspeed.evidence.pack import pack
from vidspeed.evidence.unpack import unpack

NUMBERS = (0, 1, 0xFF, 0xFFFF, 0xFFFFFFFF, 0x7FFFFFFF, 1 << 62)


def outcome(data: bytes, home: Path) -> tuple[str, int]:
    """Unpack a pack as a recheck would; return how that ended and the peak of the memory."""
    path, into = home / "stranger.zip", home / "into"
    path.write_bytes(data)
    into.mkdir()
    before = {item.name for item in home.iterdir()}
    tracemalloc.start()
    try:
        unpack(path, into)
        how = "taken"
    except PackError:
        how = "refused"
    except Exception as error:
        how = f"FAILED: {type(error).__name__}: {error}"
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    written = sum(item.stat().st_size for item in into.rglob("*") if item.is_file())
    if {item.name for item in home.iterdir()} != before:
        how = "FAILED: wrote outside"
    if written > len(data):
        how = f"FAILED: {written} bytes written by a pack of {len(data)}"
    for item in sorted(into.rglob("*"), reverse=True):
        item.rmdir() if item.is_dir() else item.unlink()
    into.rmdir()
    return how, peak


def flipped(data: bytes, chance: random.Random, step: int) -> Counter[str]:
    """Flip one bit of each byte of a pack in turn, and count how it ends."""
    ends: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "a.zip"
        for at in range(0, len(data), step):
            changed = bytearray(data)
            changed[at] ^= 1 << chance.randrange(8)
            path.write_bytes(changed)
            try:
                unpack(path, None)
                ends["TAKEN"] += 1
            except PackError:
                ends["noticed"] += 1
    return ends


def refitted(held: dict[str, bytes], chance: random.Random, step: int) -> Counter[str]:
    """Flip one bit of the files' bytes in turn, with a ZIP that fits: only the hash can tell."""
    ends: Counter[str] = Counter()
    whole = with_manifest(held)
    first = whole[len(local_header(Entry(file="manifest.json", bytes=0, crc=0, at=0))) :]
    manifest = first[: first.index(b"\n}\n") + 3]
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "a.zip"
        for file in sorted(held):
            for at in range(0, len(held[file]), step):
                changed = bytearray(held[file])
                changed[at] ^= 1 << chance.randrange(8)
                path.write_bytes(fitted(manifest, {**held, file: bytes(changed)}))
                try:
                    unpack(path, None)
                    ends["TAKEN"] += 1
                except PackError as error:
                    ends["noticed" if file in str(error) else "NOT NAMED"] += 1
    return ends


def fitted(manifest: bytes, held: dict[str, bytes]) -> bytes:
    """Return a ZIP of files with checksums that fit, whatever the manifest says."""
    pieces, entries, at = [], [], 0
    for file, content in [("manifest.json", manifest), *sorted(held.items())]:
        entry = Entry(file=file, bytes=len(content), crc=zlib.crc32(content), at=at)
        pieces += [local_header(entry), content]
        at += len(pieces[-2]) + len(content)
        entries.append(entry)
    return b"".join([*pieces, tail(entries)])


def drawn(data: bytes, chance: random.Random) -> bytes:
    """Return a pack with one to four changes drawn at random, most of them in the ZIP's numbers."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 4)):
        at = chance.choice([chance.randrange(len(out)), len(out) - 1 - chance.randrange(1200)])
        kind = chance.randrange(5)
        length = chance.choice([1, 2, 4, 8, 30, 300])
        if kind == 0:
            out[at : at + length] = chance.randbytes(length)
        elif kind == 1:
            del out[at : at + length]
        elif kind == 2:
            out[at:at] = out[at : at + length]
        elif kind == 3:
            out[at : at + 8] = struct.pack("<Q", chance.choice(NUMBERS))
        else:
            other = chance.randrange(len(out))
            out[at : at + length] = out[other : other + length]
    return bytes(out)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--drawn", type=int, default=20_000, help="packs drawn at random")
    parser.add_argument("--step", type=int, default=1, help="flip every such byte only")
    chosen = parser.parse_args()
    chance = random.Random(chosen.seed)
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        session = measured(write_session(home / "afternoon"))
        data = small(session, home)
        held = files_of_pack(data)
        print(f"a pack of {len(data)} bytes, {len(held)} files; seed {chosen.seed}")
        ends = {
            f"bytes flipped, every {chosen.step} of {len(data)}": flipped(
                data, chance, chosen.step
            ),
            f"files flipped, ZIP fitted (every {chosen.step})": refitted(held, chance, chosen.step),
        }
        room = home / "room"
        room.mkdir()
        known, peaks = Counter[str](), [0]
        for _, make, _ in cases():
            how, peak = outcome(make(held), room)
            known[how] += 1
            peaks.append(peak)
        ends["hostile by design"] = known
        random_ends = Counter[str]()
        for _ in range(chosen.drawn):
            changed = drawn(data, chance)
            how, peak = outcome(changed, room)
            random_ends["unchanged" if changed == data else how] += 1
            peaks.append(peak)
        ends[f"drawn at random ({chosen.drawn})"] = random_ends
    for what, count in ends.items():
        print(f"{what}: {', '.join(f'{how} {n}' for how, n in sorted(count.items()))}")
    print(f"most memory that one took: {max(peaks) / 1e6:.1f} MB")
    fine = {"noticed", "refused", "unchanged"}
    return 0 if all(set(count) <= fine for count in ends.values()) else 1


def small(session: Path, home: Path) -> bytes:
    """Return the pack of a session whose report is shortened to its last part."""
    whole = files_of_pack(pack(session, out=home / "whole.zip").path.read_bytes())
    report = whole["results/report.html"]
    kept = {
        name: content
        for name, content in whole.items()
        if not name.endswith((".png", ".svg", ".jpg", "sensitivities.json"))
    }
    kept["results/report.html"] = report[report.index(b'<section class="witnesses"') :]
    return sealed(kept)


if __name__ == "__main__":
    sys.exit(main())
