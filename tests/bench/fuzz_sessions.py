"""Session files and tables written wrong by the thousand: `python -m tests.bench.fuzz_sessions`.

Every case must end with an exit status of the contract and words, never with a traceback. README.md
beside this file says what is printed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.bench.bench_score import share_text
from tests.spoiling import Spoilt, spoilt_sessions, verdict

MOST_SHOWN = 40


def main(arguments: list[str] | None = None) -> int:
    """Spoil, run and count; 1 where a case ended otherwise than the contract says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=5000)
    options = parser.parse_args(arguments)
    counts: Counter[str] = Counter()
    failed: list[tuple[Spoilt, str]] = []
    longest_s = 0.0

    @seed(options.seed)
    @settings(
        max_examples=options.count, database=None, deadline=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(spoilt_sessions())
    def spoil(case: Spoilt) -> None:
        nonlocal longest_s
        start_s = time.process_time()
        words = verdict(case)
        longest_s = max(longest_s, time.process_time() - start_s)
        counts[words.split()[0] if words[0].isupper() else words] += 1
        if words[0].isupper():
            failed.append((case, words))

    spoil()
    total = sum(counts.values())
    print(f"seed {options.seed}: {total} cases, {dict(counts.most_common())}")
    print(
        f"failures: {len(failed)}, in percent {share_text(len(failed), total)}; longest case "
        f"{longest_s:.1f} s of processor time"
    )
    for case, words in failed[:MOST_SHOWN]:
        print(f"FAILED {', '.join(case.how)}\n{words}\n{_changed(case)}\n")
    return 1 if failed else 0


def _changed(case: Spoilt) -> str:
    """Return the lines that differ from the good session, so that a failure can be made again."""
    from tests.spoiling import GOOD

    lines = []
    for file, text in GOOD.items():
        data = case.files.get(file)
        if data is None:
            lines.append(f"  {file}: gone")
        elif data != text.encode("utf-8"):
            known = set(text.splitlines())
            new = data.decode("utf-8", "replace").splitlines()
            lines += [
                f"  {file}:{at}: {row!r}" for at, row in enumerate(new, 1) if row not in known
            ]
            lines += [f"  {file}: less {row!r}" for row in known - set(new)]
    return "\n".join(lines[:30])


if __name__ == "__main__":
    sys.exit(main())
