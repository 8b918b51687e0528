"""Figures are PNG files of sane size, whatever they are given."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
from made_up import HEIGHT, WIDTH, camera_fit, drawing, sighted, view
from matplotlib.image import imread

from vidspeed.record.canvas import png
from vidspeed.record.figures import calibration_picture, track_figure
from vidspeed.values import CourseDrawing

CLIP = "clips/pass-1.mp4"


def track_picture(*given) -> bytes:
    return png(track_figure(*given), coarse=True)


def pixels(data: bytes) -> np.ndarray:
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    found = imread(io.BytesIO(data))
    assert 900 <= found.shape[1] <= 1400
    assert 100 <= found.shape[0] <= 2400
    return found[:, :, :3]


def has_colour(picture: np.ndarray, colour: str, at_least: int = 20) -> bool:
    wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return int((np.abs(picture - wanted).max(axis=2) < 0.06).sum()) >= at_least


def test_track_picture_shows_used_and_unused_lights():
    picture = pixels(track_picture(view(CLIP, "north"), sighted(CLIP, "north"), drawing()))
    assert has_colour(picture, "#56B4E9")
    assert has_colour(picture, "#D55E00")
    assert has_colour(picture, "#F0E442")


def test_track_picture_puts_a_light_where_it_is():
    # one used light at a known pixel: its ring's middle is there, in parts of the picture
    seen = sighted(CLIP, "north")
    used = np.zeros(len(seen.used), dtype=bool)
    used[10] = True
    xy = np.full_like(seen.track.xy_px, -500.0)
    xy[10] = (320.0, 90.0)
    only = replace(seen, used=used, track=replace(seen.track, xy_px=xy))
    dark = replace(view(CLIP, "north"), brightest=np.zeros((HEIGHT, WIDTH), dtype=np.uint8))
    picture = pixels(track_picture(dark, only, None))
    room = picture.shape[1] * HEIGHT // WIDTH
    ring = np.argwhere(np.abs(picture[:room] - (0.337, 0.706, 0.914)).max(axis=2) < 0.12)
    middle = (ring.min(axis=0) + ring.max(axis=0)) / 2.0
    scale = picture.shape[1] / WIDTH
    np.testing.assert_allclose(middle, [(90.0 + 0.5) * scale, (320.0 + 0.5) * scale], atol=1.5)


def test_track_picture_of_a_clip_without_a_pass_and_without_a_picture():
    pixels(track_picture(view(CLIP, "north"), None, None))
    bare = replace(view(CLIP, "north"), facts=None, brightest=None, still=None, tracks=())
    pixels(track_picture(bare, None, None))
    pixels(track_picture(bare, sighted(CLIP, "north"), drawing()))


def test_course_that_is_behind_the_camera_does_no_harm():
    nowhere = np.full((4, 2), np.nan)
    hidden = CourseDrawing(
        course_line_px=nowhere, flight_line_px=nowhere, gates_px=(nowhere, nowhere)
    )
    pixels(track_picture(view(CLIP, "north"), sighted(CLIP, "north"), hidden))
    far = CourseDrawing(
        course_line_px=np.array([[-1e6, 0.0], [1e6, 9.0]]),
        flight_line_px=nowhere,
        gates_px=(nowhere, np.array([[1e5, 1e5], [1e5, -1e5]])),
    )
    pixels(track_picture(view(CLIP, "north"), sighted(CLIP, "north"), far))


def test_calibration_picture():
    still = np.full((HEIGHT, WIDTH, 3), 90, dtype=np.uint8)
    for background in (still, still[:, :, 0], None):
        picture = pixels(calibration_picture(background, camera_fit("north"), drawing()))
        assert has_colour(picture, "#D55E00")  # residual arrows
        assert has_colour(picture, "#E69F00")  # the check marker


def test_calibration_picture_without_markers():
    pixels(calibration_picture(None, replace(camera_fit("north"), markers=()), None))
