"""Write pages to print, true to scale: PDF (ISO 32000-1) and SVG 1.1, without a library.

One unit of the drawing is a millimetre in both: a PDF page is scaled by 72 / 25.4 points, an SVG
states width and height in mm beside a view box of the same numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

from vidspeed.geometry.chart import WORDS_MM, Label, Page

POINTS_A_MM = 72.0 / 25.4


def svg(page: Page) -> bytes:
    """Return a page as an SVG file."""
    size = f"{page.width_mm:.6g}", f"{page.height_mm:.6g}"
    boxes = "".join(f"M{x:.4f} {y:.4f}h{w:.4f}v{h:.4f}h{-w:.4f}z" for x, y, w, h in page.boxes_mm)
    words = "".join(_svg_words(label) for label in page.labels)
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{size[0]}mm" height="{size[1]}mm" '
        f'viewBox="0 0 {size[0]} {size[1]}">\n'
        f'<rect width="{size[0]}" height="{size[1]}" fill="#fff"/>\n'
        f'<path d="{boxes}" fill="#000" shape-rendering="crispEdges"/>\n{words}</svg>\n'
    )
    return text.encode("utf-8")


def _svg_words(label: Label) -> str:
    turn = f' transform="rotate(-90 {label.x_mm:.3f} {label.y_mm:.3f})"' if label.turned else ""
    return (
        f'<text x="{label.x_mm:.3f}" y="{label.y_mm:.3f}" font-family="Helvetica, Arial, '
        f'sans-serif" font-size="{WORDS_MM}"{turn}>{escape(label.text)}</text>\n'
    )


def pdf(pages: Sequence[Page]) -> bytes:
    """Return pages as one PDF file."""
    count = len(pages)
    kids = " ".join(f"{4 + 2 * number} 0 R" for number in range(count))
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        f"<< /Type /Pages /Kids [{kids}] /Count {count} >>".encode("ascii"),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    ]
    for number, page in enumerate(pages):
        width, height = POINTS_A_MM * page.width_mm, POINTS_A_MM * page.height_mm
        objects.append(
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width:.4f} {height:.4f}] "
            f"/Resources << /Font << /F1 3 0 R >> >> /Contents {5 + 2 * number} 0 R >>".encode()
        )
        content = _pdf_content(page)
        objects.append(
            f"<< /Length {len(content)} >>\nstream\n".encode("ascii") + content + b"\nendstream"
        )
    return _pdf_file(objects)


def _pdf_content(page: Page) -> bytes:
    """Return the drawing of a page in millimetres, y down; words are set upright again."""
    scale = POINTS_A_MM
    lines = [f"{scale:.10f} 0 0 {-scale:.10f} 0 {scale * page.height_mm:.6f} cm", "0 g"]
    lines += [f"{x:.4f} {y:.4f} {w:.4f} {h:.4f} re" for x, y, w, h in page.boxes_mm]
    lines.append("f")
    for label in page.labels:
        turn = "0 -1 -1 0" if label.turned else "1 0 0 -1"
        text = "".join(f"\\{sign}" if sign in "()\\" else sign for sign in label.text)
        place = f"{label.x_mm:.4f} {label.y_mm:.4f}"
        lines.append(f"BT /F1 {WORDS_MM} Tf {turn} {place} Tm ({text}) Tj ET")
    return "\n".join(lines).encode("ascii", "replace")


def _pdf_file(objects: Sequence[bytes]) -> bytes:
    """Return numbered objects with their table of places."""
    parts, places = [b"%PDF-1.4\n"], []
    for number, content in enumerate(objects, start=1):
        places.append(sum(len(part) for part in parts))
        parts.append(f"{number} 0 obj\n".encode("ascii") + content + b"\nendobj\n")
    start = sum(len(part) for part in parts)
    table = "".join(f"{place:010d} 00000 n \n" for place in places)
    total = len(objects) + 1
    parts.append(
        f"xref\n0 {total}\n0000000000 65535 f \n{table}trailer\n<< /Size {total} /Root 1 0 R >>\n"
        f"startxref\n{start}\n%%EOF\n".encode("ascii")
    )
    return b"".join(parts)
