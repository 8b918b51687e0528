"""Tables of a page: real ones, everything in them as text, whatever was typed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from nicegui import ui


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A cell that leads to another page of the desk."""

    words: str
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """A cell whose colour says how it stands: ok, warn or fail."""

    words: str
    kind: str


Cell = str | Link | Tag


def table(caption: str, head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """Show a table; the first cell of a row is its head."""
    ui.html(table_html(caption, head, rows), sanitize=False)  # every text in it is escaped


def table_html(caption: str, head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """Return a table as HTML.

    Examples
    --------
    >>> table_html("<b>", ["a"], [["1 < 2"]])
    '<table class="plain"><caption>&lt;b&gt;</caption><thead><tr><th scope="col">a</th></tr></thead><tbody><tr><th scope="row">1 &lt; 2</th></tr></tbody></table>'
    """  # noqa: E501
    top = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
    body = "".join(f"<tr>{_cells(row)}</tr>" for row in rows)
    return (
        f'<table class="plain"><caption>{escape(caption)}</caption>'
        f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
    )


def _cells(row: Sequence[Cell]) -> str:
    first, *others = row
    return f'<th scope="row">{_cell(first)}</th>' + "".join(
        f"<td>{_cell(other)}</td>" for other in others
    )


def _cell(cell: Cell) -> str:
    if isinstance(cell, Link):
        return f'<a href="{escape(cell.where)}">{escape(cell.words)}</a>'
    if isinstance(cell, Tag):
        return f'<span class="tag {escape(cell.kind)}">{escape(cell.words)}</span>'
    return escape(cell)
