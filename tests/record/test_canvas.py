import io
import tracemalloc

import numpy as np

from vidspeed.record.canvas import DPI, chart, jpeg, painted, photo, png


def test_what_was_painted_once_gives_the_files_that_the_figure_gives():
    figure, axes = chart(2.0)
    axes.plot([0.0, 1.0], [0.0, 1.0])
    figure.patch.set_alpha(0.5)  # a JPEG file lies on white where it is transparent
    by_itself = io.BytesIO()
    settings = {"quality": 72, "optimize": True, "subsampling": 0}
    figure.savefig(by_itself, format="jpeg", dpi=DPI, pil_kwargs=settings)
    pixels = painted(figure)
    assert pixels.shape[2] == 4
    assert np.ptp(pixels[..., :3]) > 100
    assert jpeg(pixels, 72) == jpeg(figure, 72) == by_itself.getvalue()
    assert png(pixels, coarse=True) == png(figure, coarse=True)
    assert png(pixels) != png(pixels, coarse=True)


def test_a_large_picture_is_drawn_without_many_times_its_memory():
    picture = np.arange(1080 * 1920, dtype=np.uint32).astype(np.uint8).reshape(1080, 1920)
    figure, _ = photo(picture, np.array([-0.5, -0.5]), np.array([1919.5, 1079.5]))
    painted(figure)  # what is loaded once is no part of it
    tracemalloc.start()
    painted(figure)
    _, most_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most_bytes < 20 * picture.size
