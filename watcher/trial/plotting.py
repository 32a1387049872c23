"""Small line plots as PNG, drawn by hand: axes, a grid, measured lines thick and theory dashed."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from itertools import pairwise

from PIL import Image, ImageDraw, ImageFont

from watcher.trial.bench_rows import Plot

WIDTH, HEIGHT = 560, 340
LEFT, RIGHT, TOP, BOTTOM = 56, 16, 30, 44
_INK, _LINE, _SOFT = (28, 33, 38), (200, 205, 208), (77, 86, 94)
_COLOURS = ((11, 79, 138), (138, 90, 0), (140, 29, 24), (40, 110, 60))  # apart in lightness too
_DASH = 6
_TICKS = 6

Point = tuple[float, float]


def plot_png(plot: Plot) -> bytes:
    """The plot as a PNG of 560 × 340 pixels."""
    image = Image.new("RGB", (WIDTH, HEIGHT), (255, 255, 255))
    draw = ImageDraw.Draw(image)
    font = ImageFont.load_default()
    xs = [x for curve in plot.curves for x in curve.x if not plot.log_x or x > 0]
    ys = [y for curve in plot.curves for y in curve.y]
    across, marks_x = _axis(xs, plot.log_x, LEFT, WIDTH - RIGHT)
    up, marks_y = _axis(ys, False, HEIGHT - BOTTOM, TOP)
    for x in marks_x:
        draw.line([(across(x), TOP), (across(x), HEIGHT - BOTTOM)], fill=_LINE)
        draw.text((across(x), HEIGHT - BOTTOM + 4), _mark(x), fill=_SOFT, font=font, anchor="ma")
    for y in marks_y:
        draw.line([(LEFT, up(y)), (WIDTH - RIGHT, up(y))], fill=_LINE)
        draw.text((LEFT - 5, up(y)), _mark(y), fill=_SOFT, font=font, anchor="rm")
    draw.rectangle([LEFT, TOP, WIDTH - RIGHT, HEIGHT - BOTTOM], outline=_INK)
    draw.text((LEFT, 8), f"{plot.title}: {plot.y_label}", fill=_INK, font=font)
    draw.text((WIDTH - RIGHT, HEIGHT - 14), plot.x_label, fill=_INK, font=font, anchor="rm")
    place = LEFT
    for number, curve in enumerate(plot.curves):
        colour = _COLOURS[number // 2 % 4 if any(c.is_theory for c in plot.curves) else number % 4]
        points = [
            (across(x), up(y)) for x, y in zip(curve.x, curve.y, strict=True) if not plot.log_x or x > 0
        ]
        _line(draw, points, colour, dashed=curve.is_theory)
        _line(draw, [(place, HEIGHT - 14), (place + 18, HEIGHT - 14)], colour, dashed=curve.is_theory)
        draw.text((place + 22, HEIGHT - 14), curve.name, fill=_INK, font=font, anchor="lm")
        place += 34 + round(draw.textlength(curve.name, font=font))
    stream = io.BytesIO()
    image.quantize(16).save(stream, "PNG", optimize=True)
    return stream.getvalue()


def _axis(
    values: list[float], is_log: bool, first: float, last: float
) -> tuple[Callable[[float], float], list[float]]:
    """From a value to its pixel, and where the marks stand."""
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    if is_log:
        low, high = math.log10(low), math.log10(high)
    if high - low < 1e-12:
        low, high = low - 0.5, high + 0.5
    step = _round_step((high - low) / _TICKS)
    count = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    marks = [number * step for number in count]
    if is_log:
        decades = range(math.floor(low), math.ceil(high) + 1)
        within = (1, 2, 5) if len(decades) <= 3 else (1,)
        marks = [math.log10(n * 10.0**d) for d in decades for n in within]
        marks = [mark for mark in marks if low - 1e-9 <= mark <= high + 1e-9]

    def place(value: float) -> float:
        at = math.log10(value) if is_log else value
        return first + (last - first) * (at - low) / (high - low)

    return place, [10**mark for mark in marks] if is_log else marks


def _mark(value: float) -> str:
    """A mark's figure without the dust of binary fractions."""
    return f"{round(value, 10):g}".replace("-", "\N{MINUS SIGN}")


def _round_step(step: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(step))
    return next(power * each for each in (1, 2, 5, 10) if power * each >= step * (1 - 1e-9))


def _line(
    draw: ImageDraw.ImageDraw, points: list[Point], colour: tuple[int, int, int], *, dashed: bool
) -> None:
    if not dashed:
        draw.line(points, fill=colour, width=2)
        return
    walked = 0.0
    for (x0, y0), (x1, y1) in pairwise(points):
        length = math.hypot(x1 - x0, y1 - y0)
        at = 0.0
        while at < length:
            piece = min(_DASH - walked % _DASH, length - at)
            if (walked // _DASH) % 2 == 0:
                begin, end = at / length, (at + piece) / length
                draw.line(
                    [(x0 + (x1 - x0) * t, y0 + (y1 - y0) * t) for t in (begin, end)], fill=colour, width=1
                )
            at += piece
            walked += piece
