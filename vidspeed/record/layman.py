"""The budget in plain words: what each source means, and what would make it smaller."""

from __future__ import annotations

from vidspeed.record.units import Unit, percent_text
from vidspeed.record.words import largest_term
from vidspeed.values import BudgetRow, PassResult

PLAIN = {
    "flight-line offset": (
        "how far to the side of the course the craft flew",
        "a second camera that sees the same pass, or marks on the ground that the pilot flies "
        "over, so that the offset is known better",
    ),
    "flight-line height": (
        "how high it flew",
        "a second camera that sees the same pass, or a height that is known better",
    ),
    "drift": ("how much it slanted across the course", "a second camera that sees the same pass"),
    "climb": ("how much it rose or sank on the course", "a second camera that sees the same pass"),
    "acceleration": (
        "whether it grew faster or slower on the way",
        "more frames a second, or a longer run before the start gate, so that the speed is steady",
    ),
    "weave": ("how much it snaked about its path", "a second camera, or a steadier flight"),
    "lamp": (
        "where on the craft the light that is seen sits",
        "the lamp in the middle of the craft, and `lamp_u_m` measured there",
    ),
    "light positions": (
        "how sharply the light is seen in the picture",
        "a brighter lamp, a shorter exposure, a sharper focus or more frames a second",
    ),
    "picks": (
        "how exactly the markers were picked in the picture",
        "more markers, picked on a still enlarged as far as it goes, or lamps or coded boards on "
        "the markers, which the tool picks by itself",
    ),
    "camera position": ("where the camera stood, by tape", "its place taped more exactly"),
    "marker survey": (
        "how exactly the places of the markers were measured",
        "the markers measured again, from more than one post, or more of them",
    ),
    "survey scale": (
        "how exactly the length of the course was measured",
        "the course measured again with a better tape",
    ),
    "tape scale": (
        "how true the tape is",
        "a tape that was compared with a better one, at the pull and warmth at which it is used",
    ),
    "focal length": (
        "how much the lens enlarges",
        "a lens file made with `vidspeed lens`, or more markers towards the picture's edges",
    ),
    "lens centre": (
        "where the middle of the lens lies in the picture",
        "a lens file made with `vidspeed lens`, or more markers all over the picture",
    ),
    "distortion": (
        "how much the lens bends straight lines",
        "a lens file made with `vidspeed lens`",
    ),
    "lens file": ("how exactly the lens was measured", "the lens measured with more views"),
    "clock": (
        "how fast or slow the camera's clock runs",
        "the clock measured with `vidspeed clock`",
    ),
    "read-out": (
        "how long the camera takes from its first row to its last",
        "the read-out measured with `vidspeed clock`, or a camera that stands level with the path",
    ),
    "exposure": (
        "at which moment of the exposure a frame's time lies",
        "a fixed, short exposure, stated under `exposure_ms`",
    ),
    "sync": ("how exactly the clips were set to one time", "a sharper flash or clap, seen twice"),
    "sound": (
        "how exactly the craft's tones are heard as it flies by",
        "a louder or nearer craft, less noise about the microphone, or a longer steady pass",
    ),
    "air": (
        "how fast sound is in the air, and how the wind moves it",
        "temperature and wind along the course measured, and stated under `[air]`",
    ),
    "sound late": (
        "by how much the sound of a clip is behind its picture",
        "a flash and a bang, measured with `vidspeed clock`",
    ),
    "video coding": (
        "how far the video's compression may hold a light back",
        "a higher bit rate or another codec in the camera",
    ),
    "beyond first order": (
        "what bends that straight-line reckoning leaves out",
        "whatever makes the largest other source smaller",
    ),
}


def meaning(source: str) -> str:
    """Return what a source of the budget is, in plain words; the source where it is not known."""
    return PLAIN.get(source, (source, ""))[0]


def owner_words(row: BudgetRow) -> str:
    """Return whose a row of the budget is: all passes', a camera's, or this pass's."""
    if row.owner == "session":
        return "all passes"
    return "this pass" if row.owner.startswith("pass ") else row.owner


def largest_words(result: PassResult, unit: Unit) -> str | None:
    """Say in a sentence or two what rules the uncertainty, and what would make it smaller."""
    row = largest_term(result)
    if row is None or result.speed_mps is None:
        return None
    remedy = PLAIN.get(row.source, ("", ""))[1]
    whose = f" ({row.owner})" if row.owner.startswith("camera ") else ""
    size = row.contribution_mps * unit.per_mps
    said = (
        f"The largest part is {meaning(row.source)}{whose}: {size:.2g} {unit.label} of standard "
        f"uncertainty, {percent_text(row.share)} of the variance."
    )
    if row.assumed:
        said += " It was not stated, and the tool had to assume it: stating it may be enough."
    return f"{said} It would be made smaller by {remedy}." if remedy else said
