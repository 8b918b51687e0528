"""Turn light into luma levels: the camera's transfer curve, nearly.

Cameras store a power of the light with a straight toe. The family here,
((x + e)^(1/g) - e^(1/g)) over its value at 1, is that of the sRGB and BT.709 curves to a few
per cent for g near 2.4 and 2.2, and is exactly linear for g = 1. Which g describes a clip is
found from its own lights; a curve that is not quite right changes a light's profile, but
equally on both sides of its middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.values import Floats, Value

TOE = 0.003  # of the light that reaches white
POWERS = (1.0, 1.6, 2.4)  # that are tried
BLACK_WHITE = {False: (16.0, 235.0), True: (0.0, 255.0)}  # by full range; ITU-R BT.709, 8 bits


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve(Value):
    """A transfer curve between `black` (light 0) and `white` (light 1), in eight-bit levels."""

    power: float
    black: float
    white: float

    @property
    def _low(self) -> float:
        return float(TOE ** (1.0 / self.power))

    @property
    def _scale(self) -> float:
        return float((self.white - self.black) / ((1.0 + TOE) ** (1.0 / self.power) - self._low))

    def level(self, light: Floats) -> Floats:
        """Return the luma level of light; light below nothing is held near nothing."""
        return self.level_and_slope(light)[0]

    def slope(self, light: Floats) -> Floats:
        """Return the derivative of `level`."""
        return self.level_and_slope(light)[1]

    def level_and_slope(self, light: Floats) -> tuple[Floats, Floats]:
        """Return `level` and `slope`: both from one power, which is slow."""
        base = np.maximum(light + TOE, 0.5 * TOE)
        root = base ** (1.0 / self.power)
        level = self.black + self._scale * (root - self._low)
        return np.asarray(level), np.asarray(self._scale / self.power * root / base)

    def light(self, level: Floats) -> Floats:
        """Return the light of a luma level: the inverse of `level`."""
        root = np.maximum((level - self.black) / self._scale + self._low, 0.7 * self._low)
        return np.asarray(root**self.power - TOE)


def negative_curve(full_range: bool) -> Curve:
    """Return the curve of a picture's negative: straight, from white to black.

    Something dark takes away a share of the light behind it, which no curve of added light
    describes; a straight one is wrong equally on both sides of its middle.
    """
    black, white = BLACK_WHITE[full_range]
    return Curve(power=1.0, black=255.0 - white, white=255.0 - black)


def curve_of(power: float, full_range: bool) -> Curve:
    """Return the curve of a power for a clip of full or limited range.

    Examples
    --------
    >>> curve = curve_of(2.4, False)
    >>> curve.level(np.array([0.0, 1.0])).round(6).tolist()
    [16.0, 235.0]
    >>> float(curve.light(curve.level(np.array(0.2))).round(9))
    0.2
    """
    black, white = BLACK_WHITE[full_range]
    return Curve(power=power, black=black, white=white)
