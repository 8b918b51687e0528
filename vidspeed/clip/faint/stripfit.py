"""Look closer at a line that was found by adding up: how much of it is a lamp, and where it flew.

Patches along the way (`strippatches.py`) are matched with the image of a lamp: a response for each
place of a patch, of unit variance. The way is bent and shifted until the responses along it add up
to most; a sum that noise could reach, that a few frames carry, or that the negative of the picture
reaches as well, is no craft (`striplight.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vidspeed.clip.faint.strip import bilinear
from vidspeed.clip.faint.strippatches import Maps, Patches
from vidspeed.values import Floats, Value

WIDTHS_PX = (1.1, 1.5, 2.1)  # of a lamp's image, that are tried
LENGTHS = (0.0, 0.06, 0.12, 0.25, 0.4, 0.6, 0.8, 1.0)  # of its streak, in steps of a frame
LONGEST_PX = 24.0  # of a streak that is matched; a longer one is matched in part
LOOKS = 2  # at the image, each with a way of its own
CUT = 4.0  # standard deviations of a frame's response beyond which it says no more
DRAWS, KEPT, ROUNDS, SHRINK = 1500, 60, 9, 0.65  # of the search for the best way
ALONG_PX = (6.0, 6.0, 5.0, 2.0)  # by which the way may be off, shift, rate, bend, its change
ACROSS_PX = (3.0, 3.0, 1.5)
KERNEL_PX, SKIRT = 10, 3.0  # half size of a lamp's image: at least, and widths beyond its ends


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Faint(Value):
    """A way through the frames of some patches, and how strongly a lamp lies on it.

    `off_px` (n, 2) is how far it lies from the middle of each patch, along and across; `score` is
    the sum of the responses (n,) over its standard deviation, `against` the best such sum in the
    negative of the picture; `width_px` and `streak_px` (n,) are the lamp's image that fits best.
    """

    off_px: Floats
    score: float
    against: float
    response: Floats
    width_px: float
    streak_px: Floats


def faint_light(patches: Patches) -> Faint:
    """Bend and shift the way until the responses of a lamp along it add up to most."""
    image = WIDTHS_PX[1], 0.0
    maps = responses(patches, image[0], _streak_px(patches, image[1]))
    off, _ = _best_way(patches, maps, 1.0)
    for _ in range(LOOKS):  # a streak's image moves the way off its ends, and then fits better
        before, image = image, _image(patches, off, _cut(_looked_up(patches, maps, off)))
        if image == before:
            break
        maps = responses(patches, image[0], _streak_px(patches, image[1]))
        off, _ = _best_way(patches, maps, 0.5, off)
    strong = _cut(_looked_up(patches, maps, off))
    if strong > CUT:
        off, _ = _best_way(patches, maps, 0.5, off, strong)
    _, against = _best_way(patches, -maps, 1.0)
    return Faint(
        off_px=off,
        score=_total(_looked_up(patches, maps, off)),
        against=against,
        response=_looked_up(patches, maps, off),
        width_px=image[0],
        streak_px=_streak_px(patches, image[1]),
    )


def _streak_px(patches: Patches, length: float) -> Floats:
    """Return how long the matched image is (n,): a part of the way of a frame."""
    return np.minimum(length * patches.step_px, LONGEST_PX)


def _cut(response: Floats) -> float:
    """Return beyond which response a frame says no more, of a way with responses (n,).

    Cut off where most of them lie it would not matter where on the lamp the way lies, nor which
    image it has.
    """
    return max(CUT, 2.0 * float(np.median(response)))


def _image(patches: Patches, off_px: Floats, cut: float) -> tuple[float, float]:
    """Return width and length, in steps, of the lamp's image that fits best along a way."""
    sums = {
        (width, length): _total(
            _looked_up(patches, responses(patches, width, _streak_px(patches, length)), off_px),
            cut,
        )
        for width in WIDTHS_PX
        for length in LENGTHS
    }
    return max(sums, key=lambda image: sums[image])


def responses(patches: Patches, width_px: float, streak_px: Floats) -> Maps:
    """Match each patch (n, h, w) with a lamp's image; the responses have unit variance.

    `streak_px` (n,) is how long the image is along the way.
    """
    found = np.empty_like(patches.whitened)
    for own, patch, along, streak in zip(
        found, patches.whitened, patches.along, streak_px, strict=True
    ):
        kernel = lamp_image(width_px, float(streak) * along)
        own[:] = cv2.filter2D(patch, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT)
    spread = 1.4826 * float(np.median(np.abs(found)))
    return np.asarray(found / max(spread, 0.2), np.float32)


def lamp_image(width_px: float, streak_px: Floats) -> Maps:
    """Return the image (h, w) of a lamp that moved by `streak_px` (2,): its squares add up to 1.

    Both ends of the streak are in it: an image without them would not tell where it lies.
    """
    reach = 0.5 * float(np.abs(streak_px).max()) + SKIRT * width_px
    half = max(KERNEL_PX, int(np.ceil(reach)))
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    length = float(np.linalg.norm(streak_px))
    steps = max(int(np.ceil(length / width_px)) * 2, 1)
    parts = ((np.arange(steps) + 0.5) / steps - 0.5)[:, None] * np.asarray(streak_px)
    image = sum(
        np.exp(-0.5 * ((x - px) ** 2 + (y - py) ** 2) / width_px**2) for px, py in parts.tolist()
    )
    return np.asarray(image / np.sqrt(np.sum(np.square(image))), np.float32)


def _best_way(
    patches: Patches,
    maps: Maps,
    wide: float,
    start_px: Floats | None = None,
    cut: float = CUT,
) -> tuple[Floats, float]:
    """Return how far off (n, 2) the middles the best way lies, and its score.

    Ways are drawn about the best ones so far, nearer and nearer (cross-entropy method,
    R. Y. Rubinstein); always the same draws, so that the same clip gives the same way.
    """
    rng = np.random.default_rng(7)
    basis = bends(patches.time_s)
    start = np.zeros((len(basis), 2)) if start_px is None else start_px
    scale = wide * np.array([*ALONG_PX, *ACROSS_PX])
    best, top = np.zeros(len(scale)), -np.inf
    centre, spread = best, scale
    for number in range(ROUNDS):
        drawn = centre + spread * rng.normal(size=(DRAWS, len(scale)))
        drawn[0] = best
        sums = _totals(patches, maps, basis, drawn, start, cut)
        order = np.argsort(sums)[-KEPT:]
        if sums[order[-1]] >= top:
            best, top = drawn[order[-1]], float(sums[order[-1]])
        centre = 0.5 * (best + drawn[order].mean(axis=0))
        spread = np.maximum(drawn[order].std(axis=0), scale * SHRINK ** (number + 2))
    return np.asarray(start + _off(basis, best[None])[0]), top


def bends(time_s: Floats) -> Floats:
    """Return shift, rate, bend and its change (n, 4) over the way, each about as large."""
    t = 2.0 * (time_s - time_s[0]) / max(float(np.ptp(time_s)), 1e-9) - 1.0
    return np.column_stack([np.ones_like(t), t, 1.5 * t**2 - 0.5, 2.5 * t**3 - 1.5 * t])


def _off(basis: Floats, drawn: Floats) -> Floats:
    """Return the offsets along and across (d, n, 2) of d draws of seven parameters."""
    along = drawn[:, : len(ALONG_PX)] @ basis.T
    across = drawn[:, len(ALONG_PX) :] @ basis[:, : len(ACROSS_PX)].T
    return np.stack([along, across], axis=2)


def _totals(
    patches: Patches, maps: Maps, basis: Floats, drawn: Floats, start_px: Floats, cut: float
) -> Floats:
    """Return the scores (d,) of some ways, no response counted beyond `cut`."""
    off = start_px + _off(basis, drawn)
    found = np.zeros(len(drawn))
    base = patches.middle_px - patches.corner_px
    for number in range(len(maps)):
        place = base[number] + off[:, number] @ np.stack(
            [patches.along[number], patches.across[number]]
        )
        found += np.clip(bilinear(maps[number], place), -cut, cut)
    return np.asarray(found / np.sqrt(len(maps)))


def _looked_up(patches: Patches, maps: Maps, off_px: Floats) -> Floats:
    """Return the responses (n,) at offsets (n, 2) along and across."""
    base = patches.middle_px - patches.corner_px
    place = base + off_px[:, :1] * patches.along + off_px[:, 1:] * patches.across
    return np.array([bilinear(one, at[None])[0] for one, at in zip(maps, place, strict=True)])


def _total(response: Floats, cut: float = CUT) -> float:
    """Return a sum of responses over its standard deviation, none of them counted far out."""
    return float(np.clip(response, -cut, cut).sum() / np.sqrt(len(response)))
