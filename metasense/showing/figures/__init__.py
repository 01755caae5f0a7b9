"""Figures in one quiet visual language: frames and numbers in, labelled matplotlib Axes out.

Every function takes ``ax``: Axes to draw on, an empty :class:`matplotlib.figure.Figure` to be sized and filled (no
pyplot involved), or None for a new pyplot figure. Nothing is ever shown, dropped, or read from a name as mathematics.
Each figure ``x`` has a sentence ``alt_x`` that says what it shows to someone who cannot see it. One subject a file;
``look.py`` holds what they share.
"""

from metasense.showing.figures.counts import Part, alt_bars, bars, icons, sets, stacked
from metasense.showing.figures.curves import alt_curve, corridor, curve, curves, mark_across
from metasense.showing.figures.density import alt_posterior_density, posterior_density
from metasense.showing.figures.look import BLUE, INK, ORANGE, PAPER, QUIET, WASH, Answers
from metasense.showing.figures.moves import alt_cases, alt_path, cases, path
from metasense.showing.figures.panels import alt_forest, chances, forest, ranges
from metasense.showing.figures.pictures import Drawing, figure_to_data_uri
from metasense.showing.figures.shelves import alt_rows_of_truths, rows_of_truths
from metasense.showing.figures.strip import D_PRIMES, LEVELS, Scale, alt_strip, strip
from metasense.showing.figures.trade import trade

__all__ = [
    "BLUE", "D_PRIMES", "INK", "LEVELS", "ORANGE", "PAPER", "QUIET", "WASH", "Answers", "Drawing", "Part", "Scale",
    "alt_bars", "alt_cases", "alt_curve", "alt_forest", "alt_path", "alt_posterior_density", "alt_rows_of_truths",
    "alt_strip", "bars", "cases", "chances", "corridor", "curve", "curves", "figure_to_data_uri", "forest", "icons",
    "mark_across", "path", "posterior_density", "ranges", "rows_of_truths", "sets", "stacked", "strip", "trade",
]  # fmt: skip
