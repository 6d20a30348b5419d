"""Units at the edges: what a person may write, and that nothing is lost on the way."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eo_risk import units
from eo_risk.units import convert, parse_quantity, units_like

# The units people may write, by kind; pressures are absolute here.
WRITTEN = ["C", "F", "kPa", "mbar", "bar", "psi", "inHg", "mmHg", "mm", "in", "Fr", "mg", "g",
           "oz", "mL", "L", "min", "h"]  # fmt: skip
FIELD = {"C": "C", "F": "C", "mm": "mm", "in": "mm", "Fr": "mm", "mg": "g", "g": "g", "oz": "g",
         "mL": "mL", "L": "mL", "min": "min", "h": "min"}  # fmt: skip


@pytest.mark.parametrize("unit", WRITTEN)
@given(value=st.floats(1e-3, 1e4))
def test_every_written_unit_comes_back(unit, value):
    field = FIELD.get(unit, "kPa")
    reading = " absolute" if field == "kPa" else ""
    read = parse_quantity(f"{value!r} {unit}{reading}", field)
    assert convert(read, field, unit) == pytest.approx(value, rel=1e-12, abs=1e-12)


@given(value=st.floats(0.0, 90.0), unit=st.sampled_from(["kPa", "mbar", "inHg", "mmHg", "psi"]))
def test_gauge_and_vacuum_mean_the_same_with_opposite_sign(value, unit):
    given_in_unit = convert(value, "kPa", unit)
    vacuum = parse_quantity(f"{given_in_unit!r} {unit} vacuum", "kPa")
    gauge = parse_quantity(f"{-given_in_unit!r} {unit} gauge", "kPa")
    assert vacuum == pytest.approx(gauge, rel=1e-12, abs=1e-9)
    assert vacuum == pytest.approx(101.325 - value, rel=1e-9, abs=1e-9)


def test_vacuum_in_inches_of_mercury():
    # 1 inHg = 3.386389 kPa (BIPM/NIST SP 811 appendix B): 101.3 - 27 x 3.386389 = 9.9 kPa.
    read = parse_quantity("27 inHg vacuum", "kPa", ambient_pa=101_300.0)
    assert read == pytest.approx(9.9, rel=0.01)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        # NIST SP 811 (2008) appendix B: exact factors.
        ("131 F", "C", 55.0),
        ("1 in", "mm", 25.4),
        ("1 oz", "g", 28.349523125),
        ("1 psi absolute", "kPa", 6.894757293168361),
        ("14.695948775513 psia", "kPa", 101.325),
        ("760 mmHg absolute", "kPa", 101.325),
        # French gauge: a third of a millimetre; common practice, no source.
        ("12 Fr", "mm", 4.0),
        ("10 psig", "bar gauge", 0.6894757293168361),
        ("0.5 bar gauge", "bar gauge", 0.5),
        ("1.5 bar absolute", "bar gauge", 0.48675),
        ("90 min", "h", 1.5),
        ("60 % RH", "%", 60.0),
        ("3", "mm", 3.0),
        ("-4 °C", "C", -4.0),
        ("1/4 in", "mm", 6.35),
        ('1 1/2"', "mm", 38.1),
        ("-1/2 in", "mm", -12.7),
        ("1/4", "mm", 0.25),
        ("30 1/h", "1/h", 30.0),
    ],
)
def test_known_values(text, unit, expected):
    assert parse_quantity(text, unit) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("60 kPa", "kPa", "absolute, gauge or vacuum"),
        ("3 mg", "mm", "cannot be turned into mm"),
        ("3 furlongs", "mm", "no unit of this field; m, cm, mm, um, in, Fr"),
        ("55 K", "C", "no unit of this field; C, F"),
        ("1,5 mm", "mm", "decimal point"),
        ("wet", "mm", "not a number"),
        ("", "mm", "not a number"),
        ("5 mm absolute", "kPa", "no pressure unit"),
        ("nan mm", "mm", "not a number"),
        ("1/0 in", "mm", "a fraction of nothing"),
        ("1/2/3 in", "mm", "no unit of this field"),
    ],
)
def test_text_that_does_not_fit_says_why(text, unit, message):
    with pytest.raises(ValueError, match=message):
        parse_quantity(text, unit)


def test_conversion_stays_within_one_kind():
    assert convert(0.0, "C", "F") == 32.0
    assert units_like("F") == ["C", "F"]
    assert units_like("mg/d") == ["mg/d"]
    for unit, to in (("mm", "mg"), ("C", "mm"), ("mm", "furlong"), ("mg/d", "ug/g")):
        with pytest.raises(ValueError, match="cannot be turned"):
            convert(1.0, unit, to)


def test_spellings_do_not_collide():
    plain = [unit.replace(" ", "").lower() for unit in units.SI_FACTOR]
    assert len(plain) == len(set(plain))
