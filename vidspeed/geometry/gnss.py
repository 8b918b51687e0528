"""Points by satellite, turned into the course frame (pyproj, only here).

Geodetic coordinates become east, north and up at the start post by way of the earth-centred
frame, so distances are those that a tape would measure. The distances of a map grid are not:
they carry the scale of its projection, 400 ppm short in the middle of a UTM zone.
"""

from __future__ import annotations

import numpy as np

from vidspeed.values import Floats, Measured, SatelliteFix, Surveyed, SurveyInput


def adjust_fixes(measured: Measured) -> Surveyed:
    """Return the places of the points about the axis from the start to the finish post.

    Every figure is an input: errors of east, north and up of each point, independent; those of
    the posts turn and shift the others.
    """
    names = tuple(fix.name for fix in measured.fixes)
    start, finish = names.index(measured.start_post), names.index(measured.finish_post)
    enu = enu_m(measured.fixes, measured.fixes[start])
    length = float(np.hypot(enu[finish, 0], enu[finish, 1]))
    along = enu[finish, :2] / length
    turn = np.array([[along[0], along[1], 0.0], [-along[1], along[0], 0.0], [0.0, 0.0, 1.0]])
    places = enu @ turn.T
    places[finish, 1] = 0.0
    return Surveyed(
        names=names,
        uses=tuple(fix.use for fix in measured.fixes),
        places_m=places,
        by_input=_by_input(measured.fixes, places, turn, start, finish),
        inputs=tuple(
            SurveyInput(name=f"{fix.name} {axis}", source="marker survey", u=u, unit="m")
            for fix in measured.fixes
            for axis, u in (("east", fix.u_m), ("north", fix.u_m), ("up", fix.u_up_m))
        ),
        start=start,
        finish=finish,
    )


def enu_m(fixes: tuple[SatelliteFix, ...], at: SatelliteFix) -> Floats:
    """Return east, north and up (n, 3) in metres of points as seen from one of them (WGS 84)."""
    from pyproj import Transformer

    chain = Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        "+step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 "
        f"+lon_0={at.longitude_deg:.12f} +lat_0={at.latitude_deg:.12f} +h_0={at.height_m:.6f}"
    )
    columns = chain.transform(
        [fix.longitude_deg for fix in fixes],
        [fix.latitude_deg for fix in fixes],
        [fix.height_m for fix in fixes],
    )
    return np.column_stack(columns)


def _by_input(
    fixes: tuple[SatelliteFix, ...], places_m: Floats, turn: Floats, start: int, finish: int
) -> Floats:
    """Return what one standard uncertainty of each figure does to the places (3 n, 3 n).

    A point moves with its own error, against that of the start post, and with the turn of the
    axis: the sideways error of the finish post against the start post, over the length.
    """
    count = len(fixes)
    moves = np.zeros((count, 3, 3 * count))
    for number, fix in enumerate(fixes):
        own = turn * np.array([fix.u_m, fix.u_m, fix.u_up_m])
        moves[number, :, 3 * number : 3 * number + 3] += own
        moves[:, :, 3 * number : 3 * number + 3] -= own * (number == start)
    turned = moves[finish, 1] / places_m[finish, 0]
    moves[:, 0] += places_m[:, 1, None] * turned
    moves[:, 1] -= places_m[:, 0, None] * turned
    return np.asarray(moves.reshape(3 * count, 3 * count))
