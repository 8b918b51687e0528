"""Grey pictures in axes, brought once to the size at which a figure is painted and drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.image import AxesImage
from PIL import Image
from PIL.Image import Resampling

from vidspeed.values import Floats, Picture

ENLARGED = 3.0  # and more: its pixels are shown as they are


class Grey(AxesImage):
    """A picture (h, w) of grey levels in axes without a turn, its top-left pixel first.

    `extent` are left, right, bottom and top in the axes' data; `smooth` weighs the pixels that
    share a pixel of the drawing by a Hamming window, else it is the nearest of them.
    """

    def __init__(
        self, axes: Axes, picture: Picture, extent: tuple[float, float, float, float], *,
        smooth: bool, name: str | None = None,
    ) -> None:  # fmt: skip
        super().__init__(axes, extent=extent, origin="upper", gid=name)
        self.set_data(picture)
        self.set_clip_path(axes.patch)
        self._smooth = smooth
        self._made: tuple[tuple[float, ...], Picture] | None = None

    def make_image(
        self, renderer: Any, magnification: float = 1.0, unsampled: bool = False
    ) -> tuple[Picture, float, float, Any]:
        """Return what is seen of it as (h, w, 4), from its foot up, and the place of its foot.

        The place is in the pixels of the renderer, of which each is `magnification` of the drawing.
        """
        axes = self.axes
        assert axes is not None
        left, right, bottom, top = self.get_extent()
        corners = axes.transData.transform([(left, bottom), (right, top)])
        room = axes.bbox.get_points()
        low = np.maximum(corners[0], room[0])
        high = np.minimum(corners[1], room[1])
        first = np.rint(low * magnification)
        sides = np.maximum(np.rint(high * magnification) - first, 1.0)
        picture: Picture = np.asarray(self.get_array())
        tall, wide = picture.shape
        per_px = np.array([wide, tall]) / np.maximum(corners[1] - corners[0], 1e-9)
        begin, end = (low - corners[0]) * per_px, (high - corners[0]) * per_px
        box = (begin[0], tall - end[1], end[0], tall - begin[1])
        made = self._sized(picture, np.clip(box, 0.0, (wide, tall) * 2), (*sides,))
        return made, float(first[0] / magnification), float(first[1] / magnification), None

    def _sized(self, picture: Picture, box: Floats, sides: tuple[float, ...]) -> Picture:
        """Return the part of a picture in a box (4,), so many pixels wide and high."""
        left, top, right, bottom = (float(end) for end in box)
        asked = (left, top, right, bottom, *sides)
        if self._made is None or self._made[0] != asked:
            enlarged = min(sides[0] / (right - left), sides[1] / (bottom - top))
            how = Resampling.HAMMING if self._smooth and enlarged < ENLARGED else Resampling.NEAREST
            size = (int(sides[0]), int(sides[1]))
            seen = Image.fromarray(picture).resize(size, how, box=(left, top, right, bottom))
            whole = np.full((size[1], size[0], 4), 255, dtype=np.uint8)
            whole[..., :3] = np.asarray(seen)[::-1, :, None]
            self._made = asked, whole
        return self._made[1]
