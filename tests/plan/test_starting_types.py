"""Starting types: a type fills an item, the user's own value replaces it field by field."""

import pytest

from eo_risk import reference
from eo_risk.errors import InputError
from eo_risk.plan.load_plan import Item
from eo_risk.plan.starting_types import (
    fill_from_type,
    from_starting_type,
    starting_ranges,
    starting_type,
)

TYPES = sorted(reference.item_types())


def chosen(kind, **own):
    return Item.model_validate(fill_from_type({"name": "x", "starting_type": kind, **own}))


def test_there_are_enough_types_and_all_are_estimates():
    assert len(TYPES) >= 25
    assert {kind.status for kind in reference.item_types().values()} == {"estimated"}


@pytest.mark.parametrize("kind", TYPES)
def test_every_type_fills_an_item_and_gives_a_range_for_each_size(kind):
    item = chosen(kind)
    ranges = starting_ranges(item)
    shape = item.parts[0].shape
    size = {"tube": "wall_mm", "sheet": "thickness_mm", "rod": "outer_diameter_mm"}[shape]
    needed = {"parts[0].mass_g", f"parts[0].{size}", "external_water.area_cm2"}
    if item.lumens:
        needed |= {"lumens[0].bore_mm", "lumens[0].length_mm"}
        assert item.lumens[0].open_ends in (0, 1, 2)
    assert needed <= set(ranges)
    assert all(0.0 < low <= value <= high for low, value, high, _ in ranges.values())
    assert item.parts[0].material in reference.materials()
    assert item.joints is not None


def test_an_own_value_replaces_the_range_of_its_field_only():
    before = starting_ranges(chosen("silicone_tube_thin"))
    item = chosen(
        "silicone_tube_thin",
        parts=[{"wall_mm": 1.1}],
        lumens=[{"bore_mm": 3, "droplets_seen": "no"}],
    )
    after = starting_ranges(item)
    assert set(before) - set(after) == {"parts[0].wall_mm", "lumens[0].bore_mm"}
    assert (item.parts[0].wall_mm, item.lumens[0].bore_mm) == (1.1, 3.0)
    assert item.lumens[0].wall_part == item.parts[0].name == "body"


def test_what_still_comes_from_the_type_is_named():
    item = chosen("silicone_tube_thin", parts=[{"material": "pvc_plasticised"}], joints=2)
    named = from_starting_type(item)
    assert "parts[0].material" not in named
    assert "joints" not in named
    assert {"parts[0].shape", "parts[0].mass_g", "lumens[0].open_ends"} <= set(named)
    plain = Item.model_validate({"name": "y", "parts": [{"name": "b", "material": "silicone"}]})
    assert from_starting_type(plain) == ()
    assert starting_ranges(plain) == {}


def test_unknown_words_do_not_replace_what_a_type_says():
    item = chosen("forceps", parts=[{"name": "jaw", "material": "unknown"}], joints="unknown")
    assert item.parts[0].name == "jaw"
    assert item.parts[0].material == "stainless_steel"
    assert item.joints == starting_type("forceps").joints


def test_a_type_is_found_by_its_name_and_kept_by_its_id():
    kind = reference.item_types()["mask_thick_soft"]
    assert chosen(kind.name).starting_type == "mask_thick_soft"


def test_an_unknown_type_offers_the_nearest():
    with pytest.raises(InputError, match="silicone_tube_thin"):
        chosen("silicone_tube")
