"""How a lumen was emptied and what its rinse water was, as a plan tells it."""

import copy
import json

import pytest

from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import read_plan


@pytest.fixture
def raw(demo):
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["items"] = [raw["items"][1]]
    return raw


def item_of(raw, emptied=None, **item):
    raw = copy.deepcopy(raw)
    raw["items"][0] |= item
    if emptied is not None:
        raw["items"][0]["lumens"][0] |= {"emptied": emptied, "drying": [], "blocked": "no"}
    return check_plan(read_plan(raw), samples=128, advise=False).items[0]


def lumen_mg(item):
    place = next(p for p in item.water_by_place if p.place == "plug")
    return place.after_drying.p50 * 1e6


def test_a_lumen_hung_upright_keeps_its_hanging_plug_only(raw):
    coiled = lumen_mg(item_of(raw, {"how": "hung", "orientation": "coiled"}))
    upright = lumen_mg(item_of(raw, {"how": "hung", "orientation": "vertical"}))
    unknown = lumen_mg(item_of(raw, {"how": "hung"}))
    # 23 uL per mm of bore times (1 + cos theta): some 130 mg, and a film, of 4.9 g.
    assert 80.0 < upright < 400.0 < coiled
    assert unknown == coiled


def test_a_measured_flow_stands_for_the_pressure_it_needs(raw):
    # 0.5 bar drives 47 NL/min through 3 mm x 700 mm (`water lumen` prints it).
    air = {"how": "air", "seconds": 30}
    pressed = lumen_mg(item_of(raw, air | {"pressure_gauge_bar": 0.5}))
    measured = lumen_mg(item_of(raw, air | {"flow_nl_per_min": 47}))
    assert measured == pytest.approx(pressed, rel=0.02)


@pytest.mark.parametrize(("ph", "faster"), [(3, True), (7, False), (12, True)])
def test_acid_and_alkali_carried_over_speed_glycol_up(raw, ph, faster):
    def glycol(item):
        row = next(r for r in item.residues if r.substance == "EG" and r.model == "film")
        return row.band.p50

    plain, held = glycol(item_of(raw)), glycol(item_of(raw, rinse_ph=ph))
    assert held > 1.5 * plain if faster else held == pytest.approx(plain, rel=0.01)


@pytest.mark.parametrize(
    "ph",
    [3, 7, 12, pytest.param(6, marks=pytest.mark.slow), pytest.param(8, marks=pytest.mark.slow)],
)
def test_a_ph_takes_nothing_from_the_acid_of_a_co2_mixture(raw, ph):
    """In 8.5/91.5 by mass CO2 holds water at pH 3.7 (computed from its records); 7 is no base."""
    raw["cycle"] |= {"gas": {"eo_mass_percent": 8.5, "balance": "co2"}, "total_pressure_kpa": 470,
                     "washes": raw["cycle"]["washes"] | {"high_kpa": 95}}  # fmt: skip

    def rows(item, substance):
        return [r.band for r in item.residues if r.substance == substance and r.model == "film"]

    saline = {"rinse_water": "saline"}
    plain, held = item_of(raw, **saline), item_of(raw, rinse_ph=ph, **saline)
    # Where alkali turns more EO into glycol, less of it is left to meet the chloride.
    for substance in ("EG", "ECH") if ph < 10 else ("EG",):
        for own, given in zip(rows(plain, substance), rows(held, substance), strict=True):
            assert given.p50 >= (1 - 1e-9) * own.p50
            assert given.p95 >= (1 - 1e-9) * own.p95
    fresh, held = item_of(raw), item_of(raw, rinse_ph=ph)
    own, given = rows(fresh, "EG")[0], rows(held, "EG")[0]
    if 6 <= ph <= 8:
        assert given.p50 == pytest.approx(own.p50, rel=0.01)
    else:
        assert given.p50 > 1.3 * own.p50
