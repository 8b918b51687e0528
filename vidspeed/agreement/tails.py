"""Hold what is heard long before and long after a craft is closest against all of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspeed.agreement.arrival import heard_moment
from vidspeed.agreement.doppler import Fitted, fit
from vidspeed.agreement.tones import Followed
from vidspeed.errors import MotionError
from vidspeed.values import Around, Floats

MOST_MOVED = 4.0  # standard uncertainties of the change
SEVERAL = "a tone is heard, but before or after it is not of the craft that flies by in between"
LEAST_LEFT = 0.05  # of the shorter fit's variance, which the change has at the least


def several(fitted: Fitted, followed: Followed, predicted_hz: Floats, around: Around) -> str | None:
    """Return that more than one craft is heard, where a fit moves without its outer windows.

    A second craft that is heard before or after bends what is followed there, and a fit of both is
    of neither. Of two least-squares fits, one from part of the other's data, the difference has the
    difference of their variances (J. Hausman, Econometrica 46 (1978) 1251). A part that tells
    nothing by itself tells nothing here.
    """
    time_s, moment = followed.time_s, heard_moment(fitted.flyby)
    rows = np.flatnonzero(np.any(fitted.used, axis=1))
    first, last = float(time_s[rows[0]]), float(time_s[rows[-1]])
    for begin, end in ((first, (last + moment) / 2.0), ((first + moment) / 2.0, last)):
        inside = (time_s >= begin) & (time_s <= end)
        part = replace(followed, used=fitted.used & inside[:, None])
        try:
            alone = fit(fitted.flyby, fitted.tones_hz, part, predicted_hz, around)
        except (MotionError, np.linalg.LinAlgError):
            continue
        if abs(_moved(fitted, alone)) > MOST_MOVED:
            return SEVERAL
    return None


def _moved(whole: Fitted, part: Fitted) -> float:
    """Return how far the speed of a part is from that of the whole, in u of the difference."""
    away = np.log(part.flyby.speed_mps / whole.flyby.speed_mps)
    own, all_of_it = (row.covariance[0, 0] / row.flyby.speed_mps**2 for row in (part, whole))
    return float(away / np.sqrt(max(own - all_of_it, LEAST_LEFT * own)))
