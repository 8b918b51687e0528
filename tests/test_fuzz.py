"""A fixed slice of what `tests/bench` spoils by the thousand: clips, and sessions."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings

from tests import spoiling
from tests.fuzzing import KINDS, SPOILERS, all_kinds, boxes, case, render_base
from tests.fuzzrun import run_here, verdict
from vidspeed.spread.executor import executor

SLICE = [(1, number) for number in range(0, 1200, 199)]
ONCE_WRONG = [(1, 31), (1, 144), (1, 966), (1, 63), (2, 54), (2, 127), (3, 222), (3, 429), (1, 854)]

INTACT = "h264.mkv"  # its stamps are coarse, which is said of it
SESSIONS = settings(
    max_examples=15, derandomize=True, database=None, deadline=None, phases=[Phase.explicit,
    Phase.generate], suppress_health_check=list(HealthCheck),
)  # fmt: skip
BLIND = ("vp9",)  # codecs that notice no damage: a wrong speed may go unsaid there


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


@pytest.fixture(scope="module")
def base(home):
    return render_base(home / "base")


@pytest.fixture(scope="module")
def good(home, base):
    return all_kinds(base, home)


def test_kinds_and_ways_of_damage_take_turns(good):
    cases = [case(1, number, good) for number in range(len(KINDS) * len(SPOILERS))]
    assert len({(row.kind, row.spoiler) for row in cases}) == len(cases)
    changed = sum(row.data != good[row.kind] for row in cases)
    assert changed >= 0.9 * len(cases)  # a size that stands nowhere in plain bytes stays
    assert case(1, 7, good).data == cases[7].data


def test_boxes_are_found(good):
    kinds = [box.kind for box in boxes(good["h264.mp4"])]
    assert {b"ftyp", b"moov", b"mdat", b"mdhd", b"stts", b"stsd", b"avc1", b"avcC"} <= set(kinds)


def test_damaged_clips_are_refused_measured_or_flagged(home, base, good):
    with executor(2, patience_s=60.0) as pool:
        undamaged = pool.submit(run_here, str(base), str(home), INTACT, good[INTACT])
        cases = [case(seed, number, good) for seed, number in SLICE + ONCE_WRONG]
        futures = [pool.submit(run_here, str(base), str(home), row.kind, row.data) for row in cases]
        said = [verdict(future.result(), undamaged.result()) for future in futures]
    wrong = [
        (row.number, row.kind, row.spoiler, words, future.result().fault[-600:])
        for row, words, future in zip(cases, said, futures, strict=True)
        if words[:2].isupper() and not (words == "FALSE PASS" and row.kind.startswith(BLIND))
    ]
    assert wrong == []
    assert undamaged.result().passes[0].status == "measured"
    assert 3 <= sum(words == "refused" for words in said) <= len(said) - 5  # some of each


def spoilt(file, old, new):
    """Return the good session with one change."""
    assert old in spoiling.GOOD[file]
    texts = spoiling.GOOD | {file: spoiling.GOOD[file].replace(old, new, 1)}
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    return spoiling.Spoilt(files, (f"{file}: {old} -> {new}",))


@SESSIONS
@example(spoilt("hand/out.csv", "frame,", "frame,x\nframe,"))  # several faults of one file
@given(spoiling.spoilt_sessions())
def test_a_spoilt_session_ends_as_the_contract_says(session):
    words = spoiling.verdict(session)
    assert not words[0].isupper(), f"{session.how}: {words}"


def test_the_session_that_is_spoilt_is_good():
    files = {name: text.encode("utf-8") for name, text in spoiling.GOOD.items()}
    assert spoiling.verdict(spoiling.Spoilt(files, ())) == "measured"
