import io

import numpy as np
import pytest
from PIL import Image

from vidspeed.record.pngfile import png_file


@pytest.mark.parametrize("planes", [(), (3,), (4,)])
def test_a_png_file_holds_the_picture_and_its_resolution(planes):
    picture = np.random.default_rng(5).integers(0, 256, (7, 5, *planes)).astype(np.uint8)
    with Image.open(io.BytesIO(png_file(picture, 150.0))) as read:
        np.testing.assert_array_equal(np.asarray(read), picture)
        assert read.info["dpi"] == pytest.approx((150.0, 150.0), abs=0.0127)
