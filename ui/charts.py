"""EO left over aeration time against its limit, as a chart with its band."""

from __future__ import annotations

import altair as alt
import pandas as pd

from eo_risk.output.item_page import drawn_limit, needed_in_picture
from eo_risk.output.numbers import hours_up, with_unit

_INK, _BAND, _LINE, _LIMIT = "#1a1d21", "#b9c7d2", "#0b3f5c", "#8f2d0b"
_DECADES = 1e4  # how far down a logarithmic axis reaches
_X = alt.X("hours:Q", title="Hours since the end of the last air wash (h)")


def _frame(item: dict, log: bool) -> pd.DataFrame:
    eo = item["curve"]["eo_mg"]
    frame = pd.DataFrame({"hours": item["curve"]["hours"], **eo})
    if log:
        floor = max(max(eo["p95"]), 1e-9) / _DECADES
        frame[["p05", "p50", "p95"]] = frame[["p05", "p50", "p95"]].clip(lower=floor)
    return frame


def _moment(hours: float, text: str, dash: list[int]) -> alt.LayerChart:
    data = pd.DataFrame({"hours": [hours], "text": [text]})
    rule = alt.Chart(data).mark_rule(color=_INK, strokeDash=dash).encode(x="hours:Q")
    label = alt.Chart(data).mark_text(align="left", dx=4, color=_INK, fontWeight="bold")
    return rule + label.encode(x="hours:Q", y=alt.value(8 if dash[0] == 7 else 22), text="text:N")


def _limit(row: dict) -> alt.LayerChart:
    text = f"limit {with_unit(row['limit'], 'mg')}"
    data = pd.DataFrame({"limit": [row["limit"]], "text": [text]})
    rule = alt.Chart(data).mark_rule(color=_LIMIT, strokeDash=[10, 4], size=2).encode(y="limit:Q")
    label = alt.Chart(data).mark_text(align="left", dy=-7, color=_LIMIT, fontWeight="bold")
    return rule + label.encode(x=alt.value(6), y="limit:Q", text="text:N")


def curve(item: dict, planned_h: float | None, log: bool) -> alt.LayerChart:
    """Draw EO left in one piece with its 5 to 95 % band, limit, planned and needed hours."""
    data = alt.Chart(_frame(item, log))
    scale = alt.Scale(type="log") if log else alt.Scale(zero=True)
    title = "EO left in one piece (mg)"
    area = data.mark_area(color=_BAND, opacity=0.6).encode(
        x=_X, y=alt.Y("p05:Q", title=title, scale=scale), y2="p95:Q"
    )
    layers = [area]
    for edge in ("p05", "p95"):
        layers.append(data.mark_line(color=_LINE, strokeDash=[2, 3], size=1)
                      .encode(x=_X, y=alt.Y(f"{edge}:Q", title=title)))  # fmt: skip
    layers.append(data.mark_line(color=_LINE, size=2.5).encode(x=_X, y=alt.Y("p50:Q", title=title)))
    row = drawn_limit(item)
    if row:
        layers.append(_limit(row))
    if planned_h is not None:
        layers.append(_moment(planned_h, f"planned {with_unit(planned_h, 'h')}", [7, 3]))
    needed_h = needed_in_picture(item, planned_h)
    if needed_h is not None:
        layers.append(_moment(needed_h, f"needed {hours_up(needed_h)}", [4, 3]))
    return alt.layer(*layers).properties(height=300)
