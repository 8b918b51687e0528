"""Commands that measure a lens and pick without clicking: chart, boards, lens."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspeed.cli.shell import SessionFolder, app, guarded, progress, terminal
from vidspeed.errors import OptionError

if TYPE_CHECKING:
    from vidspeed.geometry.chart import Page
    from vidspeed.lens import MeasuredLens
    from vidspeed.values import Chart


class ChartKind(StrEnum):
    """The kinds of chart."""

    chessboard = "chessboard"
    charuco = "charuco"


class Focus(StrEnum):
    """How the lens was focused while the chart was filmed."""

    near = "near"
    field = "field"


Board = Annotated[str, typer.Option(help="Inner corners of the chart, across x down.")]
SquareMm = Annotated[float, typer.Option(min=0.1, max=2e3, help="Side of a square, millimetres.")]
Kind = Annotated[ChartKind, typer.Option("--chart", help="Plain chessboard, or with codes.")]
Family = Annotated[str, typer.Option(help="Family of the codes.")]
CodeMm = Annotated[
    float | None, typer.Option(help="Side of a ChArUco code; 0.7 of the square if left out.")
]
Paper = Annotated[str, typer.Option(help="A4, A3 or Letter.")]


@app.command()
@guarded
def chart(
    out: Annotated[Path, typer.Option(help="File to write, .pdf or .svg.")] = Path("chart.pdf"),
    board: Board = "9x6",
    square_mm: SquareMm = 25.0,
    kind: Kind = ChartKind.chessboard,
    family: Family = "5x5_100",
    code_mm: CodeMm = None,
    paper: Paper = "A4",
) -> int:
    """Write a chart to print and film, true to scale, with rulers to check the printer."""
    from vidspeed.geometry.chart import chart_page

    page = chart_page(_chart(board, square_mm, kind, family, code_mm), paper)
    _write_pages(out, [page])
    typer.echo(out)
    typer.echo("print at 100 %, glue it on something flat and stiff, and measure the rulers")
    return 0


@app.command()
@guarded
def boards(
    codes: Annotated[str, typer.Option(help="Numbers of the codes: 0-7 or 3,5,9.")] = "0-7",
    out: Annotated[Path, typer.Option(help="PDF file to write, a page a board.")] = Path(
        "boards.pdf"
    ),
    side_mm: Annotated[
        float, typer.Option(min=1.0, max=2e3, help="Side of the dark square, millimetres.")
    ] = 150.0,
    family: Family = "4x4_50",
    paper: Paper = "A4",
) -> int:
    """Write coded boards to print and put on posts, so that their markers are picked by day."""
    from vidspeed.geometry.chart import board_pages

    _write_pages(out, board_pages(family, _numbers(codes, family), side_mm, paper))
    typer.echo(out)
    return 0


@app.command()
@guarded
def lens(
    files: Annotated[list[Path], typer.Argument(help="Clips or stills of the chart.")],
    out: Annotated[Path, typer.Option(help="Lens file to write.")],
    board: Board = "9x6",
    square_mm: SquareMm = 25.0,
    kind: Kind = ChartKind.chessboard,
    family: Family = "5x5_100",
    code_mm: CodeMm = None,
    focus: Annotated[
        Focus, typer.Option(help="field: focused as it will be in the field; else near.")
    ] = Focus.near,
) -> int:
    """Measure a lens from clips or stills of a printed chart, and write its lens file."""
    from vidspeed.lens import lens as measure
    from vidspeed.session.lensfile import write_lens

    what = _chart(board, square_mm, kind, family, code_mm)
    with progress() as tell:
        found = measure(files, what, focus=focus.value, progress=tell)
    write_lens(out, found.fit, what)
    _print_lens(found)
    typer.echo(out)
    return 0


def _print_lens(found: MeasuredLens) -> None:
    from vidspeed.record.lensview import cover_lines, lens_notes, lens_table, trial_table

    console = terminal()
    console.print(trial_table(found.fit))
    console.print(lens_table(found.fit))
    typer.echo("corners seen in each part of the picture:")
    for line in cover_lines(found.cover):
        typer.echo(f"  {line}")
    typer.echo(
        f"{len(found.views)} views used, of {found.found} with the chart in {found.looked_at} "
        f"pictures looked at; {found.moving} left out because something moved"
    )
    for note in lens_notes(found.fit):
        typer.echo(note)


def _chart(
    board: str, square_mm: float, kind: ChartKind, family: str, code_mm: float | None
) -> Chart:
    """Return the chart that the options describe."""
    from vidspeed.values import Chart as ChartValue
    from vidspeed.values.lensed import CODE_SHARE

    corners = re.fullmatch(r"(\d{1,2})\s*[xX×]\s*(\d{1,2})", board.strip())
    if corners is None:
        raise OptionError(
            f"--board is {board!r}; inner corners across x down are needed, for example 9x6"
        )
    plain = kind is ChartKind.chessboard
    side_mm = CODE_SHARE * square_mm if code_mm is None else code_mm
    return ChartValue(
        columns=int(corners[1]),
        rows=int(corners[2]),
        square_m=square_mm / 1e3,
        family=None if plain else family,
        code_m=None if plain else side_mm / 1e3,
    )


def _numbers(text: str, family: str) -> list[int]:
    """Return the numbers of a list like 0-7 or 3,5,9."""
    from vidspeed.geometry.codes import how_many

    numbers: list[int] = []
    for part in text.split(","):
        ends = re.fullmatch(r"\s*(\d{1,4})(?:\s*-\s*(\d{1,4}))?\s*", part)
        if ends is None:
            raise OptionError(f"--codes is {text!r}; numbers like 0-7 or 3,5,9 are needed")
        numbers += range(int(ends[1]), int(ends[2] or ends[1]) + 1)
    if not 1 <= len(numbers) <= 200:
        raise OptionError(f"--codes is {text!r}, {len(numbers)} codes; 1 to 200 are allowed")
    if max(numbers) >= how_many(family):
        raise OptionError(
            f"--codes is {text!r}; codes of --family {family} are 0 to {how_many(family) - 1}"
        )
    return numbers


def _write_pages(out: Path, pages: list[Page]) -> None:
    from vidspeed.geometry.sheet import pdf, svg
    from vidspeed.saving import save

    ending = out.suffix.lower()
    if ending not in (".pdf", ".svg") or (ending == ".svg" and len(pages) > 1):
        what = "only PDF holds several pages" if ending == ".svg" else "PDF and SVG can be written"
        raise OptionError(f"--out {out}: {what}; give a name that ends in .pdf")
    save(out, pdf(pages) if ending == ".pdf" else svg(pages[0]))


@app.command()
@guarded
def picks(
    session: SessionFolder,
    camera: Annotated[str, typer.Argument(help="Name of the camera.")],
    still: Annotated[Path, typer.Argument(help="Picture of the clip's own size.")],
    lamps: Annotated[
        bool, typer.Option("--lamps", help="Lamps on the markers, after dark; else coded boards.")
    ] = False,
    family: Family = "4x4_50",
    codes: Annotated[
        str | None, typer.Option(help="Which code is on which marker: A1=0,A2=1.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace the picks that the file holds.")
    ] = False,
) -> int:
    """Pick coded boards, or lamps on the markers, in a still, and write the camera's picks file."""
    from vidspeed.picking import pick_boards, pick_lamps
    from vidspeed.session.picksfile import write_picks

    if lamps:
        found = pick_lamps(session, camera, still)
    else:
        found = pick_boards(session, camera, still, family=family, codes=_named_codes(codes))
    write_picks(found.file, found.picks, replace=replace)
    for pick in found.picks:
        x_px, y_px = pick.xy_px
        typer.echo(f"{pick.name}: {x_px:.2f}, {y_px:.2f} px, u {pick.u_px:.3f} px")
    for note in found.notes:
        typer.echo(note)
    typer.echo(found.file)
    return 0


def _named_codes(text: str | None) -> dict[str, int] | None:
    """Return the codes by marker of a list like A1=0,A2=1."""
    if text is None:
        return None
    codes: dict[str, int] = {}
    for part in text.split(","):
        name, equals, number = part.strip().rpartition("=")
        if not equals or not name or not number.strip().isdigit():
            raise OptionError(f"--codes is {text!r}; A1=0,A2=1 or the like is needed")
        if name.strip() in codes or int(number) in codes.values():
            raise OptionError(f"--codes is {text!r}; each marker and each number is named once")
        codes[name.strip()] = int(number)
    return codes
