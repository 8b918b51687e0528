"""Clips of an invented landscape whose camera is left alone, shaken, stabilised or carried.

The landscape is that of `bench_views.py`; every frame is a view of it, warped from one large
picture, with noise of its own, what moves in it, and a codec.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import cv2
import numpy as np
from bench_views import Eye, by_day, by_night, landscape

from vidspeed.clip.write import even_stamps, write_clip

RATE = 60
MARGIN = 80  # pixels by which the picture that is warped is larger, on every side
UNTOUCHED = ("plain", "flicker", "grass", "exposure", "blinking")
WARPED = ("shaken", "grass", "bent", "wobble")  # anew in every frame
STABILISED = ("jump", "recentre", "bent", "wobble", "carried", "panned")


@dataclass(kw_only=True)
class Film:
    """What a clip shows: the view, day or night, what moves, how it is encoded."""

    eye: Eye
    night: bool
    kind: str
    seconds: float
    crf: int
    noise: float
    seed: int
    offset: tuple[float, float] = (0.0, 0.0)  # of the whole clip: the camera had moved before
    take: int = 0  # another take of the same view has other noise
    pattern: float = 0.0  # of the sensor, luma levels: it stays where it is when the camera moves
    lit: bool = False  # the lamps are on by day
    hot: int = 0  # pixels of the sensor that shine by themselves


def draw_film(seed: int, number: int, kind: str, night: bool) -> Film:
    """Draw a clip at random."""
    rng = np.random.default_rng([seed, 77, number])
    size = (640, 360) if number % 2 else (960, 540)
    focal = size[0] * rng.uniform(0.6, 1.2)
    eye = Eye(size=size, focal=focal, centre=(size[0] / 2, size[1] / 2), bent=(0.0,) * 5)
    return Film(
        eye=eye, night=night, kind=kind, seconds=float(rng.uniform(1.2, 3.0)),
        crf=int(rng.integers(16, 27)), noise=float(rng.uniform(1.0, 4.0)),
        seed=int(rng.integers(2**31)),
    )  # fmt: skip


def movements(film: Film, rng, time_s):
    """Return shift x, y (pixels) and roll (radians) of every frame (n, 3)."""
    count = len(time_s)
    moved = np.zeros((count, 3))
    moved[:, :2] = film.offset
    turn = rng.uniform(0, 2 * np.pi)
    way = np.array([np.cos(turn), np.sin(turn)])
    middle = time_s[-1] * rng.uniform(0.35, 0.65)
    if film.kind == "shaken":
        for axis in (0, 1):
            for _ in range(3):
                hertz, phase = rng.uniform(1.0, 5.0), rng.uniform(0, 2 * np.pi)
                moved[:, axis] += rng.uniform(0.2, 1.0) * np.sin(2 * np.pi * hertz * time_s + phase)
            moved[:, axis] *= rng.uniform(1.0, 3.0) / np.abs(moved[:, axis]).max()
    elif film.kind == "jump":
        size = np.exp(rng.uniform(np.log(2.0), np.log(15.0)))
        moved[:, :2] = np.where(time_s[:, None] > middle, size * way, 0.0)
    elif film.kind == "recentre":  # follows the craft for a while, then comes back
        size = np.exp(rng.uniform(np.log(4.0), np.log(12.0)))
        away = np.clip((time_s - middle) / 0.08, 0.0, 1.0) - np.clip(
            (time_s - middle - 0.45) / 0.08, 0.0, 1.0
        )
        moved[:, :2] = size * way * away[:, None]
    elif film.kind == "carried":
        for axis in (0, 1):
            for _ in range(5):
                hertz, phase = rng.uniform(0.2, 3.0), rng.uniform(0, 2 * np.pi)
                moved[:, axis] += (
                    rng.uniform(4.0, 15.0)
                    / (0.5 + hertz)
                    * np.sin(2 * np.pi * hertz * time_s + phase)
                )
        moved[:, 2] = 0.004 * np.sin(2 * np.pi * 0.7 * time_s)
    elif film.kind == "panned":
        moved[:, :2] = rng.uniform(40.0, 600.0) * way * (time_s - middle)[:, None]
    return moved


def around(film: Film, rng):
    """Return the eye that sees more on every side, and the landscape."""
    width, height = film.eye.size
    large = Eye(size=(width + 2 * MARGIN, height + 2 * MARGIN), focal=film.eye.focal,
                centre=(width / 2 + MARGIN, height / 2 + MARGIN), bent=(0.0,) * 5)  # fmt: skip
    return large, landscape(rng, large, lamps=int(rng.integers(4, 10)))


def places_of_lamps(film: Film):
    """Return where the lamps of a film that is left alone are (n, 2), and how bright (n,)."""
    large, land = around(film, np.random.default_rng(film.seed))
    return large.project(land.lamps) - MARGIN + np.array(film.offset), land.strength


def frames(film: Film):
    """Yield the frames (h, w) uint8."""
    rng = np.random.default_rng(film.seed)
    width, height = film.eye.size
    large, land = around(film, rng)
    dark = float(rng.uniform(4.0, 14.0))
    base = by_night(land, large, level=dark) if film.night else by_day(land, large, lamps=film.lit)
    blink = by_night(land, large, level=0.0, lit=np.arange(len(land.lamps)) % 2)
    count = round(film.seconds * RATE)
    time_s = np.arange(count) / RATE
    moved = movements(film, rng, time_s)
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    sway = rng.standard_normal((8, 2))
    corner = np.hypot(columns / width - 0.5, rows / height - 0.5) ** 2 * 4.0
    corner = corner.astype(np.float32)
    base = base.astype(np.float32)
    sensor = own_light(film)
    rng = np.random.default_rng([film.seed, film.take])
    view, viewed = base, None
    for k in range(count):
        if film.kind in WARPED or viewed is None or np.any(moved[k] != viewed):
            x, y = warped(film, moved, k, time_s[k], rows, columns, corner, sway)
            view, viewed = cv2.remap(base, x, y, cv2.INTER_LINEAR,
                                     borderMode=cv2.BORDER_REFLECT), moved[k]  # fmt: skip
        picture = view
        if film.kind == "blinking" and film.night and int(time_s[k] * 3.0) % 2:
            picture = picture - blink[MARGIN:-MARGIN, MARGIN:-MARGIN].astype(np.float32)
        if film.kind == "flicker":
            picture = picture * np.float32(1.0 + 0.08 * np.sin(2 * np.pi * 21.0 * time_s[k]))
        if film.kind == "exposure":
            picture = picture * np.float32(1.0 - 0.25 * k / count)
        picture = picture + craft(film, time_s[k]) + sensor
        spread = np.sqrt(0.3 + np.clip(picture, 0, 255) / 120.0) * np.float32(film.noise)
        noisy = picture + spread * rng.standard_normal(picture.shape, dtype=np.float32)
        yield np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def warped(film, moved, k, time_s, rows, columns, corner, sway):
    """Return from where in the large picture frame k takes each of its pixels, (h, w) each."""
    height, width = rows.shape
    x = columns + np.float32(MARGIN - moved[k, 0])
    y = rows + np.float32(MARGIN - moved[k, 1])
    if moved[k, 2]:
        roll = np.float32(moved[k, 2])
        x, y = x + roll * (rows - height / 2), y - roll * (columns - width / 2)
    if film.kind == "shaken":  # a rolling shutter: later rows see a later place
        rate = np.gradient(moved[:, :2], 1.0 / RATE, axis=0)[k] * 0.012
        x, y = x - rate[0] * rows / height, y - rate[1] * rows / height
    if film.kind == "grass":  # below the middle each tuft goes its own way
        x = x + tufts(film.seed, time_s, x, y, 0) * (rows > 0.62 * height)
        y = y + 0.3 * tufts(film.seed, time_s, x, y, 1) * (rows > 0.62 * height)
    if film.kind in ("bent", "wobble"):
        size = 3.5 * np.sin(2 * np.pi * 0.9 * time_s + sway[0, 0])
        waves = np.sin(3.0 * np.pi * rows / height + 9.0 * time_s)
        x = x + np.float32(size) * (corner if film.kind == "bent" else waves)
        y = y + np.float32(0.6 * size * sway[1, 0]) * corner
    return x.astype(np.float32), y.astype(np.float32)


def tufts(seed, time_s, x, y, axis):
    """Return how far (h, w) tufts of grass are bent, each with its own phase."""
    rng = np.random.default_rng([seed, axis])
    phase = cv2.resize(rng.uniform(0, 2 * np.pi, (64, 64)).astype(np.float32),
                       (x.shape[1], x.shape[0]), interpolation=cv2.INTER_LINEAR)  # fmt: skip
    return 1.5 * np.sin(2 * np.pi * 1.7 * np.float32(time_s) + phase)


def own_light(film: Film):
    """Return what the sensor itself adds to every frame (h, w)."""
    rng = np.random.default_rng([film.seed, 5])
    width, height = film.eye.size
    light = film.pattern * rng.standard_normal((height, width), dtype=np.float32)
    for _ in range(film.hot):
        light[rng.integers(height), rng.integers(width)] += rng.uniform(20.0, 120.0)
    return light


def craft(film: Film, time_s):
    """Return the light (h, w) of a craft that crosses the picture in the middle of the clip."""
    width, height = film.eye.size
    share = 0.5 + (time_s - 0.5 * film.seconds) / 0.8
    if not 0.0 <= share <= 1.0:
        return np.float32(0.0)
    x, y = share * width, height * (0.45 + 0.05 * share)
    across = np.exp(-0.5 * (np.maximum(np.abs(np.arange(width) - x) - 6.0, 0.0) / 1.4) ** 2)
    down = np.exp(-0.5 * ((np.arange(height) - y) / 1.4) ** 2)
    return (150.0 * np.outer(down, across)).astype(np.float32)


def write_film(film: Film, path):
    """Encode a clip; return its path."""
    count = round(film.seconds * RATE)
    write_clip(path, frames(film), stamps=even_stamps(count, Fraction(RATE)), crf=film.crf,
               preset="ultrafast")  # fmt: skip
    return path
