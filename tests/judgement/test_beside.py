"""What stands wet beside a dry instrument: legal, counted, and said."""

import copy
import json

import pytest

from eo_risk import reference
from eo_risk.errors import InputError
from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import read_plan

SAMPLES = 128


@pytest.fixture
def raw(demo):
    return json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))


def item_of(raw, *things, **external):
    raw = copy.deepcopy(raw)
    raw["items"][0]["beside"] = list(things)
    raw["items"][0]["external_water"] |= external
    return check_plan(read_plan(raw), samples=SAMPLES, advise=False).items[0]


@pytest.fixture(scope="module")
def plain(demo):
    """The first item with nothing beside it."""
    return item_of(json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8")))


def neighbours(item):
    return [caution.where for caution in item.cautions if caution.code == "wet_neighbour"]


def outside_kg(item):
    return next(p for p in item.water_by_place if p.place == "outside").after_drying


@pytest.mark.parametrize(
    ("thing", "low_g", "high_g"),
    [
        # The records: a tray holds 2 to 20 g, a container lid with gasket 1 to 10 g.
        ({"kind": "tray", "state": "dripping"}, 2, 20),
        ({"kind": "tray"}, 2, 20),
        ({"kind": "container", "state": "drained"}, 1, 10),
        ({"kind": "gasket"}, 1, 10),
        # 0.3 to 2 mg per cm2 once drained for a minute, on 1000 cm2.
        ({"kind": "tray", "state": "drained", "area_cm2": 1000}, 0.3, 2),
        # Damp holds a tenth, soaked 2.5 times its dry mass (from memory).
        ({"kind": "textile", "state": "damp", "dry_mass_g": 50}, 2.5, 10),
        ({"kind": "textile", "state": "soaked", "dry_mass_g": 50}, 75, 200),
        ({"kind": "textile", "dry_mass_g": 50}, 2.5, 200),
        ({"kind": "tray", "measured_mg": 4000, "scale_error_mg": 100}, 3.8, 4.2),
    ],
)
def test_wet_things_beside_are_counted_and_cautioned(raw, plain, thing, low_g, high_g):
    wet = item_of(raw, thing)
    added_g = (outside_kg(wet).p50 - outside_kg(plain).p50) * 1e3
    assert low_g <= added_g <= high_g
    assert [where.split(":")[0] for where in neighbours(wet)] == [thing["kind"]]
    assert "mg of water" in neighbours(wet)[0]
    assert neighbours(plain) == []


@pytest.mark.parametrize(
    "thing",
    [{"kind": "tray", "state": "dry"}, {"kind": "textile", "state": "dry", "dry_mass_g": 50}],
)
def test_dry_things_change_nothing(raw, plain, thing):
    dry = item_of(raw, thing)
    assert outside_kg(dry) == outside_kg(plain)
    assert neighbours(dry) == []


def test_an_unknown_state_never_holds_less_than_a_dry_one(raw, plain):
    for kind in ("tray", "container", "gasket", "textile"):
        assert outside_kg(item_of(raw, {"kind": kind})).p05 > outside_kg(plain).p05


def test_drying_the_instrument_does_not_dry_the_towel_beside_it(raw):
    wiped = {"drying": [{"method": "towel"}]}
    towel = item_of(raw, textile_g=100, **wiped)
    least = reference.record("water.textile.unknown").low_si * 0.1
    assert outside_kg(towel).p05 > least
    assert neighbours(towel)


def test_weighing_the_instrument_says_nothing_about_its_tray(raw):
    weighed = item_of(raw, {"kind": "tray"}, measured_mg=0)
    assert outside_kg(weighed).p05 > 1e-3


@pytest.mark.parametrize(
    ("thing", "where"),
    [
        ({"kind": "tray", "state": "soaked"}, "state"),
        ({"kind": "textile", "state": "dripping"}, "state"),
        ({"kind": "basin"}, "kind"),
        ({"kind": "tray", "area_cm2": -1}, "area_cm2"),
    ],
)
def test_what_does_not_fit_is_refused(raw, thing, where):
    with pytest.raises(InputError) as caught:
        item_of(raw, thing)
    assert [fault.where for fault in caught.value.faults] == [f"items[0].beside[0].{where}"]
