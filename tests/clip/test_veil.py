"""A veil of glare is taken off, and nothing else is taken for one."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.painted import Flyer, Painting
from vidspeed.clip.background import Backdrop, halved
from vidspeed.clip.scan import scan
from vidspeed.clip.veil import evened
from vidspeed.clip.write import even_stamps, write_clip

SHAPE = (360, 640)


def ground(seed=4):
    """Return a picture of a bright sky over darker ground (h, w)."""
    rng = np.random.default_rng(seed)
    blocks = np.kron(rng.uniform(-8.0, 8.0, (45, 80)), np.ones((8, 8)))
    return np.where(np.arange(SHAPE[0])[:, None] < 180, 70.0, 40.0) + blocks


def veil(levels, middle=(0.3, 0.4), shape=SHAPE):
    """Return a smooth veil (h, w), half of it even and half about a place."""
    y, x = np.mgrid[: shape[0], : shape[1]] / shape[1]
    off = (x - middle[0]) ** 2 + (y - middle[1] * shape[0] / shape[1]) ** 2
    return levels * (0.5 + 0.5 * np.exp(-0.5 * off / 0.3**2))


def shot(rng, level):
    return np.clip(np.rint(rng.normal(level, 2.0)), 0, 255).astype(np.uint8)


def filled(rng, level):
    backdrop = Backdrop(1 / 60)
    lumas = [shot(rng, level) for _ in range(9)]
    backdrop.begin([(luma, halved(luma)) for luma in lumas])
    return backdrop


@pytest.mark.parametrize("levels", [3.0, 8.0, 20.0, 30.0, -10.0])
def test_a_veil_does_not_stand_out_and_a_light_in_it_does(levels):
    rng = np.random.default_rng(1)
    backdrop = filled(rng, ground())
    seen = ground() + veil(levels)
    seen[100:103, 500:503] += 60.0
    apart = backdrop.apart(halved(shot(rng, seen)))
    assert apart.veiled
    y, x = np.nonzero(apart.over)
    assert 1 <= len(x) <= 20
    assert np.all((np.abs(2 * x - 501) < 8) & (np.abs(2 * y - 101) < 8))


@pytest.mark.parametrize("gain", [0.6, 1.3, 1.7])
def test_a_change_of_exposure_is_no_veil(gain):
    rng = np.random.default_rng(2)
    backdrop = filled(rng, ground())
    apart = backdrop.apart(halved(shot(rng, 16.0 + gain * (ground() - 16.0))))
    assert not apart.veiled
    assert apart.count > 0.5 * apart.over.size


@pytest.mark.parametrize("what", ["noise", "large light", "moved"])
def test_what_lies_under_no_veil_stands_out_as_before(what):
    rng = np.random.default_rng(3)
    backdrop = filled(rng, ground())
    seen = ground()
    if what == "large light":
        seen[100:160, 300:420] += 80.0
    if what == "moved":
        seen = np.roll(seen, 4, axis=1)
    apart = backdrop.apart(halved(shot(rng, seen)))
    assert not apart.veiled
    assert not apart.uneven
    assert apart.level is backdrop.apart(halved(shot(rng, ground()))).level


def test_samples_of_a_patch_are_lifted_to_what_its_frame_is():
    rng = np.random.default_rng(5)
    past = np.rint(rng.normal(40.0, 2.0, (9, 40, 60))).astype(np.uint8)
    past[::2] += 7
    luma = np.rint(rng.normal(52.4, 2.0, (40, 60))).astype(np.uint8)
    luma[16:24, 20:40] = 200
    found = evened(past, luma, None)
    assert found.dtype == np.uint8
    assert found.mean() == pytest.approx(52.4, abs=0.35)
    assert np.abs(np.diff(found.mean(axis=(1, 2)))).max() < 1.6
    own = np.ones((40, 60), dtype=bool)
    own[:, :8] = False
    luma[:, :8] = 255
    np.testing.assert_allclose(evened(past, luma, own).mean(), found.mean(), atol=0.3)


@pytest.mark.parametrize("levels", [8.0, 25.0])
def test_a_light_is_followed_under_a_veil_that_trembles(tmp_path, levels):
    shape = (224, 384)
    flyer = Flyer(start=(30.0, 90.0), step=(8.0, 1.0), peak=40.0)
    painting = Painting(shape=shape, count=36, flyers=[flyer])
    strong = levels * np.random.default_rng(8).uniform(0.0, 1.0, 36)
    frames = [
        np.clip(np.rint(frame + veil(strong[k], shape=shape)), 0, 255).astype(np.uint8)
        for k, frame in enumerate(painting.frames())
    ]
    path = tmp_path / "glare.avi"
    write_clip(path, frames, stamps=even_stamps(36, 60), codec="ffv1")
    (track,) = scan(path).tracks
    assert len(track) >= 31
    off = track.xy_px - flyer.xy(track.frame)
    assert np.abs(off).max() < 0.7
    chi2 = np.mean([e @ np.linalg.solve(c, e) for e, c in zip(off, track.cov_px2, strict=True)])
    assert chi2 < 4.0
