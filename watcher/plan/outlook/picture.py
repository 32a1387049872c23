"""The frontier as a picture: chance of being heard against cost, every schedule of the family a dot."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence

from PIL import Image, ImageDraw

from watcher.plan.outlook.schedules import Candidate, Search

_Place = Callable[[float, float], tuple[float, float]]

SIZE = (900, 560)
_MARGIN = (70, 40, 30, 60)  # left, top, right, bottom
_INK, _PALE, _LINE = (30, 30, 30), (170, 170, 170), (0, 70, 140)


def frontier_picture(search: Search, cost_unit: str) -> bytes:
    """A PNG of 900 × 560 pixels.

    Raises
    ------
    ValueError
        The search holds no candidates.
    """
    if not search.candidates:
        raise ValueError("there are no candidates; a picture needs at least one")
    image = Image.new("RGB", SIZE, (255, 255, 255))
    draw = ImageDraw.Draw(image)
    left, top = _MARGIN[0], _MARGIN[1]
    right, bottom = SIZE[0] - _MARGIN[2], SIZE[1] - _MARGIN[3]
    dearest = max(each.cost for each in search.candidates)
    step = _round_step(dearest)
    end = step * (int(dearest / step) + 1)

    def place(cost: float, share: float) -> tuple[float, float]:
        return left + (right - left) * cost / end, bottom - (bottom - top) * share

    for percent in range(0, 101, 20):
        _, y = place(0, percent / 100)
        draw.line([(left, y), (right, y)], fill=(225, 225, 225))
        draw.text((left - 45, y - 6), f"{percent} %", fill=_INK)
    for number in range(round(end / step) + 1):
        x, _ = place(number * step, 0)
        draw.line([(x, bottom), (x, bottom + 5)], fill=_INK)
        draw.text((x - 10, bottom + 8), f"{number * step:g}", fill=_INK)
    draw.line([(left, top), (left, bottom), (right, bottom)], fill=_INK)
    for each in search.candidates:
        _dot(draw, place(each.cost, each.heard.share), 2, _PALE)
    _staircase(draw, search.frontier, place, right)
    if search.affordable_cost is not None and search.affordable_cost <= end:
        x, _ = place(search.affordable_cost, 0)
        draw.line([(x, top), (x, bottom)], fill=(180, 60, 0))
        draw.text((x + 4, top), "budget", fill=(180, 60, 0))
    draw.text((left, 10), f"heard within {search.within_h} h; a model, nobody should rely on it", fill=_INK)
    draw.text(((left + right) / 2 - 40, bottom + 32), cost_unit, fill=_INK)
    written = io.BytesIO()
    image.save(written, "PNG", optimize=True)
    return written.getvalue()


def _staircase(draw: ImageDraw.ImageDraw, frontier: Sequence[Candidate], place: _Place, right: float) -> None:
    points: list[tuple[float, float]] = []
    for each in frontier:
        x, y = place(each.cost, each.heard.share)
        if points:
            points.append((x, points[-1][1]))
        points.append((x, y))
    draw.line([*points, (right, points[-1][1])], fill=_LINE, width=2)
    for each in frontier:
        x, y = place(each.cost, each.heard.share)
        _, low = place(each.cost, each.heard.low)
        _, high = place(each.cost, each.heard.high)
        draw.line([(x, low), (x, high)], fill=_LINE)
        _dot(draw, (x, y), 3, _LINE)


def _dot(draw: ImageDraw.ImageDraw, at: tuple[float, float], radius: int, ink: tuple[int, int, int]) -> None:
    x, y = at
    draw.ellipse([x - radius, y - radius, x + radius, y + radius], fill=ink)


def _round_step(most: float) -> float:
    """A step of 1, 2 or 5 times a power of ten that gives five to twelve of them."""
    power = 1.0
    while most / power > 10:
        power *= 10
    while most / power <= 1:
        power /= 10
    return power * next(each for each in (0.2, 0.5, 1.0) if most / (power * each) <= 12)
