"""Out of matplotlib: figures as text to embed, and a figure that stands among words and tables."""

from __future__ import annotations

import base64
import html
import io
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from metasense.showing.figures.look import DARK, PAPER, with_settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def figure_to_data_uri(ax: Axes, *, form: str = "svg", dark: bool = False) -> str:
    """The figure of `ax` as a data URI to embed; the same figure gives the same text every time.

    Parameters
    ----------
    form : {"svg", "png"}
        SVG has its letters as outlines, so it looks alike everywhere and carries no text to be run.
    dark : bool
        Recoloured for a dark page (SVG only).
    """
    if form not in ("svg", "png") or (dark and form != "svg"):
        raise ValueError(
            f"form={form!r}, dark={dark}: a figure is written as 'svg', light or dark, or as 'png', light."
        )
    data = _written(ax, form)
    return _uri(_darkened(data) if dark else data, form)


def light_and_dark(ax: Axes) -> tuple[str, str]:
    """The figure of `ax` as two data URIs, for light pages and for dark ones, drawn once."""
    data = _written(ax, "svg")
    return _uri(data, "svg"), _uri(_darkened(data), "svg")


def _written(ax: Axes, form: str) -> bytes:
    stream = io.BytesIO()
    settings: dict[Any, Any] = {"svg.hashsalt": "metasense", "svg.fonttype": "path"}
    metadata = {"Date": None, "Creator": None} if form == "svg" else {"Software": None}
    with with_settings(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from", category=UserWarning)
        whole = ax.figure.canvas.figure  # also where the axes stand in a subfigure
        if whole.get_layout_engine() is not None:  # laid out once, and not at each of the passes of writing it
            whole.draw_without_rendering()
            whole.set_layout_engine("none")
        whole.savefig(stream, format=form, dpi=160, facecolor=PAPER, metadata=metadata)
    return stream.getvalue()


def _darkened(data: bytes) -> bytes:
    known = re.compile("|".join(DARK).encode())
    return known.sub(lambda match: DARK[match[0].decode()].encode(), data)


def _uri(data: bytes, form: str) -> str:
    return f"data:image/{'svg+xml' if form == 'svg' else 'png'};base64,{base64.b64encode(data).decode()}"


@dataclass(frozen=True)
class Drawing:
    """A figure among words and tables: drawn when a notebook asks for it, a sentence where there is only text.

    Attributes
    ----------
    draw : callable
        Given an empty matplotlib Figure, fills it and returns the Axes.
    alt : str
        What the figure shows, in a sentence.

    Examples
    --------
    >>> from metasense.showing.figures.counts import alt_bars, bars
    >>> shares = ["here", "there"], [0.7, 0.3]
    >>> drawing = Drawing(lambda empty: bars(*shares, ax=empty), alt_bars(*shares))
    >>> drawing.to_html()[:32], drawing
    ('<img src="data:image/svg+xml;bas', As a figure: Probabilities: here 70 %; there 30 %.)
    """

    draw: Callable[[Figure], Axes]
    alt: str

    def to_html(self) -> str:
        """The picture itself, with the sentence for those who cannot see it."""
        from matplotlib.figure import Figure

        source, alt = figure_to_data_uri(self.draw(Figure())), html.escape(self.alt)
        return f'<img src="{source}" alt="{alt}" style="max-width:100%">'

    def to_text(self) -> str:
        """The sentence."""
        return f"As a figure: {self.alt}"

    __repr__ = to_text
    _repr_html_ = to_html
