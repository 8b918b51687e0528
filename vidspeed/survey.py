"""The survey of a course, adjusted: what it fixes, what checks it, what to measure next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np

from vidspeed.assembly.cameras import calibrate_all
from vidspeed.assembly.forecast import forecast, relative_U95
from vidspeed.assembly.reading import adjust, read_session, settled, unfixed
from vidspeed.assembly.remeasure import survey_warnings
from vidspeed.errors import SessionError, VidspeedError
from vidspeed.geometry.survey import ellipse_m, survey_factor
from vidspeed.geometry.tapes import with_distance
from vidspeed.motion.stand import Stand
from vidspeed.record.surveyview import survey_picture
from vidspeed.session.read import read_measured
from vidspeed.values import (
    Floats,
    Gain,
    Measured,
    PassResult,
    Session,
    Surveyed,
    SurveyFactor,
    Taped,
    Value,
)

TRIED = 5  # of the candidates that promise most, so many are solved


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyReport(Value):
    """An adjusted survey, what it does to a pass, and what to measure next.

    `speeds_mps` holds, by the name of an input, what one standard uncertainty of it does to the
    speed of a forecast pass; empty without a forecast, which needs picks. `open_` are faults
    because of which the survey cannot be used, `warnings` what should be looked at again.
    """

    surveyed: Surveyed
    measured: Measured
    session: Session | None
    forecast: PassResult | None
    speeds_mps: Mapping[str, float]
    gains: tuple[Gain, ...]
    open_: tuple[str, ...]
    warnings: tuple[str, ...]
    pictures: Mapping[str, bytes]

    @property
    def unchecked(self) -> tuple[str, ...]:
        """Return the figures that no other figure checks."""
        tests = self.surveyed.tests
        return tuple(f"{row.kind} {row.name}" for row in tests if row.detectable is None)


def survey(folder: Path) -> SurveyReport:
    """Adjust the survey of the session in `folder`; nothing is written.

    The rest of the session may be unfinished; where it is complete, a pass is forecast too.
    Raises SessionError where the survey is wrong or the markers are stated, not measured.
    """
    measured = read_measured(folder)
    if measured is None:
        raise SessionError(
            "session.toml: [course]: the markers are stated as coordinates, there is nothing to "
            "adjust; name tapes and levels, or gnss, instead of markers"
        )
    surveyed = adjust(measured)
    open_ = tuple(unfixed(surveyed))
    session, stands, predicted = (None, (), None) if open_ else _forecast(folder)
    speeds = {} if predicted is None else _speeds(predicted)
    return SurveyReport(
        surveyed=surveyed,
        measured=measured,
        session=session,
        forecast=predicted,
        speeds_mps=speeds,
        gains=() if open_ else tuple(_gains(measured, surveyed, session, stands, speeds)),
        open_=open_,
        warnings=tuple(survey_warnings(surveyed, measured)),
        pictures={"survey.png": survey_picture(surveyed)},
    )


def _forecast(folder: Path) -> tuple[Session | None, tuple[Stand, ...], PassResult | None]:
    """Return session, cameras and a forecast pass; nothing where the session is unfinished."""
    try:
        session = read_session(folder)
        stands = tuple(stand for stand, _ in calibrate_all(session).stands.values())
        return session, stands, forecast(session, stands)
    except VidspeedError:
        return None, (), None


def _speeds(predicted: PassResult) -> dict[str, float]:
    """Return what one standard uncertainty of each input of the session does to the speed."""
    assert predicted.sensitivities_mps is not None
    pairs = zip(predicted.inputs, predicted.sensitivities_mps, strict=True)
    return {entry.name: float(value) for entry, value in pairs if entry.owner == "session"}


def _gains(
    measured: Measured,
    surveyed: Surveyed,
    session: Session | None,
    stands: Sequence[Stand],
    speeds: Mapping[str, float],
) -> list[Gain]:
    """Return the distances that would bring most, best first: tried, not looked up in a rule.

    All pairs are ranked by the variance of the speed at the sensitivities of now, or without a
    forecast by that of the length and the points; the best are then solved.
    """
    if not measured.taped or measured.fixes:
        return []
    slopes = None if session is None else _by_place(session, speeds)
    there = {frozenset(pair) for pair in surveyed.lines}
    tried = []
    for first, second in combinations(range(len(surveyed.names)), 2):
        if frozenset((first, second)) in there:
            continue
        more = _like(measured, surveyed.names[first], surveyed.names[second])
        wider = with_distance(measured, surveyed, more)
        tried.append((_worth(wider, slopes), more, wider))
    tried.sort(key=lambda row: row[0])
    return [_gain(more, wider, session, stands) for _, more, wider in tried[:TRIED]]


def _like(measured: Measured, start: str, end: str) -> Taped:
    """Return a distance as the others were measured: their usual tape and uncertainty."""
    names = [row.tape for row in measured.taped]
    return Taped(
        start=start,
        end=end,
        distance_m=0.0,
        u_m=float(np.median([row.u_m for row in measured.taped])),
        tape=max(dict.fromkeys(names), key=names.count),
    )


def _by_place(session: Session, speeds: Mapping[str, float]) -> Floats:
    """Return what a metre of each coordinate and a unit of the scale do to the speed.

    The speed's sensitivities to the figures are F^T h with the factor F; h follows from them.
    """
    assert session.survey is not None
    figures = np.array([speeds.get(row.name, 0.0) for row in session.survey.inputs])
    return np.asarray(np.linalg.lstsq(_stacked(session.survey).T, figures, rcond=1e-9)[0])


def _stacked(factor: SurveyFactor) -> Floats:
    return np.vstack([factor.markers_m, factor.scale])


def _worth(surveyed: Surveyed, slopes: Floats | None) -> float:
    """Return the variance to be made small: of the speed, or of the length and the points."""
    if slopes is not None:
        return float(np.sum((slopes @ _stacked(survey_factor(surveyed))) ** 2))
    return surveyed.length_u_m**2 + float(np.mean(np.diag(surveyed.covariance_m2)))


def _gain(more: Taped, wider: Surveyed, session: Session | None, stands: Sequence[Stand]) -> Gain:
    places = dict(zip(wider.names, wider.places_m, strict=True))
    relative = None
    if session is not None:
        try:
            relative = relative_U95(forecast(settled(session, wider), stands))
        except VidspeedError:
            relative = None
    return Gain(
        start=more.start,
        end=more.end,
        distance_m=float(np.linalg.norm(places[more.start] - places[more.end])),
        length_u_m=wider.length_u_m,
        worst_u_m=max(ellipse_m(wider, at)[0] for at in range(len(wider.names))),
        unchecked=sum(row.detectable is None for row in wider.tests),
        relative_U95=relative,
    )
