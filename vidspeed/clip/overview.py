"""Keep of the whole picture while a clip runs: brightest values, stills, how much it changes."""

from __future__ import annotations

from array import array
from collections.abc import Sequence

import cv2
import numpy as np

from vidspeed.clip.background import halved, to_eight_bits
from vidspeed.clip.medians import SAMPLES, middle_in_bands, put_middle_of_three
from vidspeed.clip.read import Luma
from vidspeed.values import Floats, Picture

MOST_BYTES = 24 << 20  # of the stills that are kept
FEWEST = 6  # of them, so that half may go when there are too many
SPARSE = 8  # frames from still to still at the beginning of a long clip
AT = (1, 3, 5)  # sixths of a clip of known length at which large pictures have three instead
STRIPE = 128  # rows of the brightest values that are worked out together
BLOCK = 12  # frames whose brightest values are worked out together
BESIDE_EVERY = 4  # frames of which one is looked at where nothing is searched
AROUND = 48  # rows on either side of what is searched that are looked at as often
SAMPLED = 128  # rows, of which two tell how much a frame changes
WHOLE = 256  # rows of a picture that is not sampled
LITTLE = 0.5  # of the usual change: a frame that changes less is compared as a whole
FORGET = 0.05  # of the usual change, at each frame
ALL = slice(None)


class Overview:
    """Grows frame by frame; of fixed size but for one number a frame."""

    def __init__(self, frames: int = 0, searched: tuple[int, int] | None = None) -> None:
        """Take a clip of so many `frames`, as it announces; 0: not known.

        `searched` are the rows, from and to, in which a craft can be; None: all. The brightest
        values of the others are those of some of the frames.
        """
        self._announced = frames
        self._searched = searched
        self._brightest: Luma | None = None
        self._block: Luma | None = None  # of the latest frames
        self._in_block = 0
        self._last: Luma | None = None  # the block before
        self._in_last = 0
        self._shot: Luma | None = None
        self._changes = array("d")
        self._usual = 0.0
        self._before: Luma | None = None  # the last frame, still the decoder's
        self._rows: Picture | None = None  # what was sampled of it, at half size
        self._stills: list[Picture] = []
        self._step = max(1, min(frames // (2 * SAMPLES), SPARSE))

    def take(self, lumas: Sequence[Luma]) -> None:
        """Take the next frames (h, w); the last is held until the one after it."""
        if self._brightest is None:
            self._brightest = lumas[0].copy()
        for number, luma in enumerate(lumas, len(self._changes)):
            if number % BESIDE_EVERY == 0:
                self._look_beside(luma)
        low, high = self._span()
        new = lumas
        if self._block is None:
            self._block, new = lumas[0][low:high].copy(), lumas[1:]
        for top in range(low, high, STRIPE):
            bottom = min(top + STRIPE, high)
            brightest = self._block[top - low : bottom - low]
            for luma in new:
                cv2.max(brightest, luma[top:bottom], dst=brightest)
        self._in_block += len(lumas)
        if self._in_block >= BLOCK:
            self._fold()
        for luma in lumas:
            self._keep(luma)
            self._changes.append(self._change(luma))

    def _span(self) -> tuple[int, int]:
        """Return the rows, from and to, of which every frame is looked at."""
        height = 0 if self._brightest is None else len(self._brightest)
        low, high = (0, height) if self._searched is None else self._searched
        return max(low - AROUND, 0), min(high + AROUND, height)

    def _look_beside(self, luma: Luma) -> None:
        """Put the other rows of a frame to the brightest values."""
        assert self._brightest is not None
        low, high = self._span()
        for rows in (slice(0, low), slice(high, len(luma))):
            if rows.start < rows.stop:
                brightest = self._brightest[rows]
                cv2.max(brightest, luma[rows], dst=brightest)

    def _fold(self) -> None:
        """Put the brightest values of the latest frames to those of all, and begin anew."""
        block = self._block
        if block is None or self._brightest is None:
            return
        brightest = self._brightest[slice(*self._span())]
        cv2.max(brightest, block, dst=brightest)
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

    def shot(self, rows: slice = ALL) -> Luma | None:
        """Return the brightest values (h, w) since `begin_shot`, None where none was begun.

        Of the picture's rows from `rows.start` to `rows.stop` only, where these are given. Those
        of rows of which not every frame is looked at are of all frames so far.
        """
        if self._shot is None or self._brightest is None:
            return None
        first, last, _ = rows.indices(len(self._brightest))
        low, high = self._span()
        part = self._brightest[first:last].copy()
        top, bottom = max(low, first), min(high, last)
        if top < bottom:
            since, there = part[top - first : bottom - first], slice(top - low, bottom - low)
            np.copyto(since, self._shot[there])
            if self._block is not None:
                cv2.max(since, self._block[there], dst=since)
        return part

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
            self._keep_large(index, luma)
        elif index % self._step == 0:
            self._stills.append(to_eight_bits(luma.copy()))
            if len(self._stills) >= min(max(most, FEWEST), 2 * SAMPLES):
                self._stills = self._stills[::2]
                self._step *= 2

    def _keep_large(self, index: int, luma: Luma) -> None:
        """Keep two stills at the most: of a third, the median of all three is kept instead.

        The first frames' median is for a clip that ends early; it goes when there are two others.
        """
        places = [sixths * self._announced // 6 for sixths in AT]
        if index >= len(AT) and index not in places:
            return
        if index == places[1] and len(self._stills) == 2:
            del self._stills[0]
        if len(self._stills) == 2:
            one, two = self._stills
            put_middle_of_three(one, two, to_eight_bits(luma))
            self._stills = [one]
        else:
            self._stills.append(to_eight_bits(luma.copy()))

    @property
    def brightest(self) -> Picture:
        """Return the brightest value of each pixel (h, w) uint8."""
        self._fold()
        self._last = self._shot = None
        if self._brightest is None:
            return np.zeros((1, 1), np.uint8)
        return _frozen(to_eight_bits(self._brightest))

    @property
    def changes(self) -> Floats:
        """Return the mean absolute change (n,) from the frame before, in luma levels."""
        return np.array(self._changes)

    def still(self) -> Picture:
        """Return the median of nine frames spread over the clip (h, w) uint8."""
        if len(self._stills) == 1:
            return _frozen(self._stills[0])
        nine = (self._stills * SAMPLES)[:SAMPLES] if len(self._stills) < SAMPLES else self._stills
        places = np.linspace(0, len(nine) - 1, SAMPLES).round().astype(int)
        return _frozen(middle_in_bands([nine[place] for place in places]))


def _frozen(picture: Picture) -> Picture:
    """Return a picture that cannot be written to: whoever keeps it needs no copy."""
    frozen = picture.view()
    frozen.flags.writeable = False
    return frozen


def _sampled(luma: Luma) -> Picture:
    """Return two of every few rows of a picture (h, w) at half size, all of a small one."""
    height, width = luma.shape
    if height < WHOLE:
        return halved(luma)
    bands = luma[: height // SAMPLED * SAMPLED].reshape(-1, SAMPLED, width)
    return halved(bands[:, :2].reshape(-1, width))


def _away(one: Picture, other: Picture) -> float:
    return float(cv2.norm(one, other, cv2.NORM_L1)) / one.size
