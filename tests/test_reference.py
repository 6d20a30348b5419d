"""Every record and table of ``reference/``: complete, ordered, sourced, named once."""

import ast
import math
import re
import tomllib

import pytest

from eo_risk import reference, units

MATERIALS = (
    "stainless_steel titanium aluminium glass ceramic pvc_plasticised pvc_rigid silicone "
    "polyurethane_soft polyurethane_hard natural_rubber_latex polyisoprene epdm neoprene nitrile "
    "butyl ldpe hdpe uhmwpe pp pp_nonwoven ps abs pmma polycarbonate polysulfone peek pom pa6 "
    "pa12 peba pet ptfe fep eva epoxy fluoroelastomer polylactide polycaprolactone paper cotton "
    "hydrogel polyurethane_unknown pvc_unknown nylon_unknown rubber_unknown plastic_unknown"
).split()
PACKAGINGS = (
    "none medical_paper film_paper_pouch nonwoven_wrap double_wrap nested_tray rigid_container "
    "carton pallet_edge pallet_centre foil"
).split()
CAUTIONS = {
    "block": (
        "liquid_seen not_looked gas_access_doubtful channel_blocked lumen_closed salt_left "
        "oil_lubricant pack_not_permeable use_not_allowed use_unknown humidity_too_low "
        "irradiated_chlorinated glycol_above_reference instructions_exceeded "
        "aeration_below_required needed_too_soon correlation_only"
    ).split(),
    "warn": (
        "not_looked_outside eo_starvation plug_beyond_penetration humidity_too_high load_cold "
        "chamber_water_saturated load_depletes_eo outside_material_range mass_geometry_differ "
        "desiccated moisten_for_steam"
    ).split(),
}
MOVING = (
    "diffusivity activation uptake uptake_heat ech_diffusivity_ratio ech_uptake_ratio"
).split()


@pytest.fixture(scope="module")
def records():
    return reference.records()


@pytest.fixture(scope="module")
def sorbing():
    plain = ("none", "family")
    return [m.id for m in reference.materials().values() if m.behaviour not in plain]


def test_records_are_complete_and_sourced(records):
    sources = reference.sources()
    for record in records.values():
        assert record.source in sources, record.id
        assert record.low <= record.value <= record.high, record.id
        assert record.unit in units.SI_FACTOR or record.unit == "C", record.id
        assert math.isfinite(record.value_si), record.id
        # It stands alone in an answer, far from the record before it.
        assert not re.search(r"\bits activation\b|\bthe same\b", record.quantity), record.id
        assert re.fullmatch(r"[a-z0-9_]+(\.[a-z0-9_]+)+", record.id), record.id
        if record.valid_low_c is not None or record.valid_high_c is not None:
            assert record.valid_low_c < record.valid_high_c, record.id
        if record.status == "from memory":
            assert record.source == "memory", record.id
        if record.source == "project_estimate":
            assert record.status in ("estimated", "derived"), record.id


def test_no_file_of_numbers_is_left_unread():
    for path in reference.FOLDER.glob("*.toml"):
        holds = "record" in tomllib.loads(path.read_text(encoding="utf-8"))
        assert holds == (path.name in reference.RECORD_FILES), path.name
    for path in reference.FOLDER.glob("*.csv"):
        header = path.read_text(encoding="utf-8").partition("\n")[0].split(",")
        is_record_table = {"quantity", "spread", "locator"} <= set(header)
        assert is_record_table == (path.name in reference.RECORD_FILES), path.name


def test_every_entry_with_a_source_names_one_that_exists():
    sources = reference.sources()
    entries = [*reference.packagings().values(), *reference.caution_rules().values()]
    assert not [entry for entry in entries if entry.source not in sources]


def test_every_agreed_material_packaging_and_caution_is_there():
    listed = {m.id for m in reference.materials().values() if not m.correlation}
    assert not set(MATERIALS) ^ listed
    assert not set(PACKAGINGS) ^ set(reference.packagings())
    rules = reference.caution_rules()
    for level, codes in CAUTIONS.items():
        assert not set(codes) - set(rules)
        assert {rules[code].level for code in codes} == {level}


def test_every_material_has_its_records(records, sorbing):
    for material in reference.materials().values():
        if material.behaviour == "family":
            assert len(set(material.members)) == len(material.members) >= 2
            assert set(material.members) <= set(sorbing), material.id
            assert f"{material.id}.density" not in records
        else:
            assert not material.members
            assert f"{material.id}.density" in records
    for name in sorbing:
        for quantity in MOVING:
            record = records[f"{name}.{quantity}"]
            assert record.valid_low_c <= 20.0, record.id
            assert record.valid_high_c >= 50.0, record.id
            assert record.temperature_c is not None, record.id
        assert records[f"{name}.diffusivity"].temperature_c == 25.0
        assert records[f"{name}.uptake"].temperature_c == 50.0
    porous = [m.id for m in reference.materials().values() if m.behaviour == "porous"]
    assert porous
    for name in porous:
        assert f"{name}.half_time" in records
        assert f"{name}.moisture" in records


def test_metal_and_glass_take_up_nothing(records):
    """Jordy and Suhr 1973: aluminium and glass below detection."""
    for material in reference.materials().values():
        if material.behaviour == "none":
            found = [i for i in records if i.startswith(f"{material.id}.")]
            assert found == [f"{material.id}.density"]


def test_every_packaging_has_its_transfer(records):
    for packaging in reference.packagings().values():
        transfer = records[f"packaging.{packaging.id}.transfer"]
        assert transfer.unit == "m/s"
        assert (transfer.low > 0.0) == packaging.permeable, packaging.id


def test_wrapping_never_speeds_gas_up(records):
    """Order of the outside resistances: the more layers, the slower (estimate, no source)."""
    order = (
        "none medical_paper film_paper_pouch double_wrap rigid_container carton pallet_edge "
        "pallet_centre foil"
    ).split()
    values = [records[f"packaging.{name}.transfer"].value for name in order]
    assert values == sorted(values, reverse=True)
    assert len(set(values)) == len(values)


def test_uptake_falls_with_temperature_as_the_vapour_pressure_says(records):
    """2.3 times from 25 to 50 C by EO vapour pressures 174.7 and 401 kPa (Daubert and Danner
    1985, boiling point 10.6 C); 1.65 in alkanes by heats of solution (Abraham descriptors)."""
    step = (1 / 298.15 - 1 / 323.15) / units.GAS_CONSTANT_J_PER_MOL_K
    heat = records["ldpe.uptake_heat"]
    assert math.exp(heat.value_si * step) == pytest.approx(401 / 174.7, rel=0.02)
    assert math.exp(heat.low_si * step) == pytest.approx(1.65, rel=0.02)


def test_default_activation_spans_published_aeration_times(records):
    """CDC guideline 2008: 7 d at 20 C, 12 h at 50 C, 8 h at 60 C."""

    def implied(hours_a, a_c, hours_b, b_c):
        a_k, b_k = (units.celsius_to_kelvin(c) for c in (a_c, b_c))
        return units.GAS_CONSTANT_J_PER_MOL_K * math.log(hours_a / hours_b) / (1 / a_k - 1 / b_k)

    low, high = implied(12, 50, 8, 60), implied(168, 20, 12, 50)
    record = records["pvc_plasticised.activation"]
    assert record.low_si == pytest.approx(low, rel=0.02)
    assert record.high_si == pytest.approx(high, rel=0.02)
    assert low < record.value_si < high


def test_soft_pvc_diffusivity_covers_what_the_measurement_implies(records):
    """Bogdansky and Lehn 1974: 8954 to 33 ug/g in 48 h; wall 0.8 to 1.6 mm is assumed.

    Late release of a sheet, Crank 1975: 8/pi^2 exp(-pi^2 D t / L^2).
    """
    rate_per_s = math.log(8954 / 33 * 8 / math.pi**2) / (48 * units.SECONDS_PER_HOUR)
    record = records["pvc_plasticised.diffusivity"]
    for wall_m in (0.8e-3, 1.6e-3):
        implied = rate_per_s * wall_m**2 / math.pi**2
        assert record.low_si <= implied <= record.high_si


def test_plasticiser_slope_reaches_down_to_rigid_pvc(records):
    """The upper end of the slope joins the records of rigid PVC and of soft PVC."""
    soft, rigid = (records[f"pvc_{kind}.diffusivity"].value for kind in ("plasticised", "rigid"))
    share = records["pvc_plasticised.plasticiser_reference"].value_si
    record = records["pvc_plasticised.plasticiser_slope"]
    assert record.high == pytest.approx(math.log(soft / rigid) / share, rel=0.01)


def test_food_contact_constants_give_the_published_diffusivities(records):
    """Begley et al. 2005 form as coded in open implementations; values at 25 C, EO and ECH.

    D = exp(A - tau/T - 0.1351 M^(2/3) + 0.003 M - 10454/T) [m2/s].
    """

    def diffusivity_cm2_per_s(name, molar_mass, kelvin):
        constant = records[f"food_contact.{name}.constant"].value
        tau = records[f"food_contact.{name}.tau"].value
        size = -0.1351 * molar_mass ** (2 / 3) + 0.003 * molar_mass
        return 1e4 * math.exp(constant - tau / kelvin + size - 10454 / kelvin)

    published = {
        "ldpe": 1.24e-7, "pbt": 4.2e-12, "pa66": 9.3e-12, "hdpe": 1.25e-8,
        "pvc_plasticised": 2.75e-6, "pet": 1.4e-13, "eva_adhesive": 6.52e-8, "paper": 5.39e-7,
        "cardboard": 1.09e-8,
    }  # fmt: skip
    factor = records["material.last_resort_factor"].value
    for name, expected in published.items():
        made = records[f"food_contact_{name}.diffusivity"]
        assert made.value == pytest.approx(diffusivity_cm2_per_s(name, 44.05, 298.15), rel=1e-3)
        assert made.low * factor == pytest.approx(made.value) == pytest.approx(made.high / factor)
        assert diffusivity_cm2_per_s(name, 44.05, 298.15) == pytest.approx(expected, rel=0.02)
    both = [diffusivity_cm2_per_s("ldpe", mass, 298.15) for mass in (80.51, 44.05)]
    assert both[0] / both[1] == pytest.approx(0.485, rel=0.01)
    assert records["ldpe.ech_diffusivity_ratio"].value == pytest.approx(both[0] / both[1], rel=0.01)


def test_published_ranges_stand_as_records(records):
    """CDC guideline 2008: 450 to 1200 mg/L, 37 to 63 C, 40 to 80 % RH, 1 to 6 h; aeration 8 to
    12 h at 50 to 60 C or 7 d at 20 C; endoscopes 66.2 ppm after the standard degassing."""
    for name, low, high in (("eo", 450, 1200), ("temperature", 37, 63), ("humidity", 40, 80),
                            ("exposure", 1, 6)):  # fmt: skip
        assert records[f"decision.{name}_low"].value == low
        assert records[f"decision.{name}_high"].value == high
    warm = records["practice.aeration_warm"]
    assert (warm.low, warm.high, warm.unit) == (8, 12, "h")
    assert records["practice.aeration_room"].value_si == 7 * units.SECONDS_PER_DAY
    assert records["practice.endoscope_left"].value == 66.2


def test_chlorohydrin_after_irradiation_is_about_ten_times_higher(records):
    """Bogdansky and Lehn 1974, table: 35, 329 and 354 ug/g."""
    plain = records["pvc_plasticised.ech_after_cycle"].value
    for dose, value in (("low", 329), ("high", 354)):
        record = records[f"pvc_plasticised.ech_after_irradiation_{dose}"]
        assert record.value == value
        assert 9 < record.value / plain < 11


def test_families_hold_a_soft_and_a_hard_member(records):
    for material in reference.materials().values():
        if material.behaviour == "family":
            values = [records[f"{m}.diffusivity"].value for m in material.members]
            assert max(values) / min(values) > 10, material.id


def test_chlorine_is_marked_where_the_polymer_holds_it():
    """Composition of the polymers (common knowledge of chemistry, no source)."""
    marked = {m.id for m in reference.materials().values() if m.contains_chlorine}
    assert {"pvc_plasticised", "pvc_rigid", "neoprene"} <= marked
    assert not marked & {"silicone", "ldpe", "stainless_steel", "pp", "nitrile"}


def test_starting_types_are_whole(records):
    types = reference.item_types()
    assert len(types) >= 25
    for kind in types.values():
        assert kind.material in reference.materials(), kind.id
        assert kind.status == "estimated"
        assert (kind.thickness_mm is None) == (kind.shape == "rod"), kind.id
        assert (kind.outer_diameter_mm is None) == (kind.shape == "sheet"), kind.id
        lumen = (kind.bore_mm, kind.length_mm, kind.open_ends)
        assert all(part is None for part in lumen) or all(part is not None for part in lumen)
        if kind.shape == "tube":
            wall, outer = kind.thickness_mm, kind.outer_diameter_mm
            assert kind.bore_mm.value <= 1.01 * (outer.value - 2 * wall.value), kind.id
            assert kind.bore_mm.high < outer.high, kind.id


def test_mass_and_size_of_starting_types_fit_together(records):
    """Mass from wall, diameter and length at the density of the material, within 30 %."""
    tubes = [t for t in reference.item_types().values() if t.shape == "tube"]
    assert tubes
    for kind in tubes:
        outer_m, wall_m = (units.to_si(x.value, "mm") for x in
                           (kind.outer_diameter_mm, kind.thickness_mm))  # fmt: skip
        section_m2 = math.pi / 4 * (outer_m**2 - (outer_m - 2 * wall_m) ** 2)
        density = records[f"{kind.material}.density"].value_si
        mass_kg = section_m2 * units.to_si(kind.length_mm.value, "mm") * density
        assert units.to_si(kind.mass_g.value, "g") == pytest.approx(mass_kg, rel=0.3), kind.id


def test_published_cases_name_what_exists(records):
    cases = reference.published_cases()
    assert len(cases) >= 15
    for case in cases.values():
        assert case.source in reference.sources(), case.id
        assert case.unit in units.SI_FACTOR, case.id
        assert not case.material or case.material in reference.materials(), case.id
        assert not case.used_for_record or case.used_for_record in records, case.id
        known = (case.published, case.published_low, case.published_high)
        numbers = [number for number in known if number is not None]
        assert numbers, case.id
        if None not in known:
            assert case.published_low <= case.published <= case.published_high, case.id
        if case.kind == "below":
            assert case.published_high is not None, case.id
        if case.tolerance_factor is not None:
            assert case.tolerance_factor > 1.0, case.id


def test_a_record_made_from_a_case_says_so(records):
    """A measurement that made a record is no proof of it, and must say so."""
    made = {case.used_for_record for case in reference.published_cases().values()} - {""}
    assert made >= {
        "pvc_plasticised.diffusivity", "natural_rubber_latex.diffusivity",
        "polyurethane_soft.diffusivity", "polyurethane_hard.diffusivity",
    }  # fmt: skip
    for case in reference.published_cases().values():
        own = records.get(f"{case.material}.diffusivity")
        if own is not None and own.source == case.source and case.quantity == "EO left":
            assert case.used_for_record == own.id, case.id


def test_cautions_are_short_and_plain():
    for rule in reference.caution_rules().values():
        assert len(rule.text) <= 150, rule.code
        assert len(rule.action) <= 100, rule.code
        assert rule.text.endswith("."), rule.code
        assert rule.action.endswith("."), rule.code
        said = f"{rule.text} {rule.action}".lower()
        assert "limit exceeded" not in said
        assert not re.search(r"\b(safe|released|compliant)\b", said), rule.code


def test_triggers_state_the_numbers_of_the_records(records):
    rules = reference.caution_rules()
    stated = {
        "humidity_too_low": "decision.humidity_low",
        "humidity_too_high": "decision.humidity_high",
        "load_depletes_eo": "decision.depletion_share",
        "mass_geometry_differ": "decision.mass_geometry_share",
        "desiccated": "decision.desiccated_temperature",
        "beyond_cap": "decision.beyond_cap",
        "salt_takes_up_water": "decision.salt_humidity",
        "correlation_only": "material.last_resort_factor",
    }
    for code, record_id in stated.items():
        assert re.search(rf"\b{records[record_id].value:g}\b", rules[code].trigger), code


def test_every_caution_the_code_raises_has_a_rule(root):
    raised = {
        call.args[0].value
        for path in (root / "eo_risk").rglob("*.py")
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call)
        and getattr(call.func, "id", getattr(call.func, "attr", "")) == "caution"
        and call.args
        and isinstance(call.args[0], ast.Constant)
    }
    assert len(raised) > 10
    assert not raised - set(reference.caution_rules())


def test_no_text_names_a_place_of_this_machine_or_an_issue():
    pattern = re.compile(r"/(?:home|root|tmp|work)/|https?://localhost|\bissue #?\d|#\d{2,}")
    files = [p for p in reference.FOLDER.rglob("*") if p.suffix in (".toml", ".csv", ".md")]
    assert files
    for path in files:
        assert not pattern.search(path.read_text(encoding="utf-8")), path


ROW = {
    "id": "a.b", "quantity": "q", "value": 1, "low": 0.5, "high": 2, "unit": "m",
    "status": "estimated", "data_class": "C", "source": "memory", "locator": "l",
}  # fmt: skip


class TestBrokenFiles:
    """Invented rows: a broken file of numbers is refused with file and row, never skipped."""

    @pytest.mark.parametrize(
        ("change", "says"),
        [
            ({"unit": "parsec"}, "parsec"),
            ({"low": 3}, "low <= value <= high"),
            ({"low": -1}, "low > 0"),
            ({"spread": "exact"}, "no spread"),
            ({"value": float("nan")}, "finite"),
            ({"vlaue": 1}, "vlaue"),
            ({"locator": ""}, "locator"),
        ],
    )
    def test_a_bad_record_is_named(self, change, says):
        with pytest.raises(ValueError, match=says) as caught:
            reference._by_key("x.toml", [ROW | change], reference.Record.model_validate)
        assert "reference/x.toml: a.b" in str(caught.value)

    def test_a_repeated_id_is_refused(self):
        with pytest.raises(ValueError, match=r"'a\.b' stands twice"):
            reference._by_key("x.toml", [ROW, ROW], reference.Record.model_validate)

    def test_an_empty_file_is_refused(self):
        with pytest.raises(ValueError, match="no entry"):
            reference._by_key("x.toml", [], reference.Record.model_validate)

    @pytest.mark.parametrize("row", ["1,2,3,4", "1,2"])
    def test_a_csv_row_of_another_length_is_refused(self, tmp_path, row):
        path = tmp_path / "x.csv"
        path.write_text(f"a,b,c\n1,2,3\n{row}\n", encoding="utf-8")
        with pytest.raises(ValueError, match=r"row 3: not as many cells"):
            reference._rows(path)

    def test_an_unknown_record_names_the_nearest(self):
        with pytest.raises(reference.MissingDataError, match=r"silicone\.uptake"):
            reference.record("silicone.uptaek")

    def test_an_unknown_material_names_the_nearest(self):
        with pytest.raises(reference.InputError, match="silicone"):
            reference.material("silicon")
