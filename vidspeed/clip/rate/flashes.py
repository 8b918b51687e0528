"""The brightness of a flashing lamp, frame by frame and band by band of the read-out.

The lamp is found by its rate: every pixel is multiplied by a sine and a cosine of that rate and
summed over some flashes. The pixels that answer most make up the lamp, except those that
saturate: what they lose is lost exactly where the lamp is half in the exposure.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vidspeed.clip.read import ClipReader, Header, Luma, readout_row
from vidspeed.clip.stamps import account
from vidspeed.errors import ClipError
from vidspeed.values import Bools, Floats, Ints, Value

ANSWER = 0.2  # of the strongest answer: what belongs to the lamp
LOOK_FLASHES, LOOK_S = 8, 1.0  # how long the lamp is looked for
FEWEST_PX, FEWEST_FRAMES = 4, 8
BELOW_WHITE = 4  # levels of eight bits below white that count as saturated


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flashes(Value):
    """A lamp over a clip: n frames and b bands of rows.

    `level` (n, b) is the mean luma of the lamp's pixels in a band, above black, of eight bits,
    each weighed by how strongly it flashes; `row` (b,), 0 to 1, where in the read-out the band
    lies; `pixels` (b,) how many even ones would be worth as much.
    `saturated` is the share of the lamp's pixels that were left out.
    """

    file: str
    size_px: tuple[int, int]
    time_s: Floats
    level: Floats
    row: Floats
    pixels: Floats
    interval_s: float
    stamp_u_s: float
    saturated: float
    height: float  # of a band, as a share of the read-out
    notes: tuple[str, ...] = ()

    @property
    def span_s(self) -> float:
        """Return the time from the first to the last frame."""
        return float(self.time_s[-1] - self.time_s[0])


def flashes(path: Path, hz: float | None, *, bands: int, rate_hz: float | None = None) -> Flashes:
    """Follow the lamp that flashes at about `hz` through a clip.

    Parameters
    ----------
    hz
        Rate of the flashes. None: the whole picture is taken, whatever it shows.
    bands
        Into how many bands of rows the read-out is divided, at most.
    rate_hz
        True capture rate of a clip that was stored for slow playback; time is frame over rate.

    Raises
    ------
    ClipError
        Where the clip cannot be read, is too short, or every pixel of the lamp saturates.
    """
    with ClipReader(path) as clip:
        header = clip.header
    strength, saturated = np.ones(header.size_px[::-1]), 0.0
    if hz is not None:
        strength, saturated = _lamp(path, hz, rate_hz)
    count = min(bands, _height(header))
    lamp = _banded(strength, _row_of_pixels(header), count)
    stamps, level = _levels(path, lamp, header)
    told = account(stamps, header.time_base, rate_hz=rate_hz)
    good = told.usable
    if np.sum(good) < FEWEST_FRAMES:
        raise ClipError(f"{path.name}: {int(np.sum(good))} frames; film the lamp for a minute")
    stamped_s = stamps * float(header.time_base)
    time_s = np.asarray(stamped_s if rate_hz is None else np.arange(len(stamps)) / rate_hz)
    return Flashes(
        file=path.name,
        size_px=header.size_px,
        time_s=time_s[good],
        level=level[good],
        row=lamp.row,
        pixels=lamp.pixels,
        interval_s=told.interval_s if rate_hz is None else 1.0 / rate_hz,
        stamp_u_s=told.stamp_u_s,
        saturated=saturated,
        height=1.0 / count,
        notes=(*told.notes, *_burnt_note(saturated)),
    )


def _burnt_note(saturated: float) -> list[str]:
    if saturated < 0.02:
        return []
    return [f"{saturated:.0%} of the lamp is white and was left out; film it dimmer"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lamp(Value):
    """A lamp's pixels: which (h, w), and of each of them (n,) its band and its weight.

    Of each lit band: the `total` of its weights, its `row`, and how many `pixels` it is worth.
    """

    inside: Bools
    band: Ints
    weight: Floats
    count: int
    lit: Bools
    total: Floats
    row: Floats
    pixels: Floats


def _banded(strength: Floats, place: Floats, count: int) -> _Lamp:
    """Divide a lamp's pixels (h, w) into `count` bands of rows, each weighed by its strength.

    A band's row is that of its light: the mean with the weights squared.
    """
    inside = strength > 0.0
    weight = strength[inside]
    band = np.minimum((place[inside] * count).astype(np.int64), count - 1)

    def sums(values: Floats) -> Floats:
        return np.asarray(np.bincount(band, weights=values, minlength=count), np.float64)

    total, squares = sums(weight), sums(weight**2)
    lit = total > 0.0
    return _Lamp(
        inside=inside,
        band=band,
        weight=weight,
        count=count,
        lit=lit,
        total=total[lit],
        row=(sums(weight**2 * place[inside])[lit] / squares[lit]),
        pixels=total[lit] ** 2 / squares[lit],
    )


def _levels(path: Path, lamp: _Lamp, header: Header) -> tuple[Ints, Floats]:
    """Return the stamps (n,) of a clip and the level (n, b) of a lamp's bands, above black."""
    scale = 1.0 if header.bit_depth == 8 else 0.25
    black = 0.0 if header.full_range else 16.0
    stamps, levels = [], []
    with ClipReader(path) as clip:
        for frame in clip.frames():
            light = lamp.weight * frame.luma[lamp.inside]
            sums = np.bincount(lamp.band, weights=light, minlength=lamp.count)
            stamps.append(frame.stamp)
            levels.append(scale * sums[lamp.lit] / lamp.total - black)
    return np.array(stamps, dtype=np.int64), np.array(levels)


def _height(header: Header) -> int:
    """Return how many rows the stored picture has."""
    return header.size_px[1] if header.rotation_deg % 180 == 0 else header.size_px[0]


def _row_of_pixels(header: Header) -> Floats:
    """Return where in the read-out (h, w) each pixel of the shown picture lies."""
    width, height = header.size_px
    y, x = np.mgrid[0:height, 0:width]
    xy_px = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)
    return readout_row(xy_px, header.size_px, header.rotation_deg).reshape(height, width)


def _lamp(path: Path, hz: float, rate_hz: float | None) -> tuple[Floats, float]:
    """Return the strength (h, w) of the lamp's pixels, and the share of them that saturates.

    It is 0 outside the lamp and where a pixel saturates.
    """
    answer, brightest = _answers(path, hz, rate_hz)
    white = brightest >= (251 if brightest.max() > 240 else 235 - BELOW_WHITE)
    inside = answer > ANSWER * answer.max()
    lost = float(np.mean(white[inside]))
    usable = np.where(white, 0.0, answer)
    lamp = usable > ANSWER * usable.max() if lost else inside
    if np.sum(lamp) < FEWEST_PX or (lost > 0.5 and usable.max() < 0.05 * answer.max()):
        raise ClipError(
            f"{path.name}: the lamp saturates or is hardly a pixel wide; "
            "film it dimmer (farther away, through paper, shorter exposure) or larger"
        )
    return np.where(lamp, usable, 0.0), lost


def _answers(path: Path, hz: float, rate_hz: float | None) -> tuple[Floats, Floats]:
    """Return how strongly each pixel (h, w) follows the rate, and its brightest value."""
    look_s = max(LOOK_S, LOOK_FLASHES / hz)
    total = cosine = sine = brightest = None
    waves: list[tuple[float, float]] = []
    start_s = 0.0
    with ClipReader(path) as clip:
        scale = 1.0 if clip.header.bit_depth == 8 else 0.25
        for frame in clip.frames():
            start_s = start_s if waves else frame.time_s
            since_s = frame.time_s - start_s if rate_hz is None else frame.index / rate_hz
            if since_s > look_s:
                break
            turn = 2.0 * np.pi * hz * since_s
            luma = _smooth(frame.luma) * np.float32(scale)
            wave = (float(np.cos(turn)), float(np.sin(turn)))
            waves.append(wave)
            if total is None or cosine is None or sine is None or brightest is None:
                total, cosine, sine = luma, wave[0] * luma, wave[1] * luma
                brightest = frame.luma
                continue
            total = total + luma
            cosine = cosine + wave[0] * luma
            sine = sine + wave[1] * luma
            brightest = np.maximum(brightest, frame.luma)
    if total is None or cosine is None or sine is None or brightest is None:
        raise ClipError(f"{path.name}: no frame can be decoded")
    mean = np.asarray(waves).mean(axis=0)
    answer = np.hypot(cosine - mean[0] * total, sine - mean[1] * total) * 2.0 / len(waves)
    return np.asarray(answer, np.float64), scale * np.asarray(brightest, np.float64)


def _smooth(luma: Luma) -> Floats:
    """Return the picture (h, w) as float32, the mean of 3 x 3 pixels."""
    import cv2

    return np.asarray(cv2.blur(luma.astype(np.float32), (3, 3)))
