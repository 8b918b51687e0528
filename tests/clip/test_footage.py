"""What the scan keeps for the pictures of a pass is what decoding again would show."""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np
import pytest

from vidspeed.clip.footage import film_from
from vidspeed.clip.rows import film
from vidspeed.clip.scan import scan
from vidspeed.clip.still import unpacked
from vidspeed.record.seenfile import value_bytes, value_from
from vidspeed.values import Footage, Strip
from vidspeed.values.pictured import Lane

from .painted import Flyer, Painting, paint_clip

SIZE = (320, 180)
FLYER = Flyer(start=(-200.0, 60.0), step=(8.0, 0.6), bend=0.0, peak=120.0, frames=range(24, 66))
EVERYWHERE = Strip(
    polygon_px=np.array([[0.0, 0.0], [320.0, 0.0], [320.0, 180.0], [0.0, 180.0]]),
    speed_px_s=(100.0, 2000.0),
)


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    path = tmp_path_factory.mktemp("clips") / "a.mp4"
    painting = Painting(count=90, flyers=[FLYER])
    return path, scan(paint_clip(path, painting, codec="mjpeg"), strip=EVERYWHERE)


def lane(**changes) -> Lane:
    index = np.linspace(22.0, 68.0, 300)  # from before the picture's edge to behind it
    plain = Lane(
        label="1", clip="a.mp4", camera="north", length_m=40.0, x_m=index, passed_s=index / 60.0,
        line_px=FLYER.xy(index), delay_s=np.zeros(300), from_s=24.5 / 60.0, to_s=65.5 / 60.0,
        gates_s=(0.5, 1.0), so_far_mps=np.full(300, 50.0), so_far_u_mps=np.ones(300),
    )  # fmt: skip
    return replace(plain, **changes)


def test_it_shows_what_decoding_again_shows(seen):
    path, found = seen
    kept, again = film_from(found.footage, lane(), SIZE), film(path, lane())
    assert kept is not None
    np.testing.assert_allclose(kept.time_s, again.time_s)
    assert kept.rows.shape == again.rows.shape == (41, 300)
    peak = again.rows.max(axis=1)
    plain = peak > 100
    assert plain.sum() > 30
    at, where = kept.rows.argmax(axis=1), again.rows.argmax(axis=1)
    assert np.median(np.abs(at - where)[plain]) <= 3  # places, of half a pixel
    assert np.median(kept.rows.max(axis=1)[plain] / peak[plain]) > 0.75
    (left, top), (_, other) = kept.corner_px, again.corner_px
    assert left == 0
    assert abs(top - other) < 6
    shown, anew = unpacked(kept.packed), unpacked(again.packed)
    height = min(len(shown), len(anew)) - 8
    both = shown[max(other - top, 0) :][:height], anew[max(top - other, 0) :][:height]
    assert np.median(np.abs(both[0].astype(float) - both[1])) <= 3.0
    along = np.rint(FLYER.xy(np.arange(28, 60))).astype(int) - kept.corner_px
    assert np.all(shown[along[:, 1], along[:, 0]] > 100)


def test_it_comes_back_from_bytes(seen):
    _, found = seen
    back = value_from(value_bytes(found.footage[0]))
    assert isinstance(back, Footage)
    again = film_from([back], lane(), SIZE)
    np.testing.assert_array_equal(again.rows, film_from(found.footage, lane(), SIZE).rows)


def test_its_rows_take_little_and_are_not_believed_when_they_are_not_whole(seen):
    (kept,) = seen[1].footage
    assert kept.rows.nbytes < 0.3 * len(kept.time_s) * len(kept.way_px)
    assert film_from([kept], lane(), SIZE) is not None
    more = np.frombuffer(zlib.compress(bytes(len(kept.time_s) * len(kept.way_px) - 1)), np.uint8)
    for spoiled in (kept.rows[:-20], kept.rows[20:], more):
        assert film_from([replace(kept, rows=spoiled)], lane(), SIZE) is None


@pytest.mark.parametrize(
    "changes",
    [
        {"line_px": FLYER.xy(np.linspace(22.0, 68.0, 300)) + np.array([0.0, 5.0])},
        {"line_px": FLYER.xy(np.linspace(22.0, 68.0, 300))[:, ::-1]},
        {"line_px": np.full((300, 2), np.nan)},
        {"from_s": 0.02},
        {"to_s": 1.7},
    ],
)
def test_what_it_does_not_show_is_decoded_again(seen, changes):
    assert film_from(seen[1].footage, lane(**changes), SIZE) is None


def test_where_no_course_is_known_nothing_is_kept(seen, tmp_path):
    assert len(seen[1].footage) == 1
    path = paint_clip(tmp_path / "a.mp4", Painting(flyers=[replace(FLYER, frames=range(9))]))
    assert scan(path).footage == ()


def test_a_dark_craft_is_decoded_again(tmp_path):
    dark = Painting(count=90, level=150.0, lamps=0, flyers=[replace(FLYER, peak=-100.0)])
    found = scan(paint_clip(tmp_path / "a.mp4", dark, codec="mjpeg"), strip=EVERYWHERE)
    assert len(found.tracks) == 1
    assert found.footage == ()
