"""The whole way through a clip: the right track, with the right positions."""

from __future__ import annotations

import numpy as np

from vidspeed.clip.scan import scan

from .painted import Painting, paint_clip


def errors_of(track, flyer):
    off = track.xy_px - flyer.xy(track.frame)
    normalised = np.einsum("ni,nij,nj->n", off, np.linalg.inv(track.cov_px2), off)
    return off, np.sqrt(normalised.mean() / 2.0)


def test_one_craft_amid_standing_lamps_is_one_track(tmp_path):
    painting = Painting()
    seen = scan(paint_clip(tmp_path / "a.mp4", painting, codec="mjpeg"))
    assert len(seen.tracks) == 1
    track = seen.tracks[0]
    assert track.frame[0] <= 1
    assert track.frame[-1] >= 27
    assert len(track) >= 26
    off, z = errors_of(track, painting.flyers[0])
    assert np.sqrt((off**2).mean()) < 0.1
    assert 0.6 < z < 1.5
    np.testing.assert_allclose(track.time_s, track.frame / 60.0, atol=1e-9)
    np.testing.assert_allclose(track.row, track.xy_px[:, 1] / 180.0)
    assert seen.brightest.shape == seen.still.shape == (180, 320)
    assert seen.still.max() < seen.brightest.max() + 1
