"""No text stands over a point, a line or another text: measured on what is drawn, of every figure of the demo data.

What counts is the ink: the extents of texts, the places of marks, the course of lines. Filled bands may lie under text.
"""

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.figure import Figure
from matplotlib.text import Text

import metasense as ms
from metasense.showing import figures
from metasense.showing.figures.look import SMALL

CIDER = ms.Margin(p_d=0.2, protocol="triangle")
BREAD = ms.Margin(p_d=0.3, protocol="2-AFC")


@cache
def cider():
    return ms.pool("datasets/cider_fining.csv", margin=CIDER)


@cache
def bread():
    return ms.pool("datasets/bakery_salt.csv", margin=BREAD)


@cache
def coffee():
    return ms.pool("datasets/coffee_bags.csv", margin=CIDER)


def many(n, name):
    rng = np.random.default_rng(3)
    tastings = rng.integers(15, 60, n)
    correct = rng.binomial(tastings, 0.45)
    panels = {"panel": [name(i) for i in range(n)], "protocol": "triangle", "tastings": tastings, "correct": correct}
    return ms.pool({key: value if key == "protocol" else list(value) for key, value in panels.items()}, margin=CIDER)


def long_name(i):
    return f"Consumer panel number {i:02d} of the storage trial, batch pair {'ABCDEFG'[i % 7]}, morning session"


ASKED = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 16, "asked": "correct"}
D_PRIMES = np.linspace(0, 3, 121)
PROTOCOLS = ["2-AFC", "3-AFC", "tetrad", "duo-trio", "triangle"]
DRAWN = {
    "forest, cider": lambda ax: cider().plot(ax=ax),
    "forest, bread": lambda ax: bread().plot(ax=ax),
    "forest, coffee": lambda ax: coffee().plot(ax=ax),
    "forest, 40 long names": lambda ax: many(40, long_name).plot(ax=ax),
    "forest, 80 panels": lambda ax: many(80, "Panel {}".format).plot(ax=ax),
    "forest, all right": lambda ax: ms.pool(
        {"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [24, 10, 14]}, margin=CIDER
    ).plot(ax=ax),
    "groups": lambda ax: ms.pool("datasets/cider_fining.csv", margin=CIDER, within="batch_pair").plot(ax=ax),
    "along weeks": lambda ax: ms.pool("datasets/coffee_bags.csv", margin=CIDER, moderators="weeks_stored").plot(ax=ax),
    "along the cut": lambda ax: ms.pool(
        "datasets/bakery_salt.csv", margin=BREAD, moderators="salt_cut_pct", through_zero="salt_cut_pct"
    ).plot(ax=ax),
    "by words": lambda ax: ms.pool("datasets/cider_fining.csv", margin=CIDER, moderators="experience").plot(ax=ax),
    "strip, cider": lambda ax: cider().plot_strip(ax=ax),
    "strip, bread": lambda ax: bread().plot_strip(ax=ax),
    "strip, moderated": lambda ax: ms.pool(
        "datasets/coffee_bags.csv", margin=CIDER, moderators="weeks_stored"
    ).plot_strip(ax=ax),
    "strip, preference": lambda ax: ms.preference(coffee().panels).plot_strip(ax=ax),
    "strip, one panel": lambda ax: ms.one_panel("triangle", 24, 10, margin=CIDER).plot_strip(ax=ax),
    "explanations": lambda ax: cider().explanations().plot(ax=ax),
    "sensitivity": lambda ax: cider().sensitivity().plot(ax=ax),
    "path": lambda ax: cider().path().plot(ax=ax),
    "drawer": lambda ax: cider().drawer().plot(ax=ax),
    "leak": lambda ax: cider().leak().plot(ax=ax),
    "operating": lambda ax: cider().operating().plot(ax=ax),
    "disagreement": lambda ax: cider().disagreement().plot(ax=ax),
    "fit": lambda ax: cider().fit().plot(ax=ax),
    "plans": lambda ax: ms.plan_next(
        cider(), ms.Plan.every(["triangle", "duo-trio", "tetrad", "3-AFC"], [24, 36], [1, 2])
    ).plot(ax=ax),
    "one panel": lambda ax: ms.one_panel("triangle", 24, 10, margin=CIDER).plot(ax=ax),
    "one directed panel": lambda ax: ms.one_panel("2-AFC", 30, 9, margin=ms.Margin(d_prime=0.5)).plot(ax=ax),
    "answers": lambda ax: ms.one_panel("triangle", 30, 15).plot_answers(ax=ax),
    "answers below chance": lambda ax: ms.one_panel("2-AFC", 30, 9).plot_answers(ax=ax),
    "preference": lambda ax: ms.preference(coffee().panels).plot(ax=ax),
    "tasters": lambda ax: ms.pool(
        "datasets/cider_fining.csv", tastings=ms.read_tastings("datasets/cider_tastings.csv"), margin=CIDER
    ).tasters().plot(ax=ax),
    "effects": lambda ax: ms.serving_effects(ms.read_tastings("datasets/cider_tastings.csv")).plot(ax=ax),
    "size": lambda ax: ms.tasters_needed("triangle", p_d=0.3).plot(ax=ax),
    "protocols": lambda ax: figures.curves(
        D_PRIMES, {name: ms.protocol(name).p_d(D_PRIMES) for name in PROTOCOLS}, percent=True, ax=ax
    ),
    "two looks": lambda ax: ms.two_stage_plan("triangle", p_d=0.4).plot(ax=ax),
    "many looks": lambda ax: ms.sequential_plan("duo-trio", p_d=0.4).plot(ax=ax),
}  # fmt: skip


def laid_out(draw):
    figure = Figure()
    FigureCanvasAgg(figure)
    draw(figure)
    figure.canvas.draw()
    return figure


def texts(figure):
    """Every text that is drawn, with the extent of its letters, a little smaller than the box around them."""
    found, left_out = {}, undrawn(figure)
    for text in figure.findobj(Text):
        if text.get_text().strip() and text.get_visible() and id(text) not in left_out:
            box = Text.get_window_extent(text)  # of a name, without the line that leads to its point
            found[id(text)] = (text.get_text(), (box.x0 + 1, box.y0 + 2, box.x1 - 1, box.y1 - 2))
    return list(found.values())


def all_axes(figure):
    return [*figure.axes, *(child for outer in figure.axes for child in outer.child_axes)]


def undrawn(figure):
    """Labels of ticks beyond the ends of a scale exist and are not drawn; so do those of axes that are switched off."""
    found = set()
    for axes in all_axes(figure):
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks() + axis.get_minor_ticks():
                if not (axes.axison and low - 1e-9 <= tick.get_loc() <= high + 1e-9):
                    found |= {id(tick.label1), id(tick.label2)}
    return found


def ink(figure):
    """Points close together along every line and at every mark, in pixels."""
    found = [np.empty((0, 2))]
    for axes in all_axes(figure):
        for line in axes.lines:
            corners = line.get_transform().transform(np.asarray(line.get_xydata(), float))
            corners = corners[np.isfinite(corners).all(axis=1)]
            if line.get_marker() not in ("None", "", None):
                found.append(corners)
            if line.get_linestyle() != "None" and not line.get_drawstyle().startswith("steps"):
                found += [along(a, b) for a, b in pairwise(corners)]
            elif line.get_linestyle() != "None":
                for a, b in pairwise(corners):
                    corner = np.array([b[0], a[1]])
                    found += [along(a, corner), along(corner, b)]
        for group in axes.collections:
            if isinstance(group, LineCollection):
                parts = [group.get_transform().transform(part) for part in group.get_segments()]
                found += [along(part[0], part[-1]) for part in parts]
            elif isinstance(group, PathCollection):
                found.append(group.get_offset_transform().transform(group.get_offsets()))
    return np.concatenate(found)


def along(a, b):
    return np.linspace(a, b, max(int(np.hypot(*(b - a)) / 2), 2))


@pytest.mark.lab
@pytest.mark.parametrize("name", DRAWN)
def test_no_text_covers_a_text_a_point_or_a_line_is_small_or_outside(name):
    figure = laid_out(DRAWN[name])
    written, (x, y) = texts(figure), ink(figure).T
    assert len(written) > 1
    covered = [
        (one, other)
        for i, (one, a) in enumerate(written)
        for other, b in written[i + 1 :]
        if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
    ]
    assert not covered
    crossed = [
        text
        for text, (left, low, right, top) in written
        if np.any((x > left + 1) & (x < right - 1) & (y > low + 1) & (y < top - 1))
    ]
    assert not crossed
    width, height = figure.canvas.get_width_height()
    outside = [
        text
        for text, (left, low, right, top) in written
        if left < -1 or low < -1 or right > width + 1 or top > height + 1
    ]
    assert not outside
    sizes = [text.get_fontsize() for text in figure.findobj(Text) if text.get_text().strip()]
    assert min(sizes) >= SMALL


def test_the_check_itself_finds_what_it_looks_for():
    figure = Figure()
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    axes.plot([0, 1], [0, 1])
    axes.text(0.5, 0.5, "over the line", ha="center", va="center")
    figure.canvas.draw()
    x, y = ink(figure).T
    (left, low, right, top) = next(box for text, box in texts(figure) if text == "over the line")
    assert np.any((x > left) & (x < right) & (y > low) & (y < top))


def test_40_long_names_stay_40_names():
    labels = [tick.get_text() for tick in many(40, long_name).plot(ax=Figure()).get_yticklabels()]
    assert len(set(labels)) == 42
    assert all(f"{i:02d}" in " ".join(labels) for i in range(40))
