"""Keep of the whole picture while a clip runs: brightest values, stills, how much it changes."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from vidspeed.clip.background import halved, to_eight_bits
from vidspeed.clip.medians import SAMPLES, middle_of_nine
from vidspeed.clip.read import Luma
from vidspeed.values import Floats, Picture

MOST_BYTES = 24 << 20  # of the stills that are kept
FEWEST = 6  # of them, so that half may go when there are too many
SPARSE = 8  # frames from still to still at the beginning of a long clip
AT = (1, 3, 5)  # sixths of a clip of known length at which large pictures have three instead
BAND = 64  # rows of the still that are worked out together
STRIPE = 128  # rows of the brightest values that are worked out together
BLOCK = 12  # frames whose brightest values are worked out together
SAMPLED = 16  # rows, of which two tell how much a frame changes
WHOLE = 256  # rows of a picture that is not sampled
LITTLE = 0.5  # of the usual change: a frame that changes less is compared as a whole
FORGET = 0.05  # of the usual change, at each frame


class Overview:
    """Grows frame by frame; of fixed size but for one number a frame."""

    def __init__(self, frames: int = 0) -> None:
        """Take a clip of so many `frames`, as it announces; 0: not known."""
        self._announced = frames
        self._brightest: Luma | None = None
        self._block: Luma | None = None  # of the latest frames
        self._in_block = 0
        self._last: Luma | None = None  # the block before
        self._in_last = 0
        self._shot: Luma | None = None
        self._changes: list[float] = []
        self._usual = 0.0
        self._before: Luma | None = None  # the last frame, still the decoder's
        self._rows: Picture | None = None  # what was sampled of it, at half size
        self._stills: list[Picture] = []
        self._step = max(1, min(frames // (2 * SAMPLES), SPARSE))

    def take(self, lumas: Sequence[Luma]) -> None:
        """Take the next frames (h, w); the last is held until the one after it."""
        if self._block is None:
            self._block = lumas[0].copy()
        for top in range(0, len(self._block), STRIPE):
            brightest = self._block[top : top + STRIPE]
            for luma in lumas:
                cv2.max(brightest, luma[top : top + STRIPE], dst=brightest)
        self._in_block += len(lumas)
        if self._in_block >= BLOCK:
            self._fold()
        for luma in lumas:
            self._keep(luma)
            self._changes.append(self._change(luma))

    def _fold(self) -> None:
        """Put the brightest values of the latest frames to those of all, and begin anew."""
        block = self._block
        if block is None:
            return
        if self._brightest is None:
            self._brightest = block.copy()
        else:
            cv2.max(self._brightest, block, dst=self._brightest)
        if self._shot is not None:
            cv2.max(self._shot, block, dst=self._shot)
        self._last, self._in_last = block, self._in_block
        self._block, self._in_block = None, 0

    def begin_shot(self) -> int:
        """Gather the brightest values apart from now on; return of how many frames before now."""
        first = self._block if self._last is None else self._last
        self._shot = None if first is None else first.copy()
        return self._in_block + (0 if self._last is None else self._in_last)

    def end_shot(self) -> None:
        """Let go of what was gathered apart."""
        self._shot = None

    def shot(self) -> Luma | None:
        """Return the brightest values (h, w) since `begin_shot`, None where none was begun."""
        if self._shot is None or self._block is None:
            return self._shot
        return np.asarray(cv2.max(self._shot, self._block))

    def _change(self, luma: Luma) -> float:
        """Return the mean absolute change from the frame before, at half size.

        Rows spread over the picture tell it, but for a frame that seems to repeat the one before:
        there it may be only a light that moved.
        """
        rows, last, before = _sampled(luma), self._rows, self._before
        self._rows, self._before = rows, luma
        if last is None or before is None:
            return 0.0
        change = _away(rows, last)
        if change < LITTLE * self._usual or not self._usual:
            change = _away(halved(luma), halved(before))
        self._usual += (change - self._usual) * max(FORGET, 1.0 / len(self._changes))
        return change

    def _keep(self, luma: Luma) -> None:
        """Keep the frame as a still when its turn has come."""
        index, most = len(self._changes), MOST_BYTES // luma.size
        if most < FEWEST and self._announced:
            places = [sixths * self._announced // 6 for sixths in AT]
            if index < len(AT):  # in case that it ends early
                self._stills.append(to_eight_bits(luma.copy()))
            elif index in places:
                self._stills[places.index(index)] = to_eight_bits(luma.copy())
        elif index % self._step == 0:
            self._stills.append(to_eight_bits(luma.copy()))
            if len(self._stills) >= min(max(most, FEWEST), 2 * SAMPLES):
                self._stills = self._stills[::2]
                self._step *= 2

    @property
    def brightest(self) -> Picture:
        """Return the brightest value of each pixel (h, w) uint8."""
        self._fold()
        if self._brightest is None:
            return np.zeros((1, 1), np.uint8)
        return to_eight_bits(self._brightest)

    @property
    def changes(self) -> Floats:
        """Return the mean absolute change (n,) from the frame before, in luma levels."""
        return np.array(self._changes)

    def still(self) -> Picture:
        """Return the median of nine frames spread over the clip (h, w) uint8."""
        nine = (self._stills * SAMPLES)[:SAMPLES] if len(self._stills) < SAMPLES else self._stills
        places = np.linspace(0, len(nine) - 1, SAMPLES).round().astype(int)
        still = np.empty_like(nine[0])
        for top in range(0, len(still), BAND):
            rows = slice(top, top + BAND)
            still[rows] = middle_of_nine([nine[place][rows] for place in places])
        return still


def _sampled(luma: Luma) -> Picture:
    """Return two of every few rows of a picture (h, w) at half size, all of a small one."""
    height, width = luma.shape
    if height < WHOLE:
        return halved(luma)
    bands = luma[: height // SAMPLED * SAMPLED].reshape(-1, SAMPLED, width)
    return halved(bands[:, :2].reshape(-1, width))


def _away(one: Picture, other: Picture) -> float:
    return float(cv2.norm(one, other, cv2.NORM_L1)) / one.size
