"""Hard clips for follow.py: each condition draws a scene, its craft and everything around it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.random import Generator

from vidspeed.render.flight import Flight, make_flight, no_weave
from vidspeed.render.scene import Look, OtherLight, Scene, SceneCamera, ScenePass, StaticLamp
from vidspeed.values import Course, Craft, FlightLine, Marker

LENGTH_M, RANGE_M = 40.0, 35.0
STRENGTHS = (4.0, 6.0, 8.0, 12.0, 25.0, 60.0, 250.0)  # peak over the noise of a pixel
EYE = np.array([20.0, -RANGE_M, 1.7])
FOCAL_PX = 620.0
MARKERS = (
    (0, 0, 0.2), (40, 0, 0.2), (0, 6, 2), (40, 6, 2), (15, -12, 0), (28, 12, 5), (22, 3, 1),
    (8, 9, 3), (34, -8, 0.5),
)  # fmt: skip


@dataclass(kw_only=True)
class Hard:
    """A hard clip as it will be filmed: `lamps_m` are the craft's, beside its path."""

    rng: Generator
    scene: Scene
    look: dict[str, Any]
    camera: dict[str, Any]
    speed_mps: float
    strength: float | None
    lamps_m: list[tuple[float, float, float]] = field(default_factory=lambda: [(0.0, 0.0, 0.0)])
    others: list[OtherLight] = field(default_factory=list)
    still: list[StaticLamp] = field(default_factory=list)
    height_m: float = 4.0
    epochs_s: list[float] = field(default_factory=lambda: [0.0])
    seconds: float | None = None

    @property
    def sign(self) -> float:
        """Return 1 for forward and -1 for reverse."""
        return 1.0 if self.scene.passes[0].direction == "forward" else -1.0

    @property
    def lamp_u_m(self) -> float:
        """Return how far sideways or up the lamp that is seen may sit: any of them, RMS."""
        return float(np.sqrt(np.mean(np.array(self.lamps_m)[:, 1:] ** 2)))


def draw(condition: str, index: int, rng: Generator) -> Hard:
    """Draw a clip of a condition; strengths and codecs go round with the index."""
    speed = rng.uniform(150.0, 420.0) / 3.6
    hard = Hard(
        rng=rng,
        scene=_scene(int(rng.integers(2**31)), speed, str(rng.choice(["forward", "reverse"]))),
        look={"background": str(rng.choice(["dark", "dusk"])), "reference_m": RANGE_M},
        camera={"exposure_s": rng.uniform(0.001, 0.004)},
        speed_mps=speed,
        strength=STRENGTHS[index // 2 % len(STRENGTHS)],
    )
    if index % 2:
        hard.camera |= {"codec": "h264", "crf": 18, "suffix": ".mp4"}
    else:
        hard.camera |= {"codec": "ffv1", "suffix": ".avi"}
    CONDITIONS[condition](hard)
    return hard


def camera_of(hard: Hard, **look: Any) -> SceneCamera:
    """Return the camera with its look."""
    return replace(hard.scene.cameras[0], look=Look(**{**hard.look, **look}), **hard.camera)  # type: ignore[arg-type]


def flights_of(hard: Hard, flown: Flight) -> list[Flight]:
    """Return a flight for each lamp of each pass; the first of each pass is the middle one."""
    flights = []
    for number, epoch in enumerate(hard.epochs_s):
        back = number % 2 == 1
        one = flown if not back else _reversed(hard, flown)
        flights += [
            replace(one, epoch_s=epoch, shift_m=flown.shift_m + np.array(lamp))
            for lamp in hard.lamps_m
        ]
    return flights


def _reversed(hard: Hard, flown: Flight) -> Flight:
    return make_flight(
        length_m=LENGTH_M,
        direction="reverse" if hard.sign > 0 else "forward",
        speed_mps=hard.speed_mps * 0.93,
        mean_m=(float(flown.cubic[0, 1]), float(flown.cubic[0, 2])),
        change_m=(0.0, 0.0),
        accel_mps2=np.zeros(3),
        jerk_mps3=np.zeros(3),
        weave=no_weave(LENGTH_M),
    )


def _scene(seed: int, speed_mps: float, direction: str) -> Scene:
    size = (960, 540)
    return Scene(
        title="Hard light",
        seed=seed,
        course=Course(length_m=LENGTH_M, length_u_m=0.01),
        markers=tuple(
            Marker(name=f"m{k}", xyz_m=np.array(place, float), u_m=0.01)
            for k, place in enumerate(MARKERS)
        ),
        flight_line=FlightLine(
            offset_m=0.0, offset_u_m=0.15, height_m=4.0, height_u_m=0.15, drift_u_m=0.1,
            climb_u_m=0.1, weave_u_m=0.01, accel_u_mps2=np.array([6.0, 2.0, 2.0]),
        ),
        craft=Craft(speed_mps=(130.0 / 3.6, 600.0 / 3.6)),
        cameras=(
            SceneCamera(
                name="north",
                position_m=EYE,
                aim_m=np.array([20.0, 0.0, 3.5]),
                image_size_px=size,
                lens=np.array([FOCAL_PX, FOCAL_PX, 479.5, 269.5, 0.0, 0.0, 0.0, 0.0, 0.0]),
                lens_u=np.array([3.0, 3.0, 2.0, 2.0, 0.005, 0.0, 0.0, 0.0, 0.0]),
                rate_hz=Fraction(60),
                exposure_s=0.002,
                exposure_u_s=0.0002,
                readout_s=0.008,
                readout_u_s=0.001,
                pick_u_px=0.3,
            ),
        ),
        passes=(ScenePass(label="1", direction=direction, speed_mps=speed_mps),),  # type: ignore[arg-type]
    )  # fmt: skip


# --- the conditions ---------------------------------------------------------------------------


def _plain(hard: Hard) -> None:
    pass


def _streak(hard: Hard) -> None:
    """Exposures to 1/60 s, up to 3 m of travel."""
    metres = hard.rng.uniform(0.8, 3.0)
    exposure = min(metres / hard.speed_mps, 1.0 / 60.0)
    hard.camera |= {"exposure_s": exposure, "exposure_u_s": 0.02 * exposure}


def _flash(hard: Hard) -> None:
    """1 to 20 Hz, duty 10 to 50 %."""
    hz = float(np.exp(hard.rng.uniform(0.0, np.log(20.0))))
    hard.look |= {"blink_hz": hz, "blink_duty": hard.rng.uniform(0.1, 0.5)}
    hard.camera["exposure_s"] = hard.rng.uniform(0.002, 0.014)


def _strobe(hard: Hard, rate_hz: int) -> None:
    """3 to 20 Hz, duty 10 to 50 %, at a high rate: whole runs of frames are dark."""
    _flash(hard)
    hard.strength = max(hard.strength or 0.0, 12.0)
    hard.look["blink_hz"] = float(np.exp(hard.rng.uniform(np.log(3.0), np.log(20.0))))
    hard.camera |= {"rate_hz": Fraction(rate_hz), "readout_s": 0.6 / rate_hz}
    hard.camera["exposure_s"] = hard.rng.uniform(0.2, 0.8) / rate_hz


def _strobe120(hard: Hard) -> None:
    _strobe(hard, 120)


def _strobe240(hard: Hard) -> None:
    _strobe(hard, 240)


def _slow(hard: Hard) -> None:
    """Slow motion that creeps: 0.2 to 0.7 px a frame, before lamps that stand still."""
    rate, step_px = 480, float(hard.rng.uniform(0.2, 0.7))
    focal = step_px * rate * RANGE_M / hard.speed_mps
    hard.strength = max(hard.strength or 0.0, 12.0)
    hard.camera |= {
        "rate_hz": Fraction(rate), "stored_rate_hz": Fraction(30), "readout_s": 0.5 / rate,
        "exposure_s": hard.rng.uniform(0.2, 0.8) / rate,
        "lens": np.array([focal, focal, 479.5, 269.5, 0.0, 0.0, 0.0, 0.0, 0.0]),
    }  # fmt: skip
    _lamps(hard)


def _dashed(hard: Hard) -> None:
    """A lamp dimmed by pulse width, exposed long."""
    exposure = hard.rng.uniform(0.006, 0.015)
    hard.camera |= {"exposure_s": exposure, "exposure_u_s": 0.02 * exposure}
    hz = float(np.exp(hard.rng.uniform(np.log(150.0), np.log(1500.0))))
    hard.look |= {"blink_hz": hz, "blink_duty": hard.rng.uniform(0.2, 0.7)}


def _lamps(hard: Hard) -> None:
    """Lamps that stand still, some flickering on the mains."""
    for _ in range(5):
        place = hard.rng.uniform((-3.0, 1.0, 0.5), (43.0, 30.0, 8.0))
        hard.still.append(StaticLamp(xyz_m=place, signal=float(hard.rng.uniform(0.5, 8.0))))
    hz = float(hard.rng.choice([100.0, 120.0]))
    for _ in range(3):
        place = hard.rng.uniform((-3.0, 1.0, 2.0), (43.0, 12.0, 6.0))
        hard.others.append(_steady(place, hard.rng.uniform(1.0, 5.0), flicker=0.9, flicker_hz=hz))


def _headlights(hard: Hard) -> None:
    """Two head lamps that crawl along the ground."""
    y, v = hard.rng.uniform(6.0, 20.0), hard.rng.uniform(4.0, 16.0) * hard.rng.choice([-1.0, 1.0])
    for shift in (0.0, 1.4):
        start = np.array([20.0 + shift, y, 0.7])
        hard.others.append(_moving(start, np.array([v, 0.0, 0.0]), 6.0))


def _torch(hard: Hard) -> None:
    """A hand torch that swings."""
    at = np.linspace(-3.0, 3.0, 241)
    hz, wide = hard.rng.uniform(0.8, 2.0), hard.rng.uniform(0.3, 0.9)
    middle = hard.rng.uniform((5.0, -8.0, 0.9), (35.0, 6.0, 1.6))
    turn = 2.0 * np.pi * hz * at
    way = middle + wide * np.column_stack([np.sin(turn), 0.0 * at, 0.4 * np.cos(2.0 * turn)])
    hard.others.append(OtherLight(xyz_m=way, at_s=at, signal=float(hard.rng.uniform(2.0, 15.0))))


def _aircraft(hard: Hard) -> None:
    """An aircraft far away, with a steady light and a strobe."""
    far = hard.rng.uniform(1500.0, 4000.0)
    up, v = far * hard.rng.uniform(0.05, 0.2), hard.rng.uniform(60.0, 200.0)
    start = np.array([20.0 + far * hard.rng.uniform(-0.4, 0.4), far, up])
    move = np.array([v * hard.rng.choice([-1.0, 1.0]), 0.0, 0.0])
    for part, blink in ((0.4, 0.0), (3.0, 1.2)):
        light = _moving(start, move, part * (far / RANGE_M) ** 2)
        hard.others.append(replace(light, blink_hz=blink, blink_duty=0.06))


def _second(hard: Hard) -> None:
    """A slower craft alongside, with its own lamp."""
    v = hard.sign * hard.rng.uniform(60.0, 120.0) / 3.6
    start = np.array([20.0, hard.rng.uniform(-1.5, 1.5), 4.0 + hard.rng.uniform(-0.8, 0.8)])
    hard.others.append(_moving(start, np.array([v, 0.0, 0.0]), float(hard.rng.uniform(1.0, 8.0))))


def _insects(hard: Hard) -> None:
    """Insects close to the lens, lit, out of focus, on their winding ways."""
    for _ in range(3):
        far = hard.rng.uniform(0.5, 1.5)
        begin = hard.rng.uniform(-1.5, 1.5)
        at = np.linspace(begin - 0.5, begin + 0.5, 121)
        wide = far * 540.0 / FOCAL_PX
        way = np.zeros((len(at), 3))
        way[:, 0] = hard.rng.uniform(-0.7, 0.7) * wide + hard.rng.uniform(-1.8, 1.8) * (at - begin)
        way[:, 2] = hard.rng.uniform(-0.3, 0.5) * wide + hard.rng.uniform(-0.6, 0.6) * (at - begin)
        for axis in (0, 2):
            hz, size = hard.rng.uniform(1.5, 6.0), hard.rng.uniform(0.02, 0.12)
            way[:, axis] += size * np.sin(2.0 * np.pi * hz * at + hard.rng.uniform(0.0, 6.0))
        way += EYE + np.array([0.0, far, 0.0])
        bright = hard.rng.uniform(0.01, 0.15) * (far / RANGE_M) ** 2
        spot = hard.rng.uniform(3.0, 7.0)
        hard.others.append(OtherLight(xyz_m=way, at_s=at, signal=float(bright), spot_px=spot))


def _flare(hard: Hard) -> None:
    hard.strength = 250.0
    hard.look["flare_share"] = float(hard.rng.uniform(0.01, 0.08))


def _wet(hard: Hard) -> None:
    hard.look["wet_share"] = float(hard.rng.uniform(0.1, 0.5))


def _hot(hard: Hard) -> None:
    hard.look["hot_pixels"] = 60


def _ghosts(hard: Hard) -> None:
    """A bright lamp through a coder that keeps faint remains of its neighbours."""
    hard.strength = 250.0
    hard.camera |= {"codec": "hevc", "crf": int(hard.rng.integers(26, 34)), "suffix": ".mp4"}


def _several(hard: Hard) -> None:
    """Two or three lamps on one craft."""
    for _ in range(int(hard.rng.integers(1, 3))):
        x, y, z = hard.rng.uniform((-0.8, -0.4, -0.25), (0.8, 0.4, 0.25))
        hard.lamps_m.append((float(x), float(y), float(z)))


def _gap(hard: Hard) -> None:
    """Behind a pole, a tree or a person for up to 0.2 s."""
    wide = hard.rng.uniform(0.03, 0.2) * hard.speed_mps * FOCAL_PX / RANGE_M
    hard.look["pole_px"] = (float(hard.rng.uniform(200.0, 760.0)), float(wide))


def _faint(hard: Hard) -> None:
    hard.strength = float(hard.rng.uniform(2.0, 5.0))


def _faint1(hard: Hard) -> None:
    """As strong as the noise of a pixel, lossless, in at least 20 frames."""
    hard.strength = 1.0
    hard.camera |= {"codec": "ffv1", "suffix": ".avi"}


def _day_lamp(hard: Hard) -> None:
    hard.look["background"] = "day"


def _day_dark(hard: Hard) -> None:
    """No lamp: a dark craft before the sky or the trees."""
    hard.strength = None
    hard.look |= {"background": "day", "lamp_signal": 0.0}
    hard.look["body_m"] = float(hard.rng.uniform(0.15, 0.6))


def _clouds(hard: Hard) -> None:
    hard.look |= {"background": "day", "clouds": float(hard.rng.uniform(0.05, 0.3))}


def _grass(hard: Hard) -> None:
    """Low over grass and a flag in the wind."""
    hard.height_m = 1.0
    hard.look |= {"background": "day", "wind": float(hard.rng.uniform(0.1, 0.5))}


def _shake(hard: Hard) -> None:
    hard.look |= {
        "shake_px": float(hard.rng.uniform(0.5, 3.0)),
        "shake_hz": float(hard.rng.uniform(1.0, 5.0)),
    }
    _lamps(hard)


def _step(hard: Hard) -> None:
    """The exposure jumps on the way."""
    hard.look["gain"] = float(hard.rng.choice([0.4, 0.6, 1.6, 2.5]))
    hard.look["gain_s"] = float(hard.rng.uniform(-0.2, 0.2))


def _exposurejump(hard: Hard) -> None:
    """The time of the exposure jumps, or of one in four the gain; lamps in focus or not."""
    hard.look["spot_px"] = float(hard.rng.uniform(1.0, 5.0))
    before, times = hard.rng.uniform(0.001, 0.012), float(hard.rng.choice([0.25, 0.5, 2.0, 4.0]))
    at_s = float(hard.rng.uniform(-0.4, 0.4)) * LENGTH_M / hard.speed_mps
    hard.camera |= {"exposure_s": before, "unstated": frozenset({"exposure"})}
    if hard.rng.random() < 0.25:
        hard.look |= {"gain": times, "gain_s": at_s}
        return
    hard.camera |= {"exposure_to_s": min(before * times, 1.0 / 60.0), "exposure_jump_s": at_s}


def _hevc(hard: Hard) -> None:
    hard.camera |= {"codec": "hevc", "crf": int(hard.rng.integers(24, 32)), "suffix": ".mp4"}


def _many(hard: Hard) -> None:
    """Passes both ways in one clip."""
    hard.epochs_s = [1.6 * k for k in range(5)]
    hard.seconds = 8.0


def _broad(hard: Hard) -> None:
    """A lamp that saturates over 20 to 100 px, as phones show one after dark."""
    radius = float(np.exp(hard.rng.uniform(np.log(10.0), np.log(50.0))))
    halo, share = radius / hard.rng.uniform(1.2, 3.0), hard.rng.uniform(0.05, 0.5)
    spot = Look().spot_px
    travel = hard.speed_mps * hard.camera["exposure_s"] * FOCAL_PX / RANGE_M
    spread = 1.0 + travel / (np.sqrt(2.0 * np.pi) * halo)
    peak = np.exp(0.5 * (radius / halo) ** 2) * spread * (halo / spot) ** 2 / share
    hard.strength = None
    hard.look |= {"lamp_signal": float(peak), "halo_px": float(halo), "halo_share": float(share)}


def _glare(hard: Hard) -> None:
    """A veil of 2 to 30 levels over the picture, from the craft's lamp or from a torch's."""
    hard.strength = max(hard.strength or 0.0, 12.0)
    hard.look["glare"] = glare = _veil_signal(
        hard, float(np.exp(hard.rng.uniform(*np.log((2, 30)))))
    )
    if hard.rng.random() < 0.5:
        place = hard.rng.uniform((8.0, -6.0, 1.0), (32.0, 6.0, 3.0))
        blink = {"blink_hz": hard.rng.uniform(1.0, 8.0), "blink_duty": hard.rng.uniform(0.2, 0.7)}
        often = blink if hard.rng.random() < 0.5 else {}
        hard.others.append(_steady(place, hard.rng.uniform(5.0, 60.0), glare=glare, **often))
        hard.look["glare"] = 0.0


def _veil_signal(hard: Hard, levels: float) -> float:
    """Return the signal that lifts a dim part of the picture by so many levels of luma."""
    dim = 0.0015 if hard.look["background"] == "dark" else 0.02
    signal = np.linspace(0.0, 0.2, 20_001)
    luma = 16.0 + 219.0 * _curve(dim + signal)
    return float(np.interp(luma[0] + levels, luma, signal))


def _curve(signal: Any) -> Any:
    """Return the share of full luma of linear signals (IEC 61966-2-1)."""
    bright = 1.055 * np.maximum(signal, 1e-9) ** (1.0 / 2.4) - 0.055
    return np.where(signal <= 0.0031308, 12.92 * signal, bright)


def _all(hard: Hard) -> None:
    for one in (_lamps, _headlights, _torch, _aircraft, _second, _insects, _hot):
        one(hard)


def _steady(place_m: Any, signal: float, **more: Any) -> OtherLight:
    at = np.array([-60.0, 60.0])
    return OtherLight(xyz_m=np.array([place_m, place_m]), at_s=at, signal=float(signal), **more)


def _moving(middle_m: Any, velocity_mps: Any, signal: float) -> OtherLight:
    at = np.array([-60.0, 60.0])
    return OtherLight(xyz_m=middle_m + at[:, None] * velocity_mps, at_s=at, signal=float(signal))


CONDITIONS: dict[str, Callable[[Hard], None]] = {
    "plain": _plain, "streak": _streak, "flash": _flash, "dashed": _dashed, "lamps": _lamps,
    "headlights": _headlights, "torch": _torch, "aircraft": _aircraft, "second": _second,
    "insects": _insects, "flare": _flare, "wet": _wet, "hot": _hot, "ghosts": _ghosts,
    "several": _several, "gap": _gap, "faint": _faint, "day-lamp": _day_lamp,
    "day-dark": _day_dark, "clouds": _clouds, "grass": _grass, "shake": _shake, "step": _step,
    "hevc": _hevc, "many": _many, "all": _all, "faint1": _faint1,
    "broad": _broad, "glare": _glare, "strobe120": _strobe120, "strobe240": _strobe240,
    "slow": _slow, "exposurejump": _exposurejump,
}  # fmt: skip
