"""The course in the picture."""

import numpy as np

from tests.motion.flown import evening
from vidspeed.geometry.course import covers, drawing, strip
from vidspeed.geometry.lens import project
from vidspeed.values import Strip


def test_the_drawing_is_where_the_course_projects():
    scene = evening(1, 1)
    lines = drawing(scene.session.course, scene.line, scene.poses[0], scene.lenses[0])
    ends = project(np.array([[0.0, 0, 0], [80.0, 0, 0]]), scene.poses[0], scene.lenses[0])
    assert np.allclose(lines.course_line_px[[0, -1]], ends)
    assert np.allclose(lines.gates_px[1][:, 0].mean(), ends[1, 0], atol=30.0)


def test_the_strip_holds_the_flight_line_and_its_speeds():
    scene = evening(1, 1)
    session = scene.session
    found = strip(session.course, scene.line, session.craft, scene.poses[0], scene.lenses[0])
    low, high = found.polygon_px.min(axis=0), found.polygon_px.max(axis=0)
    path = np.column_stack([np.linspace(-30, 110, 50), np.full(50, 0.4), np.full(50, 4.5)])
    seen = project(path, scene.poses[0], scene.lenses[0])
    assert np.all((seen > low) & (seen < high))
    metre = np.linalg.norm(np.diff(seen, axis=0), axis=1) / np.diff(path[:, 0])
    speeds = np.outer(metre, session.craft.speed_mps)
    assert found.speed_px_s[0] < speeds.min() < speeds.max() < found.speed_px_s[1]


def test_what_a_lens_folds_back_sets_no_speed_limit_and_is_not_drawn():
    """From 12 m off, 40 m beyond either gate are 73 degrees off the axis: no picture shows that."""
    scene = evening(1, 1)
    session, pose = scene.session, scene.poses[0]
    near = type(pose)(
        camera_from_course=np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]),
        position_m=np.array([40.0, -12.0, 1.7]),
    )
    straight = np.array([1400.0, 1400.0, 960.0, 540.0, 0, 0, 0, 0, 0])
    bent = np.array([1400.0, 1400.0, 960.0, 540.0, -0.1, 0, 0, 0, 0])
    by_straight, by_bent = (
        strip(session.course, scene.line, session.craft, near, lens) for lens in (straight, bent)
    )
    assert 0.15 < by_bent.speed_px_s[0] / by_straight.speed_px_s[0] < 1.0
    assert 0.9 < by_bent.speed_px_s[1] / by_straight.speed_px_s[1] <= 1.0
    edge = bent.copy()
    edge[4] = -3.0  # folds at a third of the focal length: within the picture
    inner = strip(session.course, scene.line, session.craft, near, edge)
    assert np.abs(inner.polygon_px[:, 0] - 960.0).max() < 1400.0 * 0.34
    drawn = drawing(session.course, scene.line, near, edge).course_line_px[:, 0]
    assert np.all(np.diff(drawn[np.isfinite(drawn)]) > 0.0) and 0 < np.isnan(drawn).sum() < 61


def test_a_strip_behind_the_camera_says_nothing():
    scene = evening(1, 1)
    pose = scene.poses[0]
    behind = type(pose)(
        camera_from_course=pose.camera_from_course, position_m=np.array([40.0, 20.0, 1.7])
    )
    session = scene.session
    assert strip(session.course, scene.line, session.craft, behind, scene.lenses[0]) is None


def test_a_strip_covers_one_inside_it_and_one_hardly_larger():
    square = np.array([[0.0, 0.0], [1000.0, 0.0], [1000.0, 100.0], [0.0, 100.0]])
    wide = Strip(polygon_px=square, speed_px_s=(100.0, 900.0))

    def like(polygon_px=square, speed_px_s=(100.0, 900.0)):
        return Strip(polygon_px=polygon_px, speed_px_s=speed_px_s)

    for turned in (wide, like(square[::-1])):
        assert covers(turned, like(square * 0.9 + 20.0 * 0.1))
        assert covers(turned, like(square + np.array([0.0, 4.0])))
        assert not covers(turned, like(square + np.array([0.0, 6.0])))
        assert not covers(turned, like(square + np.array([-6.0, 0.0])))
        assert covers(turned, like(speed_px_s=(96.0, 940.0)))
        assert not covers(turned, like(speed_px_s=(90.0, 900.0)))
        assert not covers(turned, like(speed_px_s=(100.0, 990.0)))
