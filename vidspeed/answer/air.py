"""What the air did to a mark: wind along the course, and the density of the day."""

from __future__ import annotations

import math

from vidspeed.air import density_of
from vidspeed.answer.rules import verdict_of
from vidspeed.answer.scatter import Spread
from vidspeed.motion.coverage import LEVEL
from vidspeed.values import Air, Reduced, Ruled, Wind

# Drag goes with density times speed squared: at given power the speed goes with density to the
# power of -1/3, at given thrust -1/2, with a propeller whose turns are held not at all. Taken is
# 1/3; anything from 0 to 1/2 is as likely, which about 1/3 has an RMS of 1/6.
EXPONENT = 1.0 / 3.0
EXPONENT_U = math.sqrt((EXPONENT**3 + (0.5 - EXPONENT) ** 3) / (3.0 * 0.5))


def wind_of(
    forward_mps: float, reverse_mps: float, mean_u_mps: float, spread: Spread, air: Air | None
) -> Wind:
    """Return the wind along the course that two opposite passes tell.

    Parameters
    ----------
    mean_u_mps
        Standard uncertainty of the mean of the two speeds.
    spread
        What half the difference of the two speeds may be off by, from its measurement and from the
        passes' scatter. The same wind and equal throttle in both is assumed.
    air
        What the session says of the wind, to be shown beside it.
    """
    speed = (forward_mps + reverse_mps) / 2.0
    stated = stated_wind(air)
    known = spread.scatter.median_mps
    return Wind(
        along_mps=(forward_mps - reverse_mps) / 2.0,
        along_u_mps=spread.u,
        along_U95_mps=spread.half(LEVEL),
        airspeed_mps=speed,
        airspeed_u_mps=mean_u_mps,
        scatter_mps=None if known is None else known * math.sqrt(spread.share),
        stated_mps=None if stated is None else stated[0],
        stated_u_mps=None if stated is None else stated[1],
    )


def stated_wind(air: Air | None) -> tuple[float, float] | None:
    """Return the wind along the course that the session states and its u, None where it does not.

    Examples
    --------
    >>> stated_wind(Air(wind_along_mps=1.5, wind_u_mps=0.5))
    (1.5, 0.5)
    >>> stated_wind(Air(assumed=frozenset({"wind_along_mps"}))) is None
    True
    """
    if air is None or "wind_along_mps" in air.assumed:
        return None
    return air.wind_along_mps, air.wind_u_mps


def wind_rule(most_mps: float, along_mps: float, spread: Spread, air: Air | None) -> Ruled:
    """Judge the wind along the course: by what was stated of it, else by the two passes.

    One pass each way cannot tell wind from a hand that gave less throttle.
    """
    rule = f"wind along the course at most {most_mps:g} m/s"
    stated = stated_wind(air)
    if stated is not None:
        value, u = stated
        kept = Spread(scatter=spread.scatter, fixed=u**2)
        detail = f"{value:+.1f} ± {2.0 * u:.1f} m/s (k = 2), as stated"
    elif spread.scatter.dof == 0:
        detail = (
            "none is stated, and one pass each way cannot tell wind from throttle; state "
            "wind_along_mps"
        )
        return Ruled(rule=rule, verdict="cannot be decided", detail=detail)
    else:
        value, kept = along_mps, spread
        detail = f"{value:+.1f} ± {spread.half():.1f} m/s (95 %), from the two passes"
    within = kept.below(most_mps - value) - kept.below(-most_mps - value)
    return Ruled(rule=rule, verdict=verdict_of(within), detail=detail)


def reduced_to(
    to_kgm3: float, speed_mps: float, speed_u_mps: float, factor: float, air: Air | None
) -> Reduced | None:
    """Return a speed as it would be in air of density `to_kgm3`; None without the day's density.

    Speed goes with density to the power of -e: times (density / to)^e, first order in density
    and e (JCGM 100:2008, equation 10); `factor` is the speed's coverage factor.
    """
    found = density_of(air)
    if found is None:
        return None
    density, density_u = found
    scale = (density / to_kgm3) ** EXPONENT
    parts = (
        ("speed as measured", scale * speed_u_mps),
        ("air density", EXPONENT * scale * speed_mps * density_u / density),
        ("exponent", scale * speed_mps * abs(math.log(density / to_kgm3)) * EXPONENT_U),
    )
    u = math.hypot(*(part for _, part in parts))
    return Reduced(
        density_kgm3=density,
        density_u_kgm3=density_u,
        to_kgm3=to_kgm3,
        exponent=EXPONENT,
        exponent_u=EXPONENT_U,
        speed_mps=scale * speed_mps,
        speed_u_mps=u,
        speed_U95_mps=factor * u,
        contributions_mps=parts,
    )
