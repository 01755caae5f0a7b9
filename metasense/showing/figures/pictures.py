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

# notebooks say on their body which theme they have; a figure in one takes the scheme that goes with it
_NIGHT = '<style>:is([data-jp-theme-light="false"], .vscode-dark) img.metasense{color-scheme:dark}</style>'


def figure_to_data_uri(ax: Axes, *, form: str = "svg") -> str:
    """The figure of `ax` as a data URI to embed; the same figure gives the same text every time.

    An SVG follows the colour scheme, light or dark, of the element it is embedded in, and has its letters as outlines,
    so that it looks alike everywhere and carries no text to be run.

    Parameters
    ----------
    form : {"svg", "png"}
        A PNG is always light.
    """
    if form not in ("svg", "png"):
        raise ValueError(f"form={form!r}: a figure is written as 'svg' or as 'png'.")
    stream = io.BytesIO()
    settings: dict[Any, Any] = {"svg.hashsalt": "metasense", "svg.fonttype": "path"}
    settings |= {"figure.autolayout": False, "figure.constrained_layout.use": False}
    metadata = {"Date": None, "Creator": None} if form == "svg" else {"Software": None}
    with with_settings(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from", category=UserWarning)
        whole = ax.figure.canvas.figure  # also where the axes stand in a subfigure
        engine = whole.get_layout_engine()
        if engine is not None:  # laid out once, and not at each of the passes of writing it
            engine.execute(whole)
            whole.set_layout_engine(None)
        whole.savefig(stream, format=form, dpi=160, facecolor=PAPER, metadata=metadata)
    data = stream.getvalue()
    if form == "png":
        return f"data:image/png;base64,{base64.b64encode(data).decode()}"
    return f"data:image/svg+xml;base64,{base64.b64encode(_for_both_schemes(data)).decode()}"


def size_of(uri: str) -> tuple[int, int]:
    """Width and height in pixels of an SVG that `figure_to_data_uri` gave."""
    head = base64.b64decode(uri.partition(",")[2][:4000]).decode("utf-8", "replace")
    start = head[head.index("<svg") :]
    points = {name: float(value) for name, value in re.findall(r'\b(width|height)="([\d.]+)pt"', start)[:2]}
    return round(points["width"] * 4 / 3), round(points["height"] * 4 / 3)


def _for_both_schemes(svg: bytes) -> bytes:
    """The picture with its colours as variables, which have other values in a dark scheme."""
    names = {light: f"--c{i}" for i, light in enumerate(DARK)}
    day = ";".join(f"{name}:{light}" for light, name in names.items())
    night = ";".join(f"{name}:{DARK[light]}" for light, name in names.items())
    style = f"<style>:root{{{day}}}@media (prefers-color-scheme: dark){{:root{{{night}}}}}</style>"
    known = re.compile("|".join(names).encode())
    svg = known.sub(lambda match: f"var({names[match[0].decode()]})".encode(), svg)
    return svg.replace(b"<defs>", b"<defs>" + style.encode(), 1)


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
    ('<style>:is([data-jp-theme-light=', Probabilities: here 70 %; there 30 %.)
    """

    draw: Callable[[Figure], Axes]
    alt: str

    def to_html(self) -> str:
        """The picture itself, with the sentence for those who cannot see it."""
        from matplotlib.figure import Figure

        source, alt = figure_to_data_uri(self.draw(Figure())), html.escape(self.alt)
        width, height = size_of(source)  # said beforehand, so that nothing moves when the picture appears
        size = f'width="{width}" height="{height}" style="max-width:100%;height:auto"'
        return f'{_NIGHT}<img class="metasense" src="{source}" alt="{alt}" {size}>'

    def to_text(self) -> str:
        """The sentence."""
        return self.alt

    __repr__ = to_text
    _repr_html_ = to_html
