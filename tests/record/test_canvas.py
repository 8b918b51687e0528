import io
import tracemalloc
from base64 import b64decode
from xml.etree import ElementTree

import cv2
import numpy as np

from vidspeed.record.canvas import DPI, POINTS, chart, jpeg, painted, photo, png, svg


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
    assert jpeg(pixels, 72) == jpeg(figure, 72)
    one, other = (cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).astype(int)
                  for data in (jpeg(pixels, 72), by_itself.getvalue()))  # fmt: skip
    assert one.shape == other.shape
    assert np.abs(one - other).mean() < 1.0  # words begin at whole pixels
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


def test_an_svg_file_shows_a_photograph_where_and_as_a_png_file_does():
    rows, columns = np.mgrid[0:90, 0:160]
    picture = (columns + rows).astype(np.uint8)  # what is turned over is seen
    figure, _ = photo(picture, np.array([9.5, -0.5]), np.array([159.5, 59.5]))
    root = ElementTree.fromstring(svg(figure, "a").decode("utf-8"))
    assert svg(figure, "a") == svg(figure, "a")
    assert figure.get_dpi() == DPI
    (image,) = (row for row in root.iter() if row.tag.endswith("}image"))
    kind, data = image.attrib["{http://www.w3.org/1999/xlink}href"].split(",")
    assert kind == "data:image/jpeg;base64"
    shown = cv2.imdecode(np.frombuffer(b64decode(data), np.uint8), cv2.IMREAD_GRAYSCALE)
    place = [float(image.attrib[name]) for name in ("x", "y", "width", "height")]
    left, top, wide, tall = (round(side * DPI / POINTS) for side in place)
    assert shown.shape == (tall, wide)
    there = painted(figure)[top : top + tall, left : left + wide, 1]
    assert np.abs(shown.astype(int) - there).max() <= 6
    assert np.ptp(there) > 100
