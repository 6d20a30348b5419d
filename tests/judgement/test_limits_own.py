"""A site's or maker's own limits, and the edition a user fills; invented figures only."""

import pytest

from eo_risk.errors import InputError
from eo_risk.judgement.limits import limits_for
from eo_risk.plan.own_numbers import own_edition
from eo_risk.plan.site_file import read_site

NOW, NEXT = "iso10993-7:2008+A1", "iso10993-7:2026"


def row(**given):
    fields = {"category": "limited", "substance": "EO", "quantity": "mg_per_device",
              "period": "24h", "limit": 2.0, "unit": "mg",
              "source": "site rule 4 (invented)"}  # fmt: skip
    return fields | given


def both(**given):
    return [row(substance=s, **given) for s in ("EO", "ECH")]


def per_area(**given):
    return row(category="any", quantity="ug_per_cm2", period="contact", unit="ug/cm2", **given)


def figures(rows, edition, duration, *args, **kwargs):
    found = limits_for(edition, duration, *args, own={"limit": rows}, **kwargs)
    return found, {x.substance: x.limit for x in found.governing}


def test_the_stricter_of_own_and_published_rules():
    found, rules = figures([row()], NOW, "limited", 70.0, None, 1e4)
    assert rules == {"EO": 2.0, "ECH": 9.0}
    own = next(x for x in found.limits if x.limit == 2.0)
    assert own.source == "site rule 4 (invented)"
    assert own.basis.startswith("own limit")
    assert figures([row(limit=6.0)], NOW, "limited", 70.0, None, 1e4)[1]["EO"] == 4.0


def test_own_limit_of_a_shorter_contact_holds_in_a_longer_one():
    assert figures([row()], NOW, "permanent", 70.0, None, 1e4)[1]["EO"] == 2.0
    assert figures([row(category="permanent", period="lifetime")], NOW, "limited", 70.0, None, 1e4)[
        1
    ]["EO"] == 4.0


def test_own_limit_scales_from_the_patient_it_is_made_for():
    assert figures([row()], NOW, "limited", 7.0, 1, 1e4)[1]["EO"] == pytest.approx(0.2)
    neonatal = [row(limit=0.15, body_mass_kg=3.5)]
    assert figures(neonatal, NOW, "limited", 3.5, 5, 1e4)[1]["EO"] == pytest.approx(0.15)
    assert figures(neonatal, NOW, "limited", 1.75, 5, 1e4)[1]["EO"] == pytest.approx(0.075)
    assert figures(neonatal, NOW, "limited", 70.0, 5, 1e4)[1]["EO"] == pytest.approx(0.15)


def test_micrograms_are_read_as_micrograms():
    assert figures([row(limit=1500.0, unit="ug")], NOW, "limited", 70.0, None, 1e4)[1]["EO"] == 1.5


def test_edition_filled_by_the_user_gives_limits():
    rows = [*both(edition=NEXT, limit=3.0), per_area(edition=NEXT, limit=8.0),
            per_area(edition=NEXT, substance="ECH", limit=4000.0)]  # fmt: skip
    found, rules = figures(rows, NEXT, "limited", 70.0, None, 1e4)
    assert rules == {"EO": 3.0, "ECH": 3.0}
    assert found.empty_reason == ""
    assert "as entered from your own copy" in found.edition_note
    assert all(x.for_verdict for x in found.limits)
    # For a longer contact its own figures are missing.
    found, rules = figures(rows, NEXT, "prolonged", 70.0, None, 1e4)
    assert rules == {"EO": None, "ECH": None}
    assert "prolonged" in found.empty_reason
    # Nothing of it reaches the edition before.
    assert figures(rows, NOW, "limited", 70.0, None, 1e4)[1] == {"EO": 4.0, "ECH": 9.0}


@pytest.mark.parametrize("left_out", range(4))
def test_half_filled_edition_is_not_assessed(left_out):
    rows = [*both(edition=NEXT), per_area(edition=NEXT), per_area(edition=NEXT, substance="ECH")]
    missing = rows.pop(left_out)
    found, rules = figures(rows, NEXT, "limited", 70.0, None, 60.0)
    assert rules[missing["substance"]] is None
    assert missing["substance"] in found.empty_reason


def test_own_limits_alone_do_not_fill_an_edition():
    found, rules = figures(both(), NEXT, "limited", 70.0, None, 60.0)
    assert rules == {"EO": None, "ECH": None}
    assert found.empty_reason
    assert 2.0 in {x.limit for x in found.limits}


OWN_FILE = """
[edition]
id = "iso10993-7:2026"
[[limit]]
category = "limited"
substance = "EO"
quantity = "mg_per_device"
period = "24h"
limit = 3
unit = "mg"
source = "own copy, page 9 (invented)"
"""


def site_with(tmp_path, text):
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    (tmp_path / "site.toml").write_text('limits_file = "own.toml"\n', encoding="utf-8")
    return read_site(tmp_path / "site.toml")


def test_the_shipped_file_filled_in_reads_back(tmp_path, root):
    """Every commented row of the shipped structure is a valid row once it is uncommented."""
    shipped = (root / "reference/limits/iso10993_7_2026.toml").read_text(encoding="utf-8")
    example = shipped[shipped.index("# [[limit]]") : shipped.index("\n\n[edition]")]
    filled = "\n".join(line.removeprefix("# ") for line in example.splitlines())
    site = site_with(tmp_path, shipped + filled)
    assert site.broken_faults == ()
    found = limits_for(NEXT, "limited", own=own_edition(site.limit, NEXT))
    assert [x.limit for x in found.limits if x.limit is not None] == [1.0]


@pytest.mark.parametrize(
    ("old", "new", "where", "allowed"),
    [
        ('source = "own copy, page 9 (invented)"\n', "", "source", "a value"),
        ("own copy, page 9 (invented)", "", "source", "one character or more"),
        ('"mg_per_device"', '"mg_per_devices"', "quantity", "mg_per_device"),
        ('"limited"', '"limitted"', "category", "limited"),
        ('"EO"', '"EG"', "substance", "EO"),
        ("limit = 3", "limit = 0", "limit", "more than 0"),
        ("limit = 3", "limit = nan", "limit", "more than 0"),
        ('unit = "mg"', 'unit = "mg/kg/d"', "unit", "mg"),
    ],
)
def test_broken_rows_are_named(tmp_path, old, new, where, allowed):
    site = site_with(tmp_path, OWN_FILE.replace(old, new))
    assert site.limit == ()
    assert [f for f in site.broken_faults if where in f.where and allowed in f.allowed]


def test_file_for_an_unknown_edition_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"iso10993-7:2026"):
        site_with(tmp_path, OWN_FILE.replace("7:2026", "7:2025"))
