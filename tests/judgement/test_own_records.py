"""A site's own records: for which item they hold, and at which temperature."""

import json

import numpy as np
import pytest

from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import plasticiser_factor
from eo_risk.judgement.own_records import as_records, own_records
from eo_risk.judgement.risk import Draw
from eo_risk.output.answer import check_answer
from eo_risk.physics.properties import diffusivity_m2_per_s
from eo_risk.plan.load_plan import Part, read_plan
from eo_risk.plan.own_numbers import OwnRecord
from eo_risk.plan.site import resolve
from eo_risk.plan.site_file import parse_site
from eo_risk.units import celsius_to_kelvin


def own(**changed):
    """A record of our own, invented."""
    fields = {"id": "own D", "material": "silicone", "quantity": "diffusivity", "value": 2e-6,
              "low": 1.8e-6, "high": 2.2e-6, "unit": "cm2/s", "status": "measured",
              "source": "report 7", "locator": "table 1"}  # fmt: skip
    return OwnRecord(**fields | changed)


def test_at_its_own_temperature_it_is_what_was_measured():
    """Arrhenius there and back with one and the same energy per sample: nothing is added."""
    record = own(temperature_c=50.0)
    draw = Draw(1, 4096, own=as_records([record]))
    at_50c = diffusivity_m2_per_s("silicone", celsius_to_kelvin(50.0), draw)
    assert np.quantile(at_50c, [0.05, 0.5, 0.95]) == pytest.approx([1.8e-10, 2e-10, 2.2e-10],
                                                                   rel=2e-3)  # fmt: skip
    # Elsewhere the energy is not known exactly: the band is wider.
    at_25c = diffusivity_m2_per_s("silicone", celsius_to_kelvin(25.0), draw)
    cold = np.quantile(at_25c, [0.05, 0.95])
    assert cold[1] / cold[0] > 2.2 / 1.8
    assert cold[1] < 1.8e-10


def test_without_a_temperature_it_stands_where_the_shipped_record_stands():
    draw = Draw(1, 4096, own=as_records([own()]))
    at_25c = diffusivity_m2_per_s("silicone", celsius_to_kelvin(25.0), draw)
    assert np.median(at_25c) == pytest.approx(2e-10, rel=2e-3)


def test_another_quantity_cannot_be_given_at_another_temperature():
    with pytest.raises(ValueError, match=r"50 C\. Carry the number"):
        own(quantity="uptake", value=0.01, low=0.005, high=0.02, unit="L/g", temperature_c=25.0)


def test_a_record_of_a_device_wins_for_that_device_only():
    general, special = own(), own(id="own D 2", items=("scope",))
    for records in ([general, special], [special, general]):
        assert own_records(records, "scope")["silicone.diffusivity"].id == "own D 2"
        assert own_records(records, "mask")["silicone.diffusivity"].id == "own D"
    assert own_records([special], "mask") == own_records([special]) == {}


def test_an_item_with_its_own_record_keeps_every_other_number():
    """Same points: a record for one item moves neither its other records nor other items."""
    plain = Draw(1, 256)
    scope = plain.item("scope", as_records([own()]))
    assert scope.record("silicone.diffusivity").id == "own D"
    assert np.array_equal(scope("silicone.uptake"), plain("silicone.uptake"))
    assert not np.array_equal(scope("silicone.diffusivity"), plain("silicone.diffusivity"))
    # Sample by sample it is the shipped one moved, so that comparisons stay sharp.
    assert np.corrcoef(np.argsort(np.argsort(scope("silicone.diffusivity"))),
                       np.argsort(np.argsort(plain("silicone.diffusivity"))))[0, 1] > 0.999


SITE = """
[[device]]
name = "our mask"
parts = [{ name = "mask", material = "silicone", shape = "sheet", thickness_mm = 3, mass_g = 60 }]
packaging = "film_paper_pouch"
patient = { duration = "limited", body_mass_kg = 70 }
[[material_record]]
id = "our mask D"
material = "silicone"
quantity = "diffusivity"
value = 2e-8
low = 1.5e-8
high = 2.6e-8
unit = "cm2/s"
status = "measured"
source = "report 7"
locator = "table 1"
items = ["our mask"]
"""


def test_a_record_of_a_device_follows_it_under_another_name(demo):
    plan = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    plan["items"] = [{"device": "our mask", "name": "mask 2", "droplets_seen": "no"},
                     {**plan["items"][0]}]  # fmt: skip
    found = read_plan(resolve(plan, parse_site(SITE)))
    assert found.own_records[0].items == ("mask 2", "our mask")
    item = check_answer(check_plan(found, samples=128, seed=1))["items"][0]
    used = item["own_records"][0]
    assert (used["id"], used["replaces"]) == ("our mask D", "silicone.diffusivity")
    assert used["source"] == "report 7"
    assert {"id": "silicone.diffusivity", "class": "A"} in item["records"]
    # A record of a device that is not in the load is no part of the plan.
    plan["items"] = plan["items"][1:]
    assert read_plan(resolve(plan, parse_site(SITE))).own_records == ()


def test_the_plasticiser_content_moves_the_shipped_diffusivity_only():
    part = Part(name="wall", material="pvc_plasticised", plasticiser_percent=45.0)
    own_pvc = own(material="pvc_plasticised")
    shipped = ItemInputs(Draw(1, 64).item("tube"))
    measured = ItemInputs(Draw(1, 64).item("tube", as_records([own_pvc])))
    assert np.all(plasticiser_factor(part, shipped) > 1.0)
    assert plasticiser_factor(part, measured) == 1.0


def test_a_plan_saved_without_own_records_takes_those_of_the_site_in_use(demo):
    """A saved plan writes an empty list, which says no more than a missing key."""
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    raw["items"] = [{"device": "our mask", "droplets_seen": "no"}]
    raw["own_records"] = []
    found = read_plan(resolve(raw, parse_site(SITE)))
    assert [record.id for record in found.own_records] == ["our mask D"]
