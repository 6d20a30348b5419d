"""One line chart as inline SVG: EO left over time with its band, legible in black and white.

Lines differ by dash as well as by colour, and each is labelled where it runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from eo_risk.output.html import Markup, tag
from eo_risk.output.numbers import significant

Scale = Literal["linear", "log"]

WIDTH, HEIGHT = 480, 290
_LEFT, _RIGHT, _TOP, _BOTTOM = 54, 14, 44, 42
_LETTER = 7.5  # width of a letter of a label, generously
_DECADES_SHOWN = 4.0
_SPAN_FOR_LOG = 20.0
_CHECK_HOURS = "hours since the end of the last air wash"


@dataclass(frozen=True)
class Band:
    """A curve with its band; amounts and hours as shown, shape (times,)."""

    hours: Sequence[float]
    p05: Sequence[float]
    p50: Sequence[float]
    p95: Sequence[float]


@dataclass(frozen=True)
class Mark:
    """A moment marked by a vertical line, or a level marked by a horizontal one."""

    value: float
    label: str
    dash: str


def fitting_scale(band: Band, limit: float | None) -> Scale:
    """Choose the axis: logarithmic when the picture spans more than a factor of twenty."""
    top = max([*band.p95, limit or 0.0])
    low = [value for value in (band.p50[-1], limit) if value and value > 0.0]
    return "log" if low and top / min(low) > _SPAN_FOR_LOG else "linear"


def _round_steps(low: float, high: float, count: int = 5) -> list[float]:
    span = high - low
    raw = span / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [step * k for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _log_steps(low: float, high: float) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    factors = (1.0, 2.0, 5.0) if high / low < 200.0 else (1.0,)
    steps = [m * 10.0**d for d in decades for m in factors]
    return [s for s in steps if low * (1 - 1e-9) <= s <= high * (1 + 1e-9)]


class Frame:
    """Turns hours and amounts into places in the picture."""

    def __init__(self, band: Band, limit: float | None, moments: Sequence[Mark], scale: Scale):
        self.last_h = max([*band.hours, *(m.value for m in moments), 1e-9])
        self.scale = scale
        top = max([*band.p95, limit or 0.0, 1e-12]) * (1.5 if scale == "log" else 1.08)
        low = 0.0
        if scale == "log":
            seen = [v for v in (*band.p05, *band.p50, limit or 0.0) if v > 0.0]
            low = max(min([*seen, top / 10.0]) / 1.5, top / 10.0**_DECADES_SHOWN)
        self.low, self.top = low, top

    def x(self, hours: float) -> float:
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * hours / self.last_h

    def y(self, amount: float) -> float:
        if self.scale == "log":
            amount = max(amount, self.low)
            share = math.log(amount / self.low) / math.log(self.top / self.low)
        else:
            share = amount / self.top
        return HEIGHT - _BOTTOM - (HEIGHT - _TOP - _BOTTOM) * share

    def points(self, hours: Sequence[float], amounts: Sequence[float]) -> str:
        pairs = zip(hours, amounts, strict=True)
        return " ".join(f"{self.x(h):.1f},{self.y(a):.1f}" for h, a in pairs)

    def amount_steps(self) -> list[float]:
        if self.scale == "log":
            return _log_steps(self.low, self.top)
        return _round_steps(0.0, self.top)


def axes(frame: Frame, y_title: str, x_title: str = _CHECK_HOURS) -> list[Markup]:
    """Draw both axes with their steps and titles; a title carries its unit."""
    bottom, right = HEIGHT - _BOTTOM, WIDTH - _RIGHT
    drawn = []
    for amount in frame.amount_steps():
        y = f"{frame.y(amount):.1f}"
        drawn.append(tag("line", x1=_LEFT, x2=right, y1=y, y2=y, class_="grid"))
        text = significant(amount, 2)
        drawn.append(tag("text", text, x=_LEFT - 6, y=y, dy="0.35em", text_anchor="end"))
    for hours in _round_steps(0.0, frame.last_h, 6):
        x = f"{frame.x(hours):.1f}"
        drawn.append(tag("line", x1=x, x2=x, y1=bottom, y2=bottom + 4, class_="axis"))
        text = significant(hours, 3)
        drawn.append(tag("text", text, x=x, y=bottom + 17, text_anchor="middle"))
    drawn.append(tag("line", x1=_LEFT, x2=right, y1=bottom, y2=bottom, class_="axis"))
    drawn.append(tag("line", x1=_LEFT, x2=_LEFT, y1=_TOP, y2=bottom, class_="axis"))
    middle = (_LEFT + right) / 2
    drawn.append(tag("text", x_title, x=middle, y=HEIGHT - 6, text_anchor="middle"))
    drawn.append(tag("text", y_title, x=4, y=13))
    return drawn


def moment_lines(frame: Frame, moments: Sequence[Mark]) -> list[Markup]:
    """Draw the vertical lines; labels step down so that near ones do not run together."""
    drawn = []
    for row, moment in enumerate(sorted(moments, key=lambda m: m.value)):
        x = frame.x(moment.value)
        y = _TOP - 16 + 13 * row
        left_side = x + _LETTER * len(moment.label) > WIDTH - _RIGHT
        drawn.append(
            tag("line", x1=f"{x:.1f}", x2=f"{x:.1f}", y1=y - 4, y2=HEIGHT - _BOTTOM,
                class_="moment", stroke_dasharray=moment.dash)
        )  # fmt: skip
        drawn.append(
            tag("text", moment.label, x=f"{x + (-4 if left_side else 4):.1f}", y=y + 4,
                text_anchor="end" if left_side else "start", class_="label")
        )  # fmt: skip
    return drawn


def limit_line(frame: Frame, limit: Mark) -> list[Markup]:
    """Draw the horizontal line of a limit with its label."""
    y = frame.y(limit.value)
    right = WIDTH - _RIGHT
    return [
        tag("line", x1=_LEFT, x2=right, y1=f"{y:.1f}", y2=f"{y:.1f}", class_="limit",
            stroke_dasharray=limit.dash),
        tag("text", limit.label, x=_LEFT + 6, y=f"{y - 4:.1f}", class_="label"),
    ]  # fmt: skip


def line_chart(
    band: Band, limit: Mark | None, moments: Sequence[Mark], y_title: str, description: str,
    scale: Scale | None = None,
) -> Markup:  # fmt: skip
    """Draw a curve with its band, a limit line and marked moments.

    Parameters
    ----------
    band : Band
        Median and 5 to 95 % points over hours.
    limit : Mark or None
        Horizontal line with its label.
    moments : sequence of Mark
        Vertical lines at hours, with their labels.
    y_title, description : str
        Title of the vertical axis with its unit; the sentence read out for the picture.
    scale : {"linear", "log"} or None
        Vertical axis; None chooses by the span of the picture.

    Returns
    -------
    Markup
        An ``svg`` element that needs nothing from outside.
    """
    level = None if limit is None else limit.value
    scale = scale or fitting_scale(band, level)
    frame = Frame(band, level, moments, scale)
    around = [*band.hours, *reversed(band.hours)], [*band.p95, *reversed(band.p05)]
    note = ", logarithmic axis" if scale == "log" else ""
    return tag(
        "svg",
        tag("title", description),
        axes(frame, y_title + note),
        tag("polygon", points=frame.points(*around), class_="band"),
        [tag("polyline", points=frame.points(band.hours, edge), class_="edge",
             stroke_dasharray="2 3") for edge in (band.p05, band.p95)],
        tag("polyline", points=frame.points(band.hours, band.p50), class_="middle"),
        limit_line(frame, limit) if limit else None,
        moment_lines(frame, moments),
        viewBox=f"0 0 {WIDTH} {HEIGHT}",
        role="img",
        class_="chart",
    )  # fmt: skip
