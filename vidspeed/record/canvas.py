"""What every figure shares: colours that colour-blind readers tell apart, sizes, PNG bytes."""

from __future__ import annotations

import io
import pickle
import warnings
from base64 import b64encode
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.image import imsave
from matplotlib.patheffects import withStroke

from vidspeed.record.greys import Grey
from vidspeed.record.lettering import Pixels, Size, drawn_size, families
from vidspeed.record.pngfile import png_file
from vidspeed.values import CourseDrawing, Floats, Picture

# M. Okabe and K. Ito, "Color Universal Design" (2008).
ORANGE, SKY, GREEN, YELLOW = "#E69F00", "#56B4E9", "#009E73", "#F0E442"
BLUE, VERMILLION, PURPLE, INK = "#0072B2", "#D55E00", "#CC79A7", "#1a1a1a"
RUST = "#A34700"  # vermillion, darker, for words on white
MINT = "#2BC79B"  # the green, lighter, for dark ground

FONTS = ["DejaVu Sans", "Verdana", "Arial"]  # of words in drawings, by the first that is there
WIDTH_IN, DPI = 9.0, 120
OPAQUE = 255
STRIP_IN = 0.55  # below a picture, for two rows of legend
GROUND = "#1d2125"
PHOTO, SHEET = "photo", "sheet"  # names of grey pictures
KINDS = {PHOTO: "jpeg", SHEET: "png"}  # of files, that an SVG file holds them as
PHOTO_QUALITY = 90
POINTS = 72.0  # of an inch, in which an SVG file is drawn


def plain(text: str, longest: int = 40) -> str:
    """Return a label on one line, cut to `longest` characters."""
    line = "".join(char if char.isprintable() else " " for char in text)
    return line if len(line) <= longest else line[: longest - 1] + "…"


def chart(height_in: float) -> tuple[Figure, Axes]:
    """Return a figure with one pair of axes for a chart."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def board(
    wide_in: float, tall_in: float, heights: tuple[float, ...] = (1.0,), *, shared: bool = False
) -> tuple[Figure, list[Axes]]:
    """Return a figure with axes one above the other, of such `heights`, that draw no ticks.

    `shared` axes have their limits in common. Making axes takes longer than drawing them: what is
    returned is a copy of some that were made once.
    """
    figure: Figure = pickle.loads(_blank(heights, shared))
    figure.set_size_inches(wide_in, tall_in)
    return figure, list(figure.axes)


@lru_cache(maxsize=8)
def _blank(heights: tuple[float, ...], shared: bool) -> bytes:
    figure = Figure(figsize=(1.0, 1.0), dpi=DPI)
    every = figure.subplots(
        len(heights), 1, squeeze=False, sharex=shared, sharey=shared, height_ratios=heights
    )
    for axes in every[:, 0]:
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_visible(False)
            axis.reset_ticks()
    return pickle.dumps(figure)


def photo(
    picture: Picture | None,
    low: Floats,
    high: Floats,
    *,
    corner_px: tuple[int, int] = (0, 0),
    step: int = 1,
) -> tuple[Figure, Axes]:
    """Return a figure that shows a picture, greyed, in the picture frame.

    `low` and `high` (2,) in pixels bound what is shown; without a picture the ground is dark.
    `corner_px` is where the picture's top-left pixel lies, each of its pixels `step` wide.
    """
    across, down = np.maximum(high - low, 1.0)
    room_in = WIDTH_IN * float(np.clip(down / across, 0.12, 1.6))
    whole_in = room_in + STRIP_IN
    figure, (axes,) = board(WIDTH_IN, whole_in)
    figure.set_facecolor(GROUND)
    axes.set_facecolor(GROUND)
    axes.set_position((0.0, STRIP_IN / whole_in, 1.0, room_in / whole_in))
    axes.spines[:].set_visible(False)
    if picture is not None:
        height, width = (step * side for side in picture.shape[:2])
        left, top = corner_px[0] - 0.5, corner_px[1] - 0.5
        extent = (left, left + width, top + height, top)
        axes.add_image(Grey(axes, _greyed(picture), extent, smooth=True, name=PHOTO))
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(high[1], low[1])
    axes.set_aspect("equal", adjustable="box", anchor="C")
    return figure, axes


def _greyed(picture: Picture) -> Picture:
    """Return a picture as one grey plane, dark enough for coloured lines and white words."""
    grey = picture if picture.ndim == 2 else picture.mean(axis=2).astype(np.uint8)
    middle, top = (max(float(level), 1.0) for level in np.percentile(grey, (50.0, 99.5)))
    scale = min(165.0 / max(top, 64.0), 70.0 / middle)
    shown = np.clip(np.arange(256) * scale + 12.0, 0.0, 200.0).astype(np.uint8)
    return np.asarray(shown[grey])  # looked up: as floats a large picture takes eight times as much


def legend_below(figure: Figure, axes: Axes) -> None:
    """Put the legend into the strip below a picture."""
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        figure.legend(
            handles, labels, loc="lower center", ncols=4, fontsize=9, frameon=False,
            labelcolor="white", handletextpad=0.5, columnspacing=1.6,
        )  # fmt: skip


def draw_course(
    axes: Axes, drawing: CourseDrawing | None, gate_words: tuple[str, str] = ("", "")
) -> None:
    """Draw the course line, the flight line and both gates in perspective.

    `gate_words` are written after the names of the gates.
    """
    if drawing is None:
        return
    course, flight = drawing.course_line_px, drawing.flight_line_px
    axes.plot(course[:, 0], course[:, 1], color=YELLOW, lw=1.0, ls=":", label="course line")
    axes.plot(flight[:, 0], flight[:, 1], color=YELLOW, lw=1.2, label="flight line")
    names = (("start gate", MINT), ("finish gate", PURPLE))
    for (name, colour), gate, words in zip(names, drawing.gates_px, gate_words, strict=True):
        axes.plot(gate[:, 0], gate[:, 1], color=colour, lw=2.2, label=name)
        _name_gate(axes, f"{name.split()[0]}{words}", gate)


def _name_gate(axes: Axes, name: str, gate: Floats) -> None:
    """Write the gate's name above its highest end, for those who cannot tell the colours."""
    seen = gate[np.isfinite(gate).all(axis=1)]
    if not len(seen):
        return
    place = seen[np.argmin(seen[:, 1])]
    left, right = axes.get_xlim()
    part = (place[0] - left) / (right - left)
    side = "left" if part < 0.06 else "right" if part > 0.94 else "center"
    write(axes, name, place, offset_pt=(0.0, 4.0), side=side, size_pt=10.0)


def write(
    axes: Axes,
    text: str,
    place_px: Floats,
    *,
    offset_pt: tuple[float, float],
    side: str = "left",
    size_pt: float = 9.0,
) -> None:
    """Write words on a picture, white with a dark rim, beside a place (2,) in it."""
    axes.annotate(
        text, (float(place_px[0]), float(place_px[1])), xytext=offset_pt,
        textcoords="offset points", ha=side, color="white", fontsize=size_pt, parse_math=False,
        annotation_clip=True, path_effects=[withStroke(linewidth=2.2, foreground=GROUND)],
    )  # fmt: skip


def painted(figure: Figure, *, dpi: float = DPI) -> Picture:
    """Return a figure as pixels (h, w, 4) for `png` and `jpeg`: drawing takes most of the time."""
    figure.set_dpi(dpi)
    drawer: Any = Pixels  # of a module of Matplotlib's that has no types
    renderer = drawer(*figure.bbox.size, dpi)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.draw(renderer)
    return np.asarray(renderer.buffer_rgba())


def png(drawn: Figure | Picture, *, coarse: bool = False, dpi: int = DPI) -> bytes:
    """Return a figure, or what was painted of it, as the bytes of a PNG file.

    `coarse` keeps 32 levels of each colour, which is enough for a view to look at and makes the
    file of a noisy picture less than half as large. The file says its `dpi`, so that a print has
    its true size.
    """
    pixels = painted(drawn, dpi=dpi) if isinstance(drawn, Figure) else drawn
    if pixels[:, :, 3].min() == OPAQUE:
        pixels = pixels[:, :, :3]
    if coarse:
        pixels = pixels & np.uint8(0xF8)
    return png_file(pixels, dpi)


def svg(figure: Figure, name: str) -> bytes:
    """Return the figure as the bytes of an SVG file; `name` keeps its inner names apart.

    Words stay words, in the reader's own sans serif, and the same figure gives the same bytes.
    """
    stream = io.StringIO()
    settings: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": name,
        "font.sans-serif": FONTS,
    }
    wide, tall = (POINTS * float(side) for side in figure.get_size_inches())
    before = figure.get_dpi()
    with warnings.catch_warnings(), rc_context(settings):
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        unsaid = {"Date": None, "Creator": None}
        drawer: Any = _Vectors  # of a module of Matplotlib's that has no types
        renderer = drawer(wide, tall, stream, image_dpi=before, metadata=unsaid)
        figure.set_dpi(POINTS)
        figure.draw(renderer)
        figure.set_dpi(before)
        renderer.finalize()
    return stream.getvalue().encode("utf-8")


class _Vectors(RendererSVG):
    """What draws an SVG file; a photograph in it is a JPEG, a sheet one grey plane."""

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: Any) -> Size:
        """Return the size of words in points."""
        if ismath:
            return super().get_text_width_height_descent(s, prop, ismath)  # type: ignore[no-untyped-call,no-any-return]
        return drawn_size(s, prop.copy(), families())

    def draw_image(self, gc: Any, x: float, y: float, im: Any, transform: Any = None) -> None:
        """Put a picture (h, w, 4), from its foot up, at a place in points."""
        kind = KINDS.get(gc.get_gid())
        if kind is None:
            super().draw_image(gc, x, y, im, transform)  # type: ignore[no-untyped-call]
            return
        upright = im[::-1]
        data = (
            jpeg(upright, PHOTO_QUALITY)
            if kind == "jpeg"
            else png_file(upright[..., 0], self.image_dpi)
        )
        tall, wide = (POINTS * side / self.image_dpi for side in im.shape[:2])
        place = {"x": x, "y": self.height - y - tall, "width": wide, "height": tall}
        self.writer.element(  # type: ignore[no-untyped-call]
            "image",
            attrib={name: f"{value:g}" for name, value in place.items()}
            | {"xlink:href": data_uri(data, kind)},
        )


def jpeg(drawn: Figure | Picture, quality: int, wide_px: int | None = None) -> bytes:
    """Return a figure, so many pixels wide, or what was painted of it, as a JPEG file's bytes."""
    dpi = float(DPI)
    if isinstance(drawn, Figure):
        dpi = dpi if wide_px is None else wide_px / drawn.get_figwidth()
        drawn = painted(drawn, dpi=dpi)
    stream = io.BytesIO()
    with rc_context({"savefig.facecolor": "white"}):  # below what is transparent
        imsave(
            stream, drawn, format="jpeg", dpi=dpi,
            pil_kwargs={"quality": quality, "optimize": True, "subsampling": 0},
        )  # fmt: skip
    return stream.getvalue()


def data_uri(data: bytes, kind: str = "png") -> str:
    """Return a picture as a data URI.

    Examples
    --------
    >>> data_uri(b"abc")
    'data:image/png;base64,YWJj'
    """
    return f"data:image/{kind};base64," + b64encode(data).decode("ascii")
