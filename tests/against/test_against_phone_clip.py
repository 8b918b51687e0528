"""A phone's own slow-motion clip: a ball of 4 cm falls 232 cm, filmed at 120 and stored at 30.

Source: GitHub `oliverius/gravity` (MIT), `ball-drop.mp4`, with the height and size of the ball as
its author gives them. Free fall is 9.8 m/s²; the moment of release is soft and the lens is not
calibrated, so 6 % are allowed. The clip is read from beside the checkout where it is there.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.optimize import brentq, least_squares

from vidspeed.clip.read import ClipReader
from vidspeed.clip.slow import refuse_slow_playback
from vidspeed.clip.times import times
from vidspeed.errors import ClipError
from vidspeed.listen import listen

CLIP = Path(__file__).resolve().parents[3] / "shared/data/phone_slow_motion/ball-drop.mp4"
FALL_M, GRAVITY_MPS2, SOFT_RELEASE = 2.32, 9.8, 0.06
CAPTURED_HZ = 120.0
EVERY = 25  # frames of which the still is the median
LEVELS, SMALLEST_PX, LARGEST_PX, NEAR_PX = 40, 150, 800, 8.0

pytestmark = [
    pytest.mark.reference_data,
    pytest.mark.skipif(not CLIP.is_file(), reason=f"{CLIP.name} is not beside the checkout"),
]


@pytest.fixture(scope="module")
def frames():
    """Return the stamps (n,) in seconds and the pictures as shown."""
    with ClipReader(CLIP) as reader:
        rows = [(frame.time_s, frame.luma) for frame in reader.frames()]
    return np.array([row[0] for row in rows]), [row[1] for row in rows]


def blobs(picture, still):
    """Return the centres of what stands out of the still and is about as large as the ball."""
    marked = (cv2.absdiff(picture, still) > LEVELS).astype(np.uint8)
    marked = cv2.morphologyEx(marked, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, _, stats, centres = cv2.connectedComponentsWithStats(marked)
    size = stats[1:, cv2.CC_STAT_AREA]
    return centres[1:][(size > SMALLEST_PX) & (size < LARGEST_PX)]


def followed(pictures, still, start, place, step):
    """Follow the ball from frame to frame until it is lost: rows of frame and y."""
    rows, place, step = [], np.array(place, float), np.array(step, float)
    way = 1 if step[1] > 0 or start > 200 else -1
    for frame in range(start, len(pictures) if way > 0 else -1, way):
        found = blobs(pictures[frame], still)
        apart = np.hypot(*(found - place - step).T) if len(found) else np.array([np.inf])
        if apart.min() > NEAR_PX:
            break
        nearest = found[apart.argmin()]
        place, step = nearest, nearest - place
        rows.append((frame, nearest[1]))
    return rows


@pytest.fixture(scope="module")
def ball(frames):
    """Return the ball falling and rising again: arrays (n, 2) of frame and y in pixels."""
    _, pictures = frames
    still = np.median(pictures[::EVERY], axis=0).astype(np.uint8)
    upwards = followed(pictures, still, 141, (36, 220), (-0.4, -11))
    fall = [*upwards[::-1], *followed(pictures, still, 142, (36, 209), (0.4, 11))]
    rise = followed(pictures, still, 208, (74.5, 1556), (1, -14.5))
    return np.array(fall), np.array(rise)


def projected(time_s, y_px, top_s):
    """Fit a fall seen in perspective, (a + b τ²) / (1 + c τ²) with τ from the top of the path."""
    span = np.ptp(time_s)

    def curve(p, at_s):
        square = ((at_s - p[3]) / span) ** 2
        return (p[0] + p[1] * square) / (1.0 + p[2] * square)

    start = [y_px.min(), 1000.0, 0.0, top_s]
    done = least_squares(lambda p: curve(p, time_s) - y_px, start, x_scale=[10, 100, 0.01, 0.01])
    return done.x[3], lambda at_s: curve(done.x, at_s)


def gravity(ball, time_of):
    """Return the acceleration by which the ball falls the known height from rest, m/s²."""
    fall, rise = ball
    down_s, up_s = time_of(fall[:, 0]), time_of(rise[:, 0])
    released_s, falling = projected(down_s, fall[:, 1], down_s[0] - 0.1 * np.ptp(down_s))
    _, rising = projected(up_s, rise[:, 1], up_s.mean())
    hit_s = brentq(lambda at_s: falling(at_s) - rising(at_s), down_s[-1], up_s[0])
    return 2.0 * FALL_M / (hit_s - released_s) ** 2


def test_the_ball_is_followed_as_it_falls(frames, ball):
    time_s, pictures = frames
    assert len(time_s) == 327
    assert pictures[0].shape == (1716, 172)  # upright, after the turn of -90 degrees
    fall, rise = ball
    assert len(fall) > 55
    assert np.all(np.diff(fall[:, 1]) > 0)  # downwards in the picture as it is shown
    assert len(rise) > 60


def test_at_120_a_second_it_falls_as_things_do(ball):
    found = gravity(ball, lambda frame: frame / CAPTURED_HZ)
    assert found == pytest.approx(GRAVITY_MPS2, rel=SOFT_RELEASE)


def test_at_its_stamps_it_would_fall_sixteen_times_too_slowly(frames, ball):
    time_s, _ = frames
    found = gravity(ball, lambda frame: time_s[frame.astype(int)])
    assert found == pytest.approx(GRAVITY_MPS2 / 16.0, rel=SOFT_RELEASE)
    assert found == pytest.approx(0.6, abs=0.05)


def test_the_account_says_so():
    found = times(CLIP)
    assert found.verdict == "stored for slow playback"
    (tag,) = found.capture_tags
    assert (tag.key, tag.rate_hz, tag.agrees) == ("com.android.capture.fps", 120.0, False)
    assert found.real_hz == pytest.approx(30.0, rel=1e-3)
    assert (found.frames, found.rotation_deg, found.mirrored) == (327, 270, False)
    assert (1e3 * found.shortest_s, 1e3 * found.longest_s) == pytest.approx((31.6, 35.2), abs=0.05)
    assert any("uneven" in reason for reason in found.reasons)
    assert (found.codec, found.full_range, found.damaged) == ("h264", True, 0)
    assert found.sound is not None
    assert found.duration_s == pytest.approx(10.9, abs=0.01)


def test_no_speed_is_given_until_the_rate_is_stated():
    with pytest.raises(ClipError, match=r"captured at 120 .*stamps say 30\.00.*rate_hz = 120"):
        refuse_slow_playback(CLIP)


def test_no_craft_is_heard_in_it():
    """A room, voices and a ball: tones come and go, none of them flies by."""
    found = listen(CLIP)
    assert found.heard == ()
    assert found.reason
