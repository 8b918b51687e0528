"""Sounds of craft that fly by, with a known truth; shares no code with the tool.

The sound is made from the source outwards: for a fine grid of moments at which it is sent out, when
it arrives (a quadratic equation in the delay), then the phase sent out is read at every sample.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import av
import numpy as np

from vidspeed.clip.sound import read_sound

RATE_HZ = 48_000
WINDOW_S = 0.025


@dataclass
class Fly:
    """A craft's truth: tones at the closest moment, level of each in dB (see `sound_of`)."""

    speed_mps: float
    distance_m: float
    moment_s: float
    tones_hz: list[float]
    tones_db: list[float]
    slope_per_s: float = 0.0
    accel_mps2: float = 0.0
    bend_mps2: float = 0.0
    wind_mps: float = 0.0
    sound_mps: float = 343.2
    jitter: float = 0.0  # RMS of the pitch about its line, as a share
    falls: float = 0.0  # 0: as loud all the way, 1: as 1/r
    heard_s: float = 9.0  # for how long either side of the moment (as heard) it is heard
    phases: list[float] = field(default_factory=list)


def delays(fly: Fly, tau: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the delay and the distance at moments tau since the closest one."""
    x = fly.speed_mps * tau + 0.5 * fly.accel_mps2 * tau**2
    y = fly.distance_m + 0.5 * fly.bend_mps2 * tau**2
    w, c = fly.wind_mps, fly.sound_mps
    a, b = c**2 - w**2, x * w
    return (b + np.sqrt(b**2 + a * (x**2 + y**2))) / a, np.hypot(x, y)


def tone_of(fly: Fly, time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the sound of a craft at `time_s`; amplitude 1 is a tone of 0 dB at constant level."""
    step = 2.5e-4
    tau = np.arange(-9.0, time_s[-1] - fly.moment_s + 1.0, step)
    late, r = delays(fly, tau)
    arrive = fly.moment_s + tau + late
    rate = 1.0 + fly.slope_per_s * tau
    if fly.jitter:
        noise = rng.normal(size=len(tau))
        width = int(0.05 / step)
        smooth = np.convolve(noise, np.ones(width) / width, mode="same") * np.sqrt(width)
        rate = rate + fly.jitter * smooth
    turns = np.cumsum(rate) * step
    turns -= np.interp(0.0, tau, turns)
    at = np.interp(time_s, arrive, turns)
    loud = (fly.distance_m / np.interp(time_s, arrive, r)) ** fly.falls
    middle = fly.moment_s + fly.distance_m / fly.sound_mps
    edge = np.clip((fly.heard_s - np.abs(time_s - middle)) / 0.05, 0.0, 1.0)
    whole = np.zeros(len(time_s))
    for number, (tone, level) in enumerate(zip(fly.tones_hz, fly.tones_db, strict=True)):
        begin = fly.phases[number] if fly.phases else rng.uniform(0, 2 * np.pi)
        fine = 2 * np.pi * np.mod(tone * at, 1.0)
        keep = tone * np.gradient(at, time_s) < 0.47 * RATE_HZ
        whole += np.where(keep, 10.0 ** (level / 20.0) * np.cos(fine + begin), 0.0)
    return whole * loud * edge


def noise_u() -> float:
    """Return the noise of a sample at which a tone of amplitude 1 is 0 dB.

    Power of the tone over that of the noise in the bin of a plain 25 ms window.
    """
    count = WINDOW_S * RATE_HZ
    return float(np.sqrt(count / 4.0))


def sound_of(
    flies: list[Fly],
    seconds: float,
    rng: np.random.Generator,
    *,
    wind_db: float | None = None,
    gain: bool = False,
    clip_at: float | None = None,
    voices_db: float | None = None,
) -> np.ndarray:
    """Return samples: all craft, white noise, wind noise (dB over the white at 100 Hz), a gain.

    And people who talk: `voices_db` is their lowest tone, as that of a craft is stated.
    """
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    sound = sum(tone_of(fly, time_s, rng) for fly in flies) + noise_u() * rng.normal(
        size=len(time_s)
    )
    if wind_db is not None:
        spectrum = np.fft.rfft(rng.normal(size=len(time_s)))
        hz = np.fft.rfftfreq(len(time_s), 1 / RATE_HZ)
        shape = 10 ** (wind_db / 20) * (100.0 / np.maximum(hz, 40.0)) ** 1.2
        gusts = 1.0 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.2, 1.0) * time_s)
        sound = sound + gusts * noise_u() * np.fft.irfft(spectrum * shape, len(time_s))
    if voices_db is not None:
        sound = sound + 10 ** (voices_db / 20) * sum(voice(time_s, rng) for _ in range(2))
    if gain:
        width = int(0.1 * RATE_HZ)
        power = np.convolve(sound**2, np.ones(width) / width, mode="same")
        sound = sound / np.sqrt(np.maximum(power, 1e-12))
    sound = sound / (5.0 * np.std(sound))
    if clip_at is not None:
        sound = np.clip(sound * clip_at, -1.0, 1.0)
    return np.clip(sound, -1.0, 1.0)


def voice(time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return somebody who talks: tones of a voice that rises and falls, in syllables."""
    wander = np.interp(time_s, np.arange(0.0, 60.0, 0.25), rng.normal(size=240))
    pitch_hz = rng.uniform(100.0, 230.0) * np.exp(0.12 * wander)
    turns = np.cumsum(pitch_hz) / RATE_HZ
    loud = np.interp(time_s, np.arange(0.0, 60.0, 0.12), rng.choice([0.0, 0.4, 1.0], size=500))
    whole = sum(np.cos(2 * np.pi * k * turns + k * k) / k**0.8 for k in range(1, 19))
    return loud * whole


def through_aac(samples: np.ndarray, bit_rate: int) -> tuple[np.ndarray, float]:
    """Return samples and start after an AAC encoder in an MP4 file, as decoded again."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "sound.mp4"
        path.write_bytes(mp4_of(samples, bit_rate))
        sound = read_sound(path)
    return sound.samples, sound.start_s


def add_sound(path: Path, samples: np.ndarray, bit_rate: int = 128_000) -> None:
    """Put samples into a clip as AAC, its picture as it is; sample 0 is of time 0."""
    whole = io.BytesIO()
    with av.open(str(path)) as source, av.open(whole, "w", format="mp4") as target:
        video = source.streams.video[0]
        copied = target.add_stream_from_template(video)
        track = _aac(target, bit_rate)
        for packet in source.demux(video):
            if packet.dts is not None:
                packet.stream = copied
                target.mux(packet)
        _fill(target, track, samples)
    path.write_bytes(whole.getvalue())


def mp4_of(samples: np.ndarray, bit_rate: int) -> bytes:
    """Return an MP4 file (bytes) with the samples as AAC."""
    stream = io.BytesIO()
    with av.open(stream, "w", format="mp4") as container:
        _fill(container, _aac(container, bit_rate), samples)
    return stream.getvalue()


def _aac(container: Any, bit_rate: int) -> Any:
    track = container.add_stream("aac", rate=RATE_HZ)
    track.bit_rate = bit_rate
    track.codec_context.layout = "mono"
    return track


def _fill(container: Any, track: Any, samples: np.ndarray) -> None:
    for begin in range(0, len(samples), 1024):
        piece = samples[begin : begin + 1024].astype(np.float32)[None, :]
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(piece), "fltp", "mono")
        frame.rate = RATE_HZ
        frame.pts = begin
        container.mux(track.encode(frame))
    container.mux(track.encode(None))
