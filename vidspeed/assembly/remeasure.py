"""What of an adjusted survey should be measured again."""

from __future__ import annotations

from vidspeed.values import Measured, Surveyed

SAME_LENGTH = 3.0  # standard uncertainties that a stated length may lie off the measured one


def survey_warnings(surveyed: Surveyed, measured: Measured) -> list[str]:
    """Say what of an adjusted survey should be looked at again; nothing where it stands well."""
    told = []
    named = sorted(
        (test for test in surveyed.tests if test.named), key=lambda row: -abs(row.normalised or 0.0)
    )
    if named:
        worst = named[0]
        others = " or ".join(f"{other.kind} {other.name}" for other in named[1:])
        told.append(
            f"{worst.kind} {worst.name} lies {abs(worst.normalised or 0.0):.1f} of its "
            f"standard uncertainties ({worst.residual:+.3f} {worst.unit}) from where all others "
            f"put it{f' (or else {others} does)' if others else ''}; measure it again"
        )
    stated, u = measured.stated_length_m, measured.stated_length_u_m or 0.0
    if stated is not None:
        off = abs(stated - surveyed.length_m)
        if off > SAME_LENGTH * (u**2 + surveyed.length_u_m**2) ** 0.5:
            told.append(
                f"session.toml: [course]: length_m is {stated:g}, the survey gives "
                f"{surveyed.length_m:.3f} ± {surveyed.length_u_m:.3f} m; the survey is taken; "
                "measure again or leave length_m out"
            )
    return told
