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
    '<table class="plain" role="table"><caption>&lt;b&gt;</caption><thead><tr role="row"><th scope="col">a</th></tr></thead><tbody role="rowgroup"><tr role="row"><th scope="row" role="rowheader">1 &lt; 2</th></tr></tbody></table>'
    """  # noqa: E501
    top = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
    body = "".join(f'<tr role="row">{_cells(head, row)}</tr>' for row in rows)
    return (
        f'<table class="plain" role="table"><caption>{escape(caption)}</caption>'
        f'<thead><tr role="row">{top}</tr></thead><tbody role="rowgroup">{body}</tbody></table>'
    )


def _cells(head: Sequence[str], row: Sequence[Cell]) -> str:
    """Return the cells of a row; on a narrow screen they stand below each other, named."""
    first, *others = row
    return f'<th scope="row" role="rowheader">{_cell(first)}</th>' + "".join(
        f'<td role="cell" data-head="{escape(name)}">{_cell(other)}</td>'
        for name, other in zip(head[1:], others, strict=True)
    )


def _cell(cell: Cell) -> str:
    if isinstance(cell, Link):
        return f'<a href="{escape(cell.where)}">{escape(cell.words)}</a>'
    if isinstance(cell, Tag):
        return f'<span class="tag {escape(cell.kind)}">{escape(cell.words)}</span>'
    return escape(cell).replace(" ± ", "&nbsp;±&nbsp;")
