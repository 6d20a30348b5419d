"""The picture of EO left: axis, limit, marks and the sentence beside it."""

import re

import numpy as np
import pytest

from eo_risk.output.item_page import curve_chart, curve_sentence
from eo_risk.output.svg_chart import Band, Mark, fitting_scale, line_chart


def band(start, rate, factor=1.5):
    hours = np.linspace(0.0, 24.0, 25)
    middle = start * np.exp(-rate * hours)
    return Band(hours.tolist(), (middle / factor).tolist(), middle.tolist(),
                (middle * factor).tolist())  # fmt: skip


def line_points(svg, name):
    points = re.search(rf'points="([^"]*)" class="{name}"', svg)[1]
    return np.array([[float(v) for v in pair.split(",")] for pair in points.split()])


def test_the_axis_follows_the_span_of_the_picture():
    assert fitting_scale(band(10.0, 0.02), 8.0) == "linear"
    assert fitting_scale(band(100.0, 0.3), 8.0) == "log"
    assert fitting_scale(band(10.0, 0.02), 0.05) == "log"


def test_exponential_release_is_a_straight_line_on_the_logarithmic_axis():
    svg = line_chart(band(100.0, 0.2), None, (), "EO, mg", "falls", "log")
    x, y = line_points(svg, "middle").T
    straight = y[0] + (y[-1] - y[0]) * (x - x[0]) / (x[-1] - x[0])
    np.testing.assert_allclose(y, straight, atol=0.11)  # points are drawn to 0.1


def test_amounts_fall_on_the_linear_axis_in_proportion():
    svg = line_chart(band(10.0, 0.05), Mark(6.0, "limit 6 mg", "4"), (), "EO, mg", "falls",
                     "linear")  # fmt: skip
    y = line_points(svg, "middle")[:, 1]
    zero = 290 - 42  # the axis stands at the bottom margin
    expected = np.exp(-0.05 * np.linspace(0.0, 24.0, 25))
    np.testing.assert_allclose((zero - y) / (zero - y[0]), expected, atol=1e-3)
    limit = float(re.search(r'y1="([\d.]+)"[^>]*class="limit"', svg)[1])
    assert (zero - limit) / (zero - y[0]) == pytest.approx(0.6, abs=1e-3)


def test_every_point_stays_inside_the_picture_even_at_zero():
    empty = Band([0.0, 12.0, 24.0], [0.0, 0.0, 0.0], [5.0, 1e-9, 0.0], [9.0, 1.0, 0.0])
    for scale in ("linear", "log", None):
        svg = line_chart(empty, Mark(4.0, "limit", "4"), (), "EO, mg", "falls", scale)
        for name in ("band", "middle"):
            points = line_points(svg, name)
            assert points[:, 0].min() >= 0.0
            assert points[:, 0].max() <= 480.0
            assert points[:, 1].min() >= 0.0
            assert points[:, 1].max() <= 290.0


def test_lines_differ_by_dash_and_are_labelled(answer):
    svg = curve_chart(answer["items"][0], 14.0)
    dashes = re.findall(r'class="(?:limit|moment|edge)" stroke-dasharray="([^"]+)"', svg)
    assert len(set(dashes)) == 4
    for label in ("limit 4 mg, first 24 h", "planned 14 h", "needed 17 h"):
        assert label in svg
    assert curve_sentence(answer["items"][0], 14.0) in svg  # read out for the picture


def test_the_sentence_says_when_the_upper_bound_comes_inside(answer):
    item = answer["items"][0]
    hours, upper = np.array(item["curve"]["hours"]), np.array(item["curve"]["eo_mg"]["p95"])
    first = hours[np.flatnonzero(upper > 4.0)[-1] + 1]
    said = curve_sentence(item, 14.0)
    assert f"stays inside 4 mg from {first:g} h on" in said
    assert "Planned aeration ends at 14 h; needed: 17 h." in said
    item["curve"]["eo_mg"]["p95"][-1] = 5.0
    assert "still above 4 mg at the end of the picture" in curve_sentence(item, 14.0)
    item["residues"] = []
    assert "No limit in mg per piece is drawn" in curve_sentence(item, None)
