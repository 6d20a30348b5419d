"""The site's units on what is read; the answer itself keeps the units of the contract.

Factors: NIST SP 811 (2008) appendix B; 1 in = 25.4 mm and 1 oz = 28.349523125 g exactly.
"""

import copy
import json
import re

import pytest

from eo_risk.cli import main
from eo_risk.output.report import report_html
from eo_risk.output.shown import answer_in, text_in
from eo_risk.output.terminal import terminal_table
from eo_risk.plan.site_entries import UnitsShown

OURS = UnitsShown(temperature="F", pressure="psi", length="in", mass="oz")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("aeration 2: 61 C, highest 57.5 C", "aeration 2: 141.8 °F, highest 135.5 °F"),
        ("lumen: 1.6 bar gauge, highest 1 bar gauge",
         "lumen: 23.21 psi gauge, highest 14.5 psi gauge"),
        ("Taken as 40 to 113.4 g.", "Taken as 1.411 to 4 oz."),
        ("Taken as 0.5 to 25.4 mm.", "Taken as 0.01969 to 1 in."),
        ("evacuated to 8 kPa absolute", "evacuated to 1.16 psi absolute"),
        # What belongs to another unit, or to a limit, stays.
        ("EO 600 mg/L, limit 4 mg (first 24 h, 70 kg), 10 ug/cm2, 3 C/h, 5 g/kg",) * 2,
    ],
)  # fmt: skip
def test_numbers_in_a_sentence_take_the_sites_units(text, said):
    assert text_in(text, OURS) == said
    assert text_in(text, UnitsShown()) == re.sub(r"(\d) C(?=,|$)", r"\1 °C", text)


@pytest.fixture
def warm(answer):
    """An answer with a warmer aeration, an exceeded pressure and a name that looks like one."""
    changed = copy.deepcopy(answer)
    item = changed["items"][0]
    item["name"] = "tube 50 C, 3 mm"
    item["actions"].insert(0, {"action": "aerate longer", "detail": "instead of 45 C",
                               "amount": 50.0, "unit": "C", "new_verdict": "Within"})  # fmt: skip
    item["cautions"][0]["where"] = "3 mm channel: 1.6 bar gauge, highest 1 bar gauge"
    return changed


def test_the_answer_is_turned_and_the_given_one_is_left(warm):
    before = copy.deepcopy(warm)
    turned = answer_in(warm, OURS)
    assert warm == before
    item = turned["items"][0]
    assert (item["actions"][0]["amount"], item["actions"][0]["unit"]) == (122.0, "F")
    assert item["actions"][0]["detail"] == "instead of 113 °F"
    thickness = item["assumed"][0]
    assert (thickness["low"], thickness["unit"]) == (pytest.approx(0.5 / 25.4), "in")
    assert item["cautions"][0]["where"] == (
        "3 mm channel: 23.21 psi gauge, highest 14.5 psi gauge"
    )
    assert item["name"] == "tube 50 C, 3 mm"
    assert item["residues"] == before["items"][0]["residues"]
    own = answer_in(warm, UnitsShown())["items"][0]
    assert own["actions"][0] == before["items"][0]["actions"][0] | {"detail": "instead of 45 °C"}
    assert own["assumed"] == before["items"][0]["assumed"]


@pytest.mark.parametrize("write", [terminal_table, lambda *a: report_html(*a[:2], None, a[2])])
def test_sheet_and_terminal_show_the_sites_units(warm, plan, write):
    cycle_c = plan.cycle.temperature_c
    own, ours = write(warm, plan, None), write(warm, plan, OURS)
    assert f"{cycle_c:g} °C" in own
    assert f"{cycle_c * 1.8 + 32:.3g} °F" in ours
    assert "°C" not in ours.replace("tube 50 C", "")
    assert "122 °F" in ours
    assert not re.search(r"\d bar gauge", ours)


def test_the_command_shows_the_sites_units_and_answers_in_the_contracts(demo, tmp_path, capsys):
    text = (demo / "site.toml").read_text(encoding="utf-8")
    site = tmp_path / "site.toml"
    site.write_text(text.replace('temperature = "C"', 'temperature = "F"'), encoding="utf-8")
    report = tmp_path / "report.html"
    few = ["check", str(demo / "dry_steel_set.json"), "--samples", "64", "--no-advice"]
    main([*few, "--site", str(site), "--report", str(report)])
    assert "131 °F" in capsys.readouterr().out
    assert "131 °F" in report.read_text(encoding="utf-8")
    answers = []
    for file in (site, demo / "site.toml"):
        main([*few, "--site", str(file), "--json"])
        answers.append(json.loads(capsys.readouterr().out))
    assert answers[0] == answers[1]
