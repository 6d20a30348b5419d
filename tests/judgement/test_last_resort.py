"""A material that is not listed: the food-contact correlation, a factor of 30, and a Hold."""

import json

import numpy as np
import pytest

from eo_risk import reference
from eo_risk.errors import InputError
from eo_risk.judgement.assess import check_plan, load_context
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import layer_stages, packaging_transfer, part_model
from eo_risk.judgement.risk import Draw
from eo_risk.output.answer import check_answer
from eo_risk.physics.properties import diffusivity_m2_per_s
from eo_risk.plan.load_plan import read_plan
from eo_risk.units import celsius_to_kelvin


@pytest.fixture
def raw(demo):
    return json.loads((demo / "unlisted_material.json").read_text(encoding="utf-8"))


def answer_of(raw):
    return check_answer(check_plan(read_plan(raw), samples=128, seed=1, advise=False))


def codes(answer):
    return {(c["code"], c["level"]) for c in answer["items"][0]["cautions"]}


def test_it_is_a_hold_with_its_own_caution_and_nothing_else_blocks(raw):
    answer = answer_of(raw)
    assert answer["verdict"] == "Hold"
    assert {c for c, level in codes(answer) if level == "block"} == {"correlation_only"}
    item = answer["items"][0]
    assert item["class"] == "C"
    assert {"id": "food_contact_pbt.diffusivity", "class": "C"} in item["records"]
    # The band is computed nevertheless: somebody must know what to measure.
    eo = next(r for r in item["residues"] if r["substance"] == "EO")
    assert 0.0 < eo["p05"] < eo["p50"] < eo["p95"]


def test_a_coat_of_it_is_a_hold_too(raw):
    part = {"name": "core", "material": "silicone", "shape": "sheet", "thickness_mm": 2.0,
            "mass_g": 25, "faces": 2, "coating": {"material": "food_contact_acrylate_adhesive",
                                                  "thickness_mm": 0.05}}  # fmt: skip
    raw["items"][0]["parts"] = [part]
    assert ("correlation_only", "block") in codes(answer_of(raw))
    del part["coating"]
    assert ("correlation_only", "block") not in codes(answer_of(raw))


def test_a_measured_diffusivity_of_the_site_lifts_it(raw):
    raw["own_records"] = [{
        "id": "PBT plug", "material": "food_contact_pbt", "quantity": "diffusivity",
        "value": 2e-11, "low": 1e-11, "high": 4e-11, "unit": "cm2/s", "status": "measured",
        "source": "report 9", "locator": "table 1",
    }]  # fmt: skip
    answer = answer_of(raw)
    assert "correlation_only" not in {code for code, _ in codes(answer)}
    assert answer["items"][0]["own_records"][0]["replaces"] == "food_contact_pbt.diffusivity"


def test_it_is_legal_only_by_its_full_name(raw):
    raw["items"][0]["parts"][0]["material"] = "PBT"
    with pytest.raises(InputError, match=r"items\[0\].parts\[0\].material.*food_contact_"):
        read_plan(raw)


def test_a_factor_of_30_either_way_at_25_c():
    """Values at 25 C by the correlation (Begley et al. 2005): PBT 4.2e-12, PA66 9.3e-12 cm2/s."""
    draw = Draw(1, 4096)
    for name, expected in (("pbt", 4.2e-12), ("pa66", 9.3e-12)):
        found = diffusivity_m2_per_s(f"food_contact_{name}", celsius_to_kelvin(25.0), draw)
        points = np.quantile(found, (0.05, 0.5, 0.95)) * 1e4
        assert points == pytest.approx([expected / 30, expected, expected * 30], rel=0.03)


def test_a_warm_aerator_gets_no_more_credit_than_the_correlation_gives():
    """Its activation energies, 87 to 100 kJ/mol, are too steep for EO: smaller ones count too."""
    for material in reference.materials().values():
        if material.correlation:
            record = reference.record(f"{material.id}.activation")
            assert record.low == 36.0 < record.value == record.high <= 101.0


def test_the_density_given_with_the_part_counts(raw):
    """Uptake is per gram: at equal mass a denser part is smaller and holds as much EO."""
    raw["items"][0]["parts"][0]["material"] = "silicone"
    sizes, capacities = [], []
    for density in (0.9, 1.8):
        raw["items"][0]["parts"][0]["density_g_per_cm3"] = density
        context = load_context(read_plan(raw), 64, 1, follow=False)
        item = context.plan.items[0]
        inputs = ItemInputs(context.draw.item("one"))
        model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
        stage = layer_stages(model, context.timeline.aeration, inputs)[0]
        sizes.append(model.volume_m3)
        capacities.append(stage.gas_ratio * model.volume_m3)
    assert sizes[0] == pytest.approx(2.0 * sizes[1])
    assert sizes[0] == pytest.approx(25e-3 / 900.0)
    assert capacities[0] == pytest.approx(capacities[1])
