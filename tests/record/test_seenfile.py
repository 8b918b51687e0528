"""Values as bytes and back."""

import io

import numpy as np
import pytest

from vidspeed.record.seenfile import value_bytes, value_from
from vidspeed.values import KeptScan, Moved, Strip, Sway, Track


def track():
    column = np.array([0.0, np.nan, np.inf])
    return Track(
        frame=np.arange(3),
        time_s=column,
        xy_px=np.ones((3, 2)),
        cov_px2=np.ones((3, 2, 2)),
        row=column,
        time_u_s=column,
        streak_px=column,
        streak_u_px=column,
        streak_angle_rad=column,
        peak=column,
        snr=column,
        interval_s=1.0 / 59.94,
        moved=Moved(shift_px=(0.1, 1.0 / 3.0), zoom=1.001),
    )


def same(first, second):
    assert type(first) is type(second)
    for name in first.__dataclass_fields__:
        mine, other = getattr(first, name), getattr(second, name)
        if isinstance(mine, np.ndarray):
            assert mine.dtype == other.dtype
            assert np.array_equal(mine, other, equal_nan=True)
        elif hasattr(mine, "__dataclass_fields__"):
            same(mine, other)
        else:
            assert mine == other and type(mine) is type(other)


@pytest.mark.parametrize(
    "value",
    [
        track(),
        Strip(polygon_px=np.array([[0.0, 1.0], [2.0, 3.0]]), speed_px_s=(1.0 / 3.0, 2.0)),
        Sway(
            time_s=np.zeros(0),
            places_px=np.zeros((0, 2)),
            away_px=np.zeros((0, 0, 2)),
            replaced=np.zeros(0),
        ),
    ],
)
def test_a_value_comes_back_to_the_last_bit(value):
    same(value, value_from(value_bytes(value)))


@pytest.mark.parametrize(
    "text",
    [
        '{"value": "Track", "fields": {}}',
        '{"value": "Floats", "fields": {}}',
        '{"value": "__builtins__", "fields": {}}',
        '{"array": "missing"}',
        "[[[",
        "7",
    ],
)
def test_what_is_no_value_is_nothing(text):
    stream = io.BytesIO()
    np.savez(stream, value=np.frombuffer(text.encode("utf-8"), dtype=np.uint8))
    assert value_from(stream.getvalue()) is None


def test_a_pickle_is_not_read():
    stream = io.BytesIO()
    np.savez(stream, value=np.array([{"a": 1}], dtype=object))
    assert value_from(stream.getvalue()) is None


def test_what_cannot_be_kept_is_refused():
    with pytest.raises(TypeError, match="cannot be kept"):
        value_bytes(KeptScan(strip=None, scan=io.BytesIO()))
