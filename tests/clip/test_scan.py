"""The whole way through a clip: the right track, with the right positions."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from vidspeed.clip import scan as room
from vidspeed.clip.light.lamp import Light
from vidspeed.clip.scan import scan
from vidspeed.clip.spots.lights import Spot
from vidspeed.clip.spots.moves import is_flight, limits_of
from vidspeed.clip.write import even_stamps, uneven_stamps, write_clip
from vidspeed.errors import ClipError
from vidspeed.values import Strip

from .painted import Flyer, Painting, paint_clip

SEEDS = 2  # clips of each kind: a hundred places, whose scatter is known to a twelfth


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


@pytest.mark.parametrize(
    ("codec", "crf", "most"), [("ffv1", None, 0.04), ("mjpeg", 3, 0.08), ("h264", 18, 0.16)]
)
@pytest.mark.parametrize("open_share", [0.1, 0.9])
def test_positions_are_right_and_their_covariance_is_honest(tmp_path, codec, crf, most, open_share):
    suffix = ".avi" if codec == "ffv1" else ".mp4"
    squares, offs = [], []
    for seed in range(SEEDS):
        peak = 90.0 * max(1.0, 9.0 * open_share / (1.4 * 2.5))
        flyer = Flyer(open_share=open_share, peak=peak, start=(25.0, 50.0 + 7.3 * seed))
        painting = Painting(flyers=[flyer], seed=seed)
        path = paint_clip(tmp_path / f"a{seed}{suffix}", painting, codec=codec, crf=crf)
        off, z = errors_of(scan(path).tracks[0], flyer)
        squares.append(z**2)
        offs.append(off)
    off = np.concatenate(offs)
    assert np.sqrt((off**2).mean()) < most
    assert abs(off.mean(axis=0)).max() < 0.05
    assert 0.6 < np.sqrt(np.mean(squares)) < 1.5


def test_a_long_streak_that_is_brighter_at_one_end_gives_its_middle(tmp_path):
    flyer = Flyer(start=(40.0, 60.0), step=(14.0, 3.0), open_share=2.0, peak=800.0, slope=0.5)
    painting = Painting(count=16, lamps=0, flyers=[flyer])
    track = scan(paint_clip(tmp_path / "a.avi", painting, codec="ffv1")).tracks[0]
    off, _ = errors_of(track, flyer)
    centre_of_brightness = 0.5 * np.hypot(28.0, 6.0) / 12.0
    assert np.sqrt((off**2).mean()) < 0.08 * centre_of_brightness
    assert np.nanmedian(track.streak_px) == pytest.approx(np.hypot(28.0, 6.0), rel=0.03)
    assert np.nanmedian(track.streak_angle_rad) % np.pi == pytest.approx(
        np.arctan2(6, 28), abs=0.02
    )


def test_saturated_lights_are_not_biased(tmp_path):
    flyer = Flyer(peak=900.0, step=(9.3, 1.7))
    painting = Painting(flyers=[flyer], level=20.0)
    path = paint_clip(tmp_path / "a.avi", painting, codec="ffv1", full_range=True)
    off, z = errors_of(scan(path).tracks[0], flyer)
    assert np.sqrt((off**2).mean()) < 0.03
    assert z < 1.6


def test_nothing_is_found_where_nothing_flies(tmp_path):
    for seed in range(12):
        painting = Painting(shape=(96, 128), count=24, seed=seed, flyers=[], lamps=2)
        codec, suffix = [("ffv1", ".avi"), ("h264", ".mp4")][seed % 2]
        seen = scan(paint_clip(tmp_path / f"a{seed}{suffix}", painting, codec=codec))
        assert seen.tracks == ()


def test_what_moves_too_slowly_is_no_craft(tmp_path):
    painting = Painting(flyers=[Flyer(start=(60.0, 60.0), step=(0.4, 0.0), bend=0.0)], count=40)
    assert scan(paint_clip(tmp_path / "a.mp4", painting)).tracks == ()


def test_uneven_stamps_are_the_times_of_the_track(tmp_path):
    rng = np.random.default_rng(8)
    time_s = (np.arange(30) + rng.uniform(-0.3, 0.3, 30)) / 60.0
    time_s -= time_s[0]
    flyer = Flyer(bend=0.0)
    painting = Painting(flyers=[flyer])
    moved = Flyer(bend=0.0)
    moved.xy = lambda k: Flyer.xy(flyer, time_s[k] * 60.0)
    painting.flyers = [moved]
    stamps = uneven_stamps(time_s)
    track = scan(paint_clip(tmp_path / "a.mp4", painting, stamps=stamps)).tracks[0]
    assert len(track) >= 26
    np.testing.assert_allclose(track.time_s, stamps.time_s[track.frame], atol=1e-9)
    assert track.time_u_s[0] == pytest.approx(1 / 90_000 / np.sqrt(12), rel=1e-6)


def test_time_is_frame_over_rate_where_the_rate_is_stated(tmp_path):
    path = paint_clip(tmp_path / "a.mp4", Painting())
    seen = scan(path, rate_hz=240.0)
    track = seen.tracks[0]
    np.testing.assert_allclose(track.time_s, track.frame / 240.0, rtol=1e-12)
    assert seen.facts.interval_s == pytest.approx(1 / 240.0)
    assert (track.time_u_s == 0.0).all()


def test_two_that_cross_are_two_tracks(tmp_path):
    one = Flyer(start=(25.0, 60.0), step=(9.0, 1.5), bend=0.0)
    other = Flyer(start=(300.0, 60.0), step=(-9.5, 2.0), bend=0.0, peak=60.0)
    painting = Painting(flyers=[one, other], lamps=0)
    tracks = scan(paint_clip(tmp_path / "a.mp4", painting)).tracks
    assert len(tracks) == 2
    for track in tracks:
        owner = one if track.xy_px[-1, 0] > track.xy_px[0, 0] else other
        off = np.linalg.norm(track.xy_px - owner.xy(track.frame), axis=1)
        assert np.mean(off < 0.5) > 0.9
        assert track.frame[0] <= 2
        assert track.frame[-1] >= 26


def test_a_gap_is_bridged(tmp_path):
    painting = Painting(flyers=[Flyer(frames=range(0, 11)), Flyer(frames=range(19, 30))])
    tracks = scan(paint_clip(tmp_path / "a.mp4", painting)).tracks
    assert len(tracks) == 1
    assert tracks[0].frame[0] <= 1
    assert tracks[0].frame[-1] >= 27


def test_a_blinking_lamp_is_one_track(tmp_path):
    flyers = [Flyer(step=(6.0, 1.0), frames=range(k, k + 3)) for k in range(0, 45, 6)]
    painting = Painting(flyers=flyers, count=45)
    tracks = scan(paint_clip(tmp_path / "a.mp4", painting)).tracks
    assert len(tracks) == 1
    assert len(tracks[0]) >= 18


def test_a_strip_limits_speed_and_place(tmp_path):
    path = paint_clip(tmp_path / "a.mp4", Painting())
    corners = np.array([[0.0, 40.0], [319.0, 40.0], [319.0, 120.0], [0.0, 120.0]])
    assert len(scan(path, strip=Strip(polygon_px=corners, speed_px_s=(200.0, 2000.0))).tracks) == 1
    assert scan(path, strip=Strip(polygon_px=corners, speed_px_s=(2000.0, 9000.0))).tracks == ()
    below = corners + np.array([0.0, 90.0])
    assert scan(path, strip=Strip(polygon_px=below, speed_px_s=(200.0, 2000.0))).tracks == ()


@pytest.mark.parametrize(
    ("start", "step", "peak"),
    [
        ((-4.0, 60.0), (12.0, 1.0), 250.0),
        ((323.0, 60.0), (-12.0, 1.0), 25.0),
        ((100.0, -3.0), (1.0, 7.0), 60.0),
        ((100.0, 183.0), (2.0, -7.0), 25.0),
    ],
)
def test_lights_that_the_edge_cuts_have_a_place_but_no_length(tmp_path, start, step, peak):
    """At every side, where the light comes in and where it goes, and where it is faint."""
    flyer = Flyer(start=start, step=step, open_share=0.8, peak=peak, bend=0.0)
    painting = Painting(flyers=[flyer], lamps=0)
    track = scan(paint_clip(tmp_path / "a.avi", painting, codec="ffv1")).tracks[0]
    true, half = flyer.xy(track.frame), np.abs([flyer.half(k) for k in track.frame])
    whole = ((true - half > 2.0) & (true + half < np.array([317.0, 177.0]))).all(axis=1)
    assert np.isnan(track.streak_px[~whole]).all()
    assert (~whole).sum() <= 2
    error = track.xy_px - true
    z2 = np.einsum("ni,nij,nj->n", error, np.linalg.inv(track.cov_px2), error)
    assert (
        z2.max() < 18.0
    )  # of some 25 lights with two degrees of freedom each, by chance one in 300


@pytest.mark.parametrize("step", [(9.0, 1.3), (1.5, 0.2)])
def test_repeated_frames_are_noted_and_give_no_light(tmp_path, step):
    pictures = list(Painting(flyers=[Flyer(step=step)]).frames())
    pictures[12] = pictures[11]
    write_clip(tmp_path / "a.avi", pictures, stamps=even_stamps(30, 60), codec="ffv1")
    seen = scan(tmp_path / "a.avi")
    assert any("repeat" in note and "12" in note for note in seen.facts.notes)
    assert 12 not in seen.tracks[0].frame


def test_a_scan_is_the_same_every_time(tmp_path):
    path = paint_clip(tmp_path / "a.mp4", Painting())
    one, other = scan(path).tracks[0], scan(path).tracks[0]
    np.testing.assert_array_equal(one.xy_px, other.xy_px)
    np.testing.assert_array_equal(one.cov_px2, other.cov_px2)


def test_progress_is_told(tmp_path):
    told = []
    scan(
        paint_clip(tmp_path / "a.mp4", Painting()),
        progress=lambda done, total: told.append((done, total)),
    )
    assert told[0] == (0, 30)
    assert told[-1] == (30, 30)


def test_a_short_clip_is_still_scanned(tmp_path):
    painting = Painting(count=8, flyers=[Flyer(step=(20.0, 2.0))])
    assert len(scan(paint_clip(tmp_path / "a.mp4", painting)).tracks) == 1


def test_a_clip_of_three_frames_is_refused(tmp_path):
    with pytest.raises(ClipError, match=r"a\.mp4: 3 frames"):
        scan(paint_clip(tmp_path / "a.mp4", Painting(count=3)))


def test_a_faint_light_is_found(tmp_path):
    flyer = Flyer(peak=9.0)  # four and a half times the noise of a pixel
    track = scan(paint_clip(tmp_path / "a.avi", Painting(flyers=[flyer]), codec="ffv1")).tracks[0]
    off, z = errors_of(track, flyer)
    assert len(track) >= 20
    assert np.sqrt((off**2).mean()) < 0.35
    assert 0.7 < z < 1.4


@pytest.mark.parametrize(("codec", "crf"), [("ffv1", None), ("h264", 18), ("hevc", 18)])
@pytest.mark.parametrize("peak", [-70.0, -400.0])
def test_a_craft_darker_than_the_sky_is_found_and_its_covariance_is_honest(
    tmp_path, codec, crf, peak
):
    """The second one is black: its pixels are full, at the other end."""
    squares, offs = [], []
    for seed in range(SEEDS):
        flyer = Flyer(peak=peak, open_share=0.4, start=(25.0, 50.0 + 7.3 * seed))
        painting = Painting(flyers=[flyer], level=140.0, lamps=2, seed=seed)
        suffix = ".avi" if codec == "ffv1" else ".mp4"
        path = paint_clip(tmp_path / f"a{seed}{suffix}", painting, codec=codec, crf=crf)
        (track,) = scan(path).tracks
        assert len(track) >= 25
        assert np.all(track.peak < 0.0)
        off, z = errors_of(track, flyer)
        offs.append(off)
        squares.append(z**2)
    off = np.concatenate(offs)
    assert np.sqrt((off**2).mean()) < 0.2
    assert abs(off.mean(axis=0)).max() < 0.06
    assert 0.6 < np.sqrt(np.mean(squares)) < 1.5


def test_the_dark_rim_that_sharpening_puts_around_a_light_is_no_craft(tmp_path):
    light = Flyer(peak=150.0, width=1.4)
    rim = Flyer(peak=-40.0, width=2.4)
    painting = Painting(flyers=[light, rim], level=90.0)
    (track,) = scan(paint_clip(tmp_path / "a.mp4", painting, codec="mjpeg")).tracks
    assert np.all(track.peak > 0.0)
    assert len(track) >= 25


def light(frame, x_px):
    nothing = np.zeros((3, 3), np.uint8)
    spot = Spot(
        frame=frame, time_s=frame / 60.0, xy_px=np.array([x_px, 100.0]), half_px=np.zeros(2),
        sigma_px=1.3, peak=80.0, snr=25.0, corner_px=(0, 0), luma=nothing, past=nothing[None],
        own=nothing == 0, cut=False,
    )  # fmt: skip
    return Light(
        spot=spot, xy_px=spot.xy_px, cov_px2=np.eye(2), streak_px=None, streak_u_px=None,
        angle_rad=None, peak=80.0, snr=25.0, fill=None,
    )  # fmt: skip


def test_a_craft_some_of_whose_lights_a_coder_left_behind_is_followed_by_the_others():
    behind = {3, 8, 13, 18, 23}
    lights = [light(k, 40.0 + 25.4 * k - (12.0 if k in behind else 0.0)) for k in range(28)]
    facts = SimpleNamespace(size_px=(960, 540), rotation_deg=0, stamp_u_s=0.0)
    limits = limits_of((960, 540), 1.0 / 60.0, None)
    xy = np.array([one.xy_px for one in lights])
    assert not is_flight(np.arange(28), np.arange(28) / 60.0, xy, limits)
    track = room._settled(lights, facts, limits)
    assert set(track.frame.tolist()) == set(range(28)) - behind
    calm = [light(k, 40.0 + 25.4 * k) for k in range(28)]
    assert len(room._settled(calm, facts, limits)) == 28
