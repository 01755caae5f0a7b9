"""Names beside points: each where it covers nothing, with a line that leads to its point."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from metasense.showing.figures.look import INK, QUIET, SMALL

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Box = tuple[float, float, float, float]  # left, bottom, right, top
ANGLES = np.radians([25, -25, 155, -155, 45, -45, 135, -135, 65, -65, 115, -115, 80, -80, 100, -100, 8, -8, 172, -172])
DISTANCES = (12, 18, 26, 36, 48, 62, 80, 100, 125)  # points from point to name


def write_names(axes: Axes, places: Iterable[tuple[float, float, str]]) -> int:
    """Write each name near its place, off all that is drawn; gives how many found room. The figure is laid out first.

    Parameters
    ----------
    axes : Axes
        With everything else on it.
    places : iterable of (float, float, str)
        Points in the units of the axes, with their names.
    """
    figure = axes.figure.canvas.figure  # the whole, also where the axes stand in a part of it
    figure.draw_without_rendering()
    scale = figure.dpi / 72
    inside = axes.get_window_extent()
    frame = (inside.x0, inside.y0, inside.x1, inside.y1)
    drawn = _drawn(axes)
    marks = _marks(axes)
    boxes = [_box(text) for text in axes.texts if text.get_text()]
    done = 0
    for x, y, name in places:
        at = axes.transData.transform((x, y))
        text = axes.annotate(
            name, (x, y), (0, 0), textcoords="offset points", fontsize=SMALL, color=INK, parse_math=False, zorder=6,
            va="center", arrowprops={"arrowstyle": "-", "color": QUIET, "lw": 0.7, "shrinkA": 1, "shrinkB": 4},
        )  # fmt: skip
        left, low, right, top = _box(text)
        size = np.array([right - left, top - low])
        others = marks[np.hypot(*(marks - at).T) > 1.0]
        found = _room(at, size, scale, frame, drawn, boxes, others)
        found = found or _room(at, size, scale, frame, drawn, boxes, others[:0])  # nearer to another's, with a line
        if found is None:
            text.remove()
            continue
        offset, box = found
        text.set(position=tuple(offset / scale), ha="left" if offset[0] >= 0 else "right")
        boxes.append(box)
        line = np.linspace(at, at + offset, 40)[8:]
        drawn = np.concatenate([drawn, line])
        done += 1
    return done


def _room(
    at: NDArray[Any],
    size: NDArray[Any],
    scale: float,
    frame: Box,
    drawn: NDArray[Any],
    boxes: list[Box],
    others: NDArray[Any],
) -> tuple[NDArray[Any], Box] | None:
    """The nearest place for a name of this size: from its point, and as a box."""
    for distance in DISTANCES:
        for angle in ANGLES:
            offset = scale * distance * np.array([np.cos(angle), np.sin(angle)])
            left = at[0] + offset[0] - (0 if offset[0] >= 0 else size[0])
            low = at[1] + offset[1] - size[1] / 2
            box = (left - 2, low - 1, left + size[0] + 2, low + size[1] + 1)
            if box[0] < frame[0] or box[1] < frame[1] or box[2] > frame[2] or box[3] > frame[3]:
                continue
            lead = np.linspace(at, at + offset, 40)
            if len(others) and _away(box, others) < _away(box, at[None, :]) + 4:
                continue  # it would look like another's
            if not _holds(box, drawn) and not any(_meet(box, other) or _holds(other, lead) for other in boxes):
                return offset, box
    return None


def _marks(axes: Axes) -> NDArray[Any]:
    """Where the marks stand, in pixels."""
    from matplotlib.collections import PathCollection

    found = [np.empty((0, 2))]
    for drawn in axes.collections:
        if isinstance(drawn, PathCollection):
            found.append(axes.transData.transform(drawn.get_offsets()))
    return np.concatenate(found)


def _away(box: Box, points: NDArray[Any]) -> float:
    """How far the nearest of the points is from the box."""
    x, y = points.T
    aside = np.maximum(np.maximum(box[0] - x, x - box[2]), 0)
    above = np.maximum(np.maximum(box[1] - y, y - box[3]), 0)
    return float(np.hypot(aside, above).min())


def _drawn(axes: Axes) -> NDArray[Any]:
    """Points close together along every line and around every mark, in pixels."""
    from matplotlib.collections import LineCollection, PathCollection

    found = [np.empty((0, 2))]
    for line in axes.lines:
        corners = np.asarray(line.get_xydata(), float)
        if line.get_drawstyle() == "steps-post":
            corners = np.stack([np.repeat(corners[:, 0], 2)[1:], np.repeat(corners[:, 1], 2)[:-1]], axis=1)
        found.append(_along(line.get_transform().transform(corners)))
    for drawn in axes.collections:
        if isinstance(drawn, LineCollection):
            found += [_along(axes.transData.transform(part)) for part in drawn.get_segments()]
        elif isinstance(drawn, PathCollection):
            middle = axes.transData.transform(drawn.get_offsets())
            found += [middle + np.array([dx, dy]) for dx in (-4, 0, 4) for dy in (-4, 0, 4)]
    return np.concatenate(found)


def _along(corners: NDArray[Any]) -> NDArray[Any]:
    corners = corners[np.isfinite(corners).all(axis=1)]
    if len(corners) < 2:
        return corners
    far = np.hypot(*np.diff(corners, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(far)])
    at = np.linspace(0, along[-1], min(int(along[-1] / 3) + 2, 4000))
    return np.stack([np.interp(at, along, corners[:, i]) for i in (0, 1)], axis=1)


def _box(text: Any) -> Box:
    extent = text.get_window_extent()
    return extent.x0, extent.y0, extent.x1, extent.y1


def _holds(box: Box, points: NDArray[Any]) -> bool:
    x, y = points.T
    return bool(np.any((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3])))


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
