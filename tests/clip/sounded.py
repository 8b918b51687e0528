"""Clips with sound and a flash, written stream by stream, with a known offset between the two."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

RATE = 48_000


@dataclass
class Clap:
    """A lamp that goes on at `flash_s` (for `lit_s`), and a bang heard at `bang_s`."""

    flash_s: float = 1.2
    lit_s: float = 0.4
    bang_s: float = 1.25
    seconds: float = 2.5
    frame_rate: int = 30
    exposure_s: float = 0.012
    readout_s: float = 0.015
    noise: float = 0.002
    sound_start_s: float = 0.0
    channels: int = 1
    seed: int = 0

    def samples(self):
        rng = np.random.default_rng(self.seed)
        time_s = self.sound_start_s + np.arange(int(self.seconds * RATE)) / RATE
        since = time_s - self.bang_s
        bang = np.where(since >= 0.0, np.exp(-np.maximum(since, 0.0) / 0.02), 0.0)
        return 0.7 * bang * rng.uniform(-1, 1, len(bang)) + self.noise * rng.standard_normal(
            len(bang)
        )

    def pictures(self):
        rng = np.random.default_rng(self.seed + 1)
        row = np.arange(96) / 96
        for index in range(int(self.seconds * self.frame_rate)):
            middle = index / self.frame_rate + self.readout_s * row  # of each row's exposure
            opened, closed = middle - self.exposure_s / 2, middle + self.exposure_s / 2
            lit = np.minimum(closed, self.flash_s + self.lit_s) - np.maximum(opened, self.flash_s)
            share = np.clip(lit / self.exposure_s, 0.0, 1.0)
            picture = 20.0 + rng.normal(0.0, 1.0, (96, 128))
            picture[40:56, 60:76] += 150.0 * share[40:56, None]
            yield np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def write_sounded(
    path: Path, clap: Clap, *, video: str = "mpeg4", sound: str = "pcm_s16le"
) -> Path:
    """Write pictures and sound into one file; the sound begins at `sound_start_s`."""
    with av.open(str(path), "w") as container:
        pictures = container.add_stream(video, rate=clap.frame_rate)
        pictures.width, pictures.height, pictures.pix_fmt = 128, 96, "yuv420p"
        pictures.options = {"qmin": "1", "qmax": "2"}
        layout = "mono" if clap.channels == 1 else "stereo"
        voice = container.add_stream(sound, rate=RATE, layout=layout)
        for index, picture in enumerate(clap.pictures()):
            planes = np.full((144, 128), 128, np.uint8)
            planes[:96] = picture
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts, frame.time_base = index, Fraction(1, clap.frame_rate)
            container.mux(pictures.encode(frame))
        container.mux(pictures.encode(None))
        whole = np.clip(np.rint(clap.samples() * 32767), -32768, 32767).astype(np.int16)
        begin = round(clap.sound_start_s * RATE)
        kind = "s16" if sound.startswith("pcm") else "fltp"
        for at in range(0, len(whole), 1024):
            piece = whole[at : at + 1024]
            if kind == "s16":
                data = np.repeat(piece, clap.channels)[None, :]
            else:
                data = np.repeat((piece / 32768.0).astype(np.float32)[None, :], clap.channels, 0)
            block = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(data), format=kind, layout=layout
            )
            block.sample_rate, block.pts, block.time_base = RATE, begin + at, Fraction(1, RATE)
            container.mux(voice.encode(block))
        container.mux(voice.encode(None))
    return path
