"""Text that a camera writes into its pictures does not say that the camera stood still."""

import cv2
import numpy as np
import pytest

from tests.bench.bench_views import by_day, by_night, middle, spots
from tests.geometry.test_moved import errors, eye, scene
from vidspeed.geometry import moved as moved_module
from vidspeed.geometry.burnt import burnt
from vidspeed.geometry.moved import movement

PLACES = ((8, 20), (300, 20), (8, 350), (300, 350))
TIMES = ("12-09-2026 18:04:31  CAM 1", "12-09-2026 21:37:58  CAM 1")


def written(picture, text, place=PLACES[0], size=0.6):
    """Return a picture with a line of bright text with dark rims, and what a coder leaves of it."""
    shown = picture.copy()
    for level, wide in ((16, 3), (235, 1)):
        cv2.putText(
            shown, text, place, cv2.FONT_HERSHEY_SIMPLEX, size, level, wide, cv2.LINE_AA
        )  # fmt: skip
    coded = cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
    return cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE)


def dusk(land, view):
    return 30.0 + 0.06 * by_day(land, view, lamps=False) + 0.3 * spots(land, view, land.strength)


def pair(seed, look, truth, *, text=True):
    rng, land = scene(seed)
    plain = [middle(rng, look(land, view), 2.0, 3) for view in (eye(), truth)]
    if not text:
        return plain
    place, size = PLACES[seed % 4], (0.5, 0.6, 0.8)[seed % 3]
    return [written(each, said, place, size) for each, said in zip(plain, TIMES, strict=True)]


@pytest.mark.parametrize("shift", [(3.0, 1.0), (10.0, -4.0), (-25.0, 9.0)])
@pytest.mark.parametrize("look", [dusk, by_night])
@pytest.mark.parametrize("seed", [0, 1, 2, 3, 4])
def test_a_movement_is_found_beside_text_that_stays(look, shift, seed):
    truth = eye(shift=shift, roll_rad=0.001)
    found = movement(*pair(seed, look, truth), eye().lens)
    assert np.abs(errors(found, truth)[:2]).max() < 0.3
    assert np.abs(errors(found, truth) / np.sqrt(np.diag(found.covariance))).max() < 5.0


@pytest.mark.parametrize("look", [by_day, by_night])
def test_a_camera_that_stood_still_is_judged_as_ever(look, monkeypatch):
    pictures = pair(2, look, eye())
    found = movement(*pictures, eye().lens)
    monkeypatch.setattr(moved_module, "burnt", lambda *_: None)
    before = movement(*pictures, eye().lens)
    assert np.array_equal(found.shift_px, before.shift_px)
    assert np.array_equal(found.covariance, before.covariance)


def test_a_camera_that_stood_still_is_known_as_well_as_its_surroundings_tell():
    """At dusk a few uneven lamps do: the text would make it sure of what nobody saw."""
    found = movement(*pair(2, dusk, eye()), eye().lens)
    assert np.abs(found.shift_px).max() < 0.1
    assert 0.02 < np.sqrt(found.covariance[0, 0]) < 2.0


def test_text_alone_is_nothing_to_match():
    rng = np.random.default_rng(3)
    dark = [middle(rng, np.full((360, 640), 9.0), 2.0, 3) for _ in range(2)]
    assert movement(*dark, eye().lens) is None
    shown = [written(each, text) for each, text in zip(dark, TIMES, strict=True)]
    assert movement(*shown, eye().lens) is None


@pytest.mark.parametrize("place", PLACES)
def test_all_of_a_line_is_found_with_the_digits_that_changed(place):
    truth = eye(shift=(6.0, 2.0))
    rng, land = scene(1)
    plain = [middle(rng, by_night(land, view), 2.0, 3) for view in (eye(), truth)]
    hidden = burnt(*(written(each, said, place) for each, said in zip(plain, TIMES, strict=True)))
    (wide, high), _ = cv2.getTextSize(TIMES[0], cv2.FONT_HERSHEY_SIMPLEX, 0.6, 1)
    x, y = place
    assert hidden[y - high : y, x : min(x + wide, 640)].mean() > 0.97
    assert hidden[100:260].sum() == 0


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("look", [by_day, dusk, by_night])
def test_pictures_without_text_have_none(look, seed):
    for shift in ((0.0, 0.0), (4.0, 1.0)):
        assert burnt(*pair(seed, look, eye(shift=shift), text=False)) is None
