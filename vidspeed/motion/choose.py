"""Which track is the craft: each is laid on the course, the plausible ones are solved as flights.

Two that explain a pass about equally well are both reported; nothing is chosen in silence.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import chain, product

from vidspeed.decisions import decided
from vidspeed.errors import MotionError
from vidspeed.motion.account import account, outlined
from vidspeed.motion.across import spanning
from vidspeed.motion.flight import Flight, Lit, solve
from vidspeed.motion.halves import is_part, one_flight
from vidspeed.motion.lamps import all_go_along, brightness, lamps_check
from vidspeed.motion.noise import WORST, worst_scale
from vidspeed.motion.sift import Seen, no_light, plausible, roughness, tell
from vidspeed.values import Check, PassResult, Session, Track, Value

TRIED = 4  # tracks of a clip that are solved as flights at first
MOST_TRIED = 40  # combinations of tracks after which no more of them are solved
EQUAL_LIGHTS = 0.7  # a candidate with this share of the best one's lights in each clip is a rival


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found(Value):
    """A pass: its account, the flight it was solved as, and who else might be it.

    `tracks` are all candidates of the (first) clip that explain it about equally well, the one that
    was taken first.
    """

    result: PassResult
    flight: Flight
    tracks: tuple[Track, ...]


def one_pass(session: Session, seen: Sequence[Seen], label: str) -> Found:
    """Solve the one pass that these clips hold.

    Raises MotionError where nothing in them moves along the course like the craft.
    """
    options = [(row, _candidates(session, row)) for row in seen]
    options = [(row, tracks) for row, tracks in options if tracks]
    if not options:
        raise MotionError(no_light(session, seen))
    blocks = _likeliest([tracks for _, tracks in options])
    solved = _solved(session, [row for row, _ in options], blocks, label)
    if not solved:
        _explain(session, options, label)
    return _best(solved, session.craft.lamp_u_m)


def _candidates(session: Session, seen: Seen) -> list[Track]:
    """Return what of a clip is solved as a flight, halves on both sides of a long gap whole."""
    return sorted([*plausible(session, seen), *spanning(session, seen)], key=len, reverse=True)


def _best(solved: Sequence[Found], lamp_u_m: float) -> Found:
    """Return the candidate that explains most, with those that explain about as much.

    Of lights that go along together (lamps of one craft, a reflection) the brightest is taken.
    """
    ranked = sorted(solved, key=_rank, reverse=True)
    alike = [row for row in ranked[1:] if _rival(row, ranked[0])]
    along = [row for row in alike if all_go_along(ranked[0].result, row.result)]
    best = max([ranked[0], *along], key=lambda row: brightness(row.result))
    beside = [row for row in [ranked[0], *along] if row is not best]
    rivals = [row for row in alike if row not in along]
    _tell_choice(ranked, best, rivals)
    check = lamps_check(best.result, [row.result for row in beside], lamp_u_m)
    if check is not None:
        best = replace(best, result=replace(best.result, checks=(*best.result.checks, check)))
    others = [row for row in ranked if row not in rivals and _is_another(row, best)]
    if others:
        check = _others_check([row.result for row in others])
        best = replace(best, result=replace(best.result, checks=(*best.result.checks, check)))
    if not rivals:
        return best
    return replace(
        best,
        result=_with_rivals(best.result, [row.result for row in rivals]),
        tracks=(*best.tracks, *(track for row in rivals for track in row.tracks)),
    )


def _tell_choice(ranked: Sequence[Found], best: Found, rivals: Sequence[Found]) -> None:
    """Tell which candidate is taken, and why not the others."""
    for row in ranked:
        kmh, lights = 3.6 * (row.result.speed_mps or 0.0), _lights(row.result)
        if row is best:
            what = "is taken" if len(ranked) > 1 else "is the only one that is a flight"
        elif row in rivals:
            what = "explains the pass about as well, and is reported"
        else:
            what = "explains fewer lights or goes along with the one taken, and is left out"
        clips = ", ".join(row.result.clips)
        decided(
            __name__, f"{clips}: the candidate at {kmh:.1f} km/h, {row.result.status}, {lights} "
            f"lights, {what}",
            clips=row.result.clips, speed_mps=row.result.speed_mps, lights=lights,
            status=row.result.status, taken=row is best, rival=row in rivals,
        )  # fmt: skip


def _likeliest(tracks: Sequence[Sequence[Track]]) -> Iterator[list[tuple[Track, ...]]]:
    """Yield combinations of a track of each clip: of the longest, then of ever more, smooth first.

    What lives long and weaves, like an insect, does not hide the craft.
    """
    block = list(product(*(rows[:TRIED] for rows in tracks)))
    tried: set[tuple[int, ...]] = set()
    smooth = [sorted(rows, key=roughness) for rows in tracks]
    for most in range(TRIED, MOST_TRIED + 1, TRIED):
        yield block
        tried |= {tuple(map(id, row)) for row in block}
        if len(tried) >= MOST_TRIED:
            return
        further = product(*(rows[:most] for rows in smooth))
        fresh = (row for row in further if tuple(map(id, row)) not in tried)
        block = sorted(fresh, key=lambda row: -sum(map(len, row)))  # a whole before its parts


def _solved(
    session: Session,
    seen: Sequence[Seen],
    blocks: Iterable[Iterable[tuple[Track, ...]]],
    label: str,
) -> list[Found]:
    """Return every combination that is a flight of the craft, of blocks up to a measured one."""
    found: list[Found] = []
    for block in blocks:
        for tracks in block:
            wholes = ([lit.track for lit in row.flight.lit] for row in found)
            if any(all(map(is_part, tracks, whole)) for whole in wholes):
                continue
            made = _attempt(session, seen, tracks, label)
            found += [made] if made is not None else []
        if any(row.result.status == "measured" for row in found):
            break
    return found


def _attempt(
    session: Session, seen: Sequence[Seen], tracks: Sequence[Track], label: str
) -> Found | None:
    try:
        found = _flown(session, seen, tracks, label)
    except MotionError as error:
        tell(seen[0].clip.name, tracks[0], f"no flight explains it: {error}")
        return None
    against = _against(found.result, seen)
    if not against:
        return found
    tell(seen[0].clip.name, tracks[0], f"is not the craft: {against}")
    return None


def _explain(session: Session, options: Sequence[tuple[Seen, list[Track]]], label: str) -> None:
    """Raise the reason why the likeliest tracks are no flight of the craft."""
    seen = [row for row, _ in options]
    result = solve_tracks(session, seen, [tracks[0] for _, tracks in options], label)
    failed = [check for check in result.checks if check.status == "fail"]
    failed = failed or [check for check in result.checks if check.status != "ok"]
    assert result.speed_mps is not None
    raise MotionError(
        f"the likeliest light flew at {3.6 * result.speed_mps:.0f} km/h and is not taken for the "
        "craft: " + "; ".join(f"{check.name}: {check.detail}" for check in failed)
    )


def solve_tracks(
    session: Session, seen: Sequence[Seen], tracks: Sequence[Track], label: str
) -> PassResult:
    """Solve a pass from one track a clip. Raises MotionError where no flight explains them."""
    return _flown(session, seen, tracks, label).result


def _flown(session: Session, seen: Sequence[Seen], tracks: Sequence[Track], label: str) -> Found:
    lit = [
        Lit(clip=row.clip.name, stand=row.stand, track=track)
        for row, track in zip(seen, tracks, strict=True)
    ]
    flight = solve(session, lit, label)
    result = account(session, flight, [row.clip for row in seen], label)
    return Found(result=result, flight=flight, tracks=(tracks[0],))


def _against(result: PassResult, seen: Sequence[Seen]) -> str:
    """Say what speaks against a flight's being the craft's: nothing where it may be."""
    noise = max((row.noise_scale for row in result.sightings), default=0.0)
    failed = [f"{row.name}: {row.detail}" for row in result.checks if row.status == "fail"]
    by_hand = any(row.clip.track is not None or row.clip.choose for row in seen)
    most = WORST if by_hand else worst_scale(_lights(result))
    loud = [f"its lights scatter {noise:.0f} times as much as they should"]
    return "; ".join([*failed, *(loud if noise > most else [])])


def _lights(result: PassResult) -> int:
    return sum(int(row.used.sum()) for row in result.sightings)


def _rank(found: Found) -> tuple[bool, int]:
    return found.result.status == "measured", _lights(found.result)


def _rival(other: Found, best: Found) -> bool:
    """Tell whether another candidate explains the pass about as well as the best one.

    In every clip: a scrap of one camera's track beside the whole one of another is no rival.
    """
    alike = other.result.status == best.result.status
    theirs = {(row.camera, row.clip): int(row.used.sum()) for row in other.result.sightings}
    return (
        alike
        and not one_flight(best.result, other.result)
        and all(
            theirs.get((row.camera, row.clip), 0) >= EQUAL_LIGHTS * int(row.used.sum())
            for row in best.result.sightings
        )
    )


def _is_another(row: Found, best: Found) -> bool:
    """Tell whether a candidate of fewer lights is a craft of its own, flown from gate to gate.

    It shares no light with the one that is taken and differs from it in speed or direction.
    """
    one, other = best.result, row.result
    if row is best or other.status != "measured" or not one.speed_mps or not other.speed_mps:
        return False
    taken = [lit.track for lit in best.flight.lit]
    shared = any(is_part(lit.track, track) for lit in row.flight.lit for track in taken)
    wide_mps = (one.speed_U95_mps or 0.0) + (other.speed_U95_mps or 0.0)
    differs = one.direction != other.direction or abs(one.speed_mps - other.speed_mps) > wide_mps
    return differs and not shared and not all_go_along(one, other)


def _others_check(others: Sequence[PassResult]) -> Check:
    """Say which other lights flew the course from gate to gate and are not measured."""
    flights = ", ".join(
        f"{3.6 * (row.speed_mps or 0.0):.1f} km/h {row.direction} at "
        f"{row.crossings[0].time_in_s:.2f} s"
        for row in others
    )
    detail = (
        f"another light flew from gate to gate, too ({flights}), and is left out; if that is the "
        "craft, say so with `choose` in the clip's entry"
    )
    return Check(name="candidates", status="warn", detail=detail)


def _with_rivals(best: PassResult, rivals: Sequence[PassResult]) -> PassResult:
    speeds = ", ".join(f"{3.6 * (row.speed_mps or 0.0):.1f} km/h" for row in rivals)
    check = Check(
        name="candidates",
        status="fail",
        detail=f"other lights explain the pass about equally well ({speeds}); "
        "say which is the craft with `choose` in the clip's entry",
    )
    return replace(best, checks=(*best.checks, check))


def many_passes(session: Session, seen: Seen) -> list[Found]:
    """Solve every pass of a clip that may hold several, in order of time, labelled "?"."""
    each = [[(track,) for track in _candidates(session, seen)]]
    waiting = sorted(_solved(session, [seen], each, "?"), key=_rank, reverse=True)
    found = []
    while waiting:
        beside = [row for row in waiting if _same_time(row.result, waiting[0].result)]
        waiting = [row for row in waiting if not _same_time(row.result, waiting[0].result)]
        found.append(_best(beside, session.craft.lamp_u_m))
    return sorted(found, key=lambda row: row.result.crossings[0].time_in_s)


def _same_time(first: PassResult, second: PassResult) -> bool:
    """Tell whether two passes of one clip cross the course at the same time."""
    one, other = first.crossings[0], second.crossings[0]
    return one.time_in_s < other.time_out_s and other.time_in_s < one.time_out_s


def best_status(session: Session, seen: Seen, enough: Sequence[str] = ("measured",)) -> str:
    """Return the best status of tracks that are flights by themselves, or the first `enough`."""
    status = "none"
    blocks = _likeliest([_candidates(session, seen)])
    for (track,) in chain.from_iterable(blocks):
        with suppress(MotionError):
            flight = solve(session, [Lit(clip=seen.clip.name, stand=seen.stand, track=track)], "?")
            result = outlined(session, flight, [seen.clip], "?")
            status = result.status if not _against(result, [seen]) else status
        if status in enough:
            break
    return status


def relabelled(result: PassResult, label: str) -> PassResult:
    """Return a result under another label, in its inputs and budget too."""
    old, new = f"pass {result.label}", f"pass {label}"
    return replace(
        result,
        label=label,
        inputs=tuple(replace(row, owner=new) if row.owner == old else row for row in result.inputs),
        budget=tuple(replace(row, owner=new) if row.owner == old else row for row in result.budget),
    )
