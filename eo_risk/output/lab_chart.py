"""Picture of a dissipation curve: results, lines with their limits, layer model, limit."""

from __future__ import annotations

import math

from eo_risk.output.html import Markup, tag
from eo_risk.output.lab_wording import percent_text
from eo_risk.output.numbers import hours_up, with_unit
from eo_risk.output.style import CHART
from eo_risk.output.svg_chart import (
    HEIGHT,
    WIDTH,
    Band,
    Frame,
    Mark,
    axes,
    limit_line,
    moment_lines,
)

_NAMES = {"pooled": "pooled", "lots": "by lots", "tail": "slow tail"}
_DASHES = {"pooled": "7 3", "lots": "2 3", "tail": "9 3 2 3"}
_SVG = "http://www.w3.org/2000/svg"
_PHYSICS_DASH = "1 4"
_LEAST_SHARE = 30.0  # how far below the least result or limit the picture reaches


def _lines(answer: dict) -> list[tuple[str, str, list[float], list[float]]]:
    """List every upper limit as (label, dash, hours, amounts)."""
    picture = answer["picture"]
    percent = percent_text(answer["confidence"])
    found = [(f"{_NAMES[name]}, {percent} limit", _DASHES[name],
              picture["hours"], amounts)
             for name, amounts in picture["upper_mg"].items()]  # fmt: skip
    if answer["physics"]:
        drawn = answer["physics"]["picture"]
        label = f"layer model, {percent} limit"
        found.append((label, _PHYSICS_DASH, drawn["hours"], drawn["upper_mg"]))
    return found


def _frame(answer: dict, moments: list[Mark]) -> Frame:
    """Choose the axes: to the last hour drawn, and not far below what matters."""
    rows = [r for r in answer["results"] if r["used"] and r["substance"] == answer["substance"]]
    amounts = [r["amount_mg"] for r in rows]
    last = max(answer["picture"]["hours"][-1], *(r["aeration_h"] for r in rows))
    least = min([*amounts, answer["limit_mg"]]) / 2.0
    top = max([*amounts, answer["limit_mg"], *answer["picture"]["upper_mg"].get("pooled", [])[:1]])
    least = max(least, min(amounts) / _LEAST_SHARE)
    return Frame(Band([0.0, last], [least] * 2, [least] * 2, [top] * 2), answer["limit_mg"],
                  moments, "log")  # fmt: skip


def _result(frame: Frame, row: dict, shape: int) -> Markup:
    """Draw one result: one sign per lot, hollow and pointing down below detection."""
    x, y = frame.x(row["aeration_h"]), frame.y(row["amount_mg"])
    if row["below"]:
        points = f"{x - 4:.1f},{y - 3:.1f} {x + 4:.1f},{y - 3:.1f} {x:.1f},{y + 4:.1f}"
        return tag("polygon", points=points, fill="#fff", stroke="#1a1d21")
    if shape % 3 == 0:
        return tag("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=3.2, fill="#1a1d21")
    if shape % 3 == 1:
        return tag("rect", x=f"{x - 3:.1f}", y=f"{y - 3:.1f}", width=6, height=6, fill="#fff",
                   stroke="#1a1d21", stroke_width=1.4)  # fmt: skip
    points = f"{x - 4:.1f},{y + 3:.1f} {x + 4:.1f},{y + 3:.1f} {x:.1f},{y - 4:.1f}"
    return tag("polygon", points=points, fill="#7a828c", stroke="#1a1d21")


def _clipped(frame: Frame, hours: list[float], amounts: list[float]) -> str:
    """Points of a line as far as the axes reach."""
    pairs = [(h, a) for h, a in zip(hours, amounts, strict=True)
             if h <= frame.last_h and frame.low <= a <= frame.top]  # fmt: skip
    return frame.points([h for h, _ in pairs], [a for _, a in pairs])


def _key(entries: list[tuple[str, str, str]]) -> list[Markup]:
    """Draw the key of the lines below the picture."""
    drawn = []
    for i, (label, look, dash) in enumerate(entries):
        x, y = 56 + 210 * (i % 2), HEIGHT + 10 + 15 * (i // 2)
        drawn.append(tag("line", x1=x, x2=x + 28, y1=y, y2=y, class_=look,
                         stroke="#1a1d21", stroke_dasharray=dash or None))  # fmt: skip
        drawn.append(tag("text", label, x=x + 34, y=y + 4))
    return drawn


def chart_sentence(answer: dict) -> str:
    """Say what the picture shows."""
    release = answer["release_h"]
    limit = with_unit(answer["limit_mg"], "mg")
    end = f"not every one falls below {limit}" if release is None else (
        f"the last one falls below {limit} at {hours_up(release)}")  # fmt: skip
    layer = "; the layer model fitted beside it" if answer["physics"] else ""
    return (f"Residue of {answer['substance']} per device over aeration with the fitted line and "
            f"its upper limits: {end}{layer}.")  # fmt: skip


def lab_chart(answer: dict, *first: Markup, **attributes: str) -> Markup:
    """Draw the curve of an answer of ``lab`` on a logarithmic axis.

    Every result of the substance that was used, the fitted line, the upper limit of every
    model, the layer model when it was fitted, the limit and the release time. `first` and
    `attributes` go to the head of the picture.
    """
    release = answer["release_h"]
    moments = [] if release is None else [Mark(release, f"release {hours_up(release)}", "5 3")]
    frame = _frame(answer, moments)
    named = "screening reference" if answer["limit_kind"] == "screening" else "limit"
    limit = Mark(answer["limit_mg"], f"{named} {with_unit(answer['limit_mg'], 'mg')}", "8 3 2 3")
    picture = answer["picture"]
    fitted = next(iter(picture["fitted_mg"].values()))
    lines = _lines(answer)
    signs = {lot: i for i, lot in enumerate(answer["lots"])}
    results = [r for r in answer["results"]
               if r["used"] and r["substance"] == answer["substance"]
               and r["group"] == answer["group"]]  # fmt: skip
    layer = answer["physics"]
    entries = [("fitted line", "middle", ""),
               *((label, "edge", dash) for label, dash, _, _ in lines)]  # fmt: skip
    if layer:
        entries.append(("layer model, median", "edge", ""))
    height = HEIGHT + 16 + 15 * math.ceil(len(entries) / 2)
    return tag(
        "svg",
        first,
        tag("title", chart_sentence(answer)),
        axes(frame, "mg per device, logarithmic axis", "hours after the end of the cycle"),
        tag("polyline", points=_clipped(frame, picture["hours"], fitted), class_="middle"),
        [tag("polyline", points=_clipped(frame, hours, amounts), class_="edge",
             stroke_dasharray=dash) for _, dash, hours, amounts in lines],
        tag("polyline", points=_clipped(frame, layer["picture"]["hours"],
                                        layer["picture"]["level_mg"]["p50"]), class_="edge")
        if layer else None,
        limit_line(frame, limit),
        moment_lines(frame, moments),
        [_result(frame, row, signs[row["lot"]]) for row in results],
        _key(entries),
        viewBox=f"0 0 {WIDTH} {height}",
        role="img",
        class_="chart",
        **attributes,
    )  # fmt: skip


def lab_picture(answer: dict) -> str:
    """Draw the chart as an SVG image of its own, with its style."""
    return str(lab_chart(answer, tag("style", Markup(CHART)), xmlns=_SVG))
