"""An event seen and heard: the offset of the sound, its uncertainty, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.clap import Moment, first_light, onset, sound_offset
from vidspeed.clip.sound import read_sound
from vidspeed.errors import ClipError

from .sounded import Clap, write_sounded

DISTANCE_M = 12.0
SOUND_MPS = 340.5  # at 15 °C: 340.3 where it is dry (ISO 2533), a little more where it is moist


@pytest.fixture(scope="module")
def claps(tmp_path_factory):
    """Thirty flashes at all phases of a frame, each with its bang 40 ms late beside its way."""
    folder = tmp_path_factory.mktemp("claps")
    rng = np.random.default_rng(5)
    made = []
    for number in range(30):
        flash_s = 0.8 + rng.uniform(0.0, 0.2)
        bang_s = flash_s + DISTANCE_M / SOUND_MPS + 0.040
        clap = Clap(flash_s=flash_s, bang_s=bang_s, seconds=1.8, seed=number)
        made.append((write_sounded(folder / f"{number}.mov", clap), clap))
    return made


def test_the_offset_is_found_within_its_uncertainty(claps):
    z, u = [], []
    for path, clap in claps:
        found = sound_offset(
            path, distance_m=DISTANCE_M, distance_u_m=0.0, temperature_u_c=0.0, wind_u_mps=0.0,
            exposure_s=clap.exposure_s, readout_s=clap.readout_s,
        )  # fmt: skip
        z.append((found.late_s - 0.040) / found.late_u_s)
        u.append(found.late_u_s)
    assert np.max(u) < 0.008
    assert 0.64 < np.sqrt(np.mean(np.square(z))) < 1.36  # 99 % range for 30
    assert np.max(np.abs(z)) < 3.0


def test_an_edge_within_the_exposure_tells_more_than_one_between_two(claps):
    share, u = [], []
    for path, clap in claps:
        moment = first_light(path, clap.bang_s, clap.exposure_s, clap.readout_s)
        share.append(np.mod((clap.flash_s - 0.5 * clap.readout_s) * 30 + 0.5, 1.0))
        u.append(moment.u_s)
    inside = np.abs(np.array(share) - 0.5) < 0.4 * 0.012 * 30 / 2
    assert np.any(inside) and not np.all(inside)
    assert (
        np.max(np.array(u)[inside])
        < 0.002
        < np.min(np.array(u)[~inside & (np.abs(np.array(share) - 0.5) > 0.22)])
    )


def test_what_is_not_stated_widens(claps):
    path, _ = claps[0]
    stated = sound_offset(
        path, distance_m=DISTANCE_M, distance_u_m=0.0, exposure_s=0.012, readout_s=0.015
    )
    vague = sound_offset(path, distance_m=DISTANCE_M, distance_u_m=0.0)
    assert vague.late_u_s > stated.late_u_s
    assert vague.late_s == pytest.approx(0.040, abs=3.0 * vague.late_u_s)


def test_the_way_of_the_sound_and_its_doubt(claps):
    path, _ = claps[0]
    seen = Moment(time_s=0.9, u_s=0.001)
    near = sound_offset(path, distance_m=1.0, distance_u_m=0.1, seen=seen)
    far = sound_offset(path, distance_m=35.32, distance_u_m=0.1, temperature_c=20.0, seen=seen)
    assert near.seen is seen
    assert 343.2 < 35.32 / far.travel_s < 344.6  # at 20 °C: dry, and as moist as can be
    assert far.travel_u_s == pytest.approx(
        np.hypot(0.1 / 343.2, far.travel_s * np.hypot(1.17, 4.0) / 343.2), rel=0.01
    )
    assert near.late_s - far.late_s == pytest.approx(far.travel_s - near.travel_s)


def test_a_lossy_track_is_trusted_less(tmp_path):
    clap = Clap()
    sharp = onset(read_sound(write_sounded(tmp_path / "a.mov", clap)))
    lossy = onset(read_sound(write_sounded(tmp_path / "a.mp4", clap, sound="aac")))
    assert sharp.time_s == pytest.approx(clap.bang_s, abs=3.0 * sharp.u_s) and sharp.u_s < 4e-4
    assert lossy.time_s == pytest.approx(clap.bang_s, abs=3.0 * lossy.u_s)
    assert lossy.u_s > 2.0 * sharp.u_s


def test_no_clap_and_no_flash_are_said(tmp_path):
    quiet = write_sounded(tmp_path / "a.mov", Clap(bang_s=99.0, noise=0.01))
    with pytest.raises(ClipError, match=r"a\.mov: no clap is heard"):
        onset(read_sound(quiet))
    dark = write_sounded(tmp_path / "b.mov", Clap(flash_s=99.0))
    with pytest.raises(ClipError, match=r"b\.mov: nothing lights up within"):
        sound_offset(dark, distance_m=1.0, distance_u_m=0.1)
    with pytest.raises(ClipError, match="there is no sound at 70 s"):
        onset(read_sound(dark), around_s=70.0)
