"""The printed sheet of laboratory results: what it names, that it stays one page."""

import re
import subprocess

import pytest
from pypdf import PdfReader

from eo_risk.measured.lab import lab_answer
from eo_risk.measured.lab_options import LabOptions
from eo_risk.measured.layer_fit.answer import PhysicsRequest
from eo_risk.measured.results_table import read_results, results_from_bytes
from eo_risk.output.lab_sheet import VOIDED_BY, lab_sheet_html


def words_of(html):
    return re.sub(r"<style>.*?</style>", "", html, flags=re.S)


@pytest.fixture(scope="module")
def groups(demo):
    table = read_results(demo / "lab_two_packagings.csv")
    return lab_answer(table, LabOptions(4.0, margin_h=2.0))


@pytest.fixture(scope="module")
def crowded():
    """More lots, times, groups and longer names than a page holds (invented)."""
    lines = [
        "device,lot,sterilisation_lot,group,state,packaging,aeration_h,aeration_temperature_c,"
        "extraction,substance,result,unit,quantitation_limit,report"
    ]
    for g in range(5):
        for lot in range(12):
            for h in (0, 4, 8, 12, 18, 24, 30, 36, 42, 48, 60):
                mg = 20.0 * (1 + 0.05 * g) * 0.94**h * (1 + 0.03 * ((7 * lot + 3 * h) % 5))
                below = "<0.9" if mg < 0.9 else f"{mg:.4g}"
                lines.append(
                    f"a device with a rather long descriptive name,production lot {lot:04d},"
                    f"sterilisation lot {lot:04d},family member with a long name {g},new,"
                    f"film_paper_pouch,{h},50,simulated_use,EO,{below},mg/device,0.9,"
                    f"laboratory report 2026-{g:02d}-{lot:04d}"
                )
    table = results_from_bytes("\n".join(lines).encode(), "crowded.csv")
    physics = PhysicsRequest("polyurethane_soft", thickness_mm=4.0)
    return lab_answer(table, LabOptions(4.0, margin_h=0.5), physics=physics)


def test_the_shown_group_has_its_own_conditions(groups):
    text = words_of(lab_sheet_html(groups, None))
    assert "double_wrap" in text
    assert "film_paper_pouch" not in text
    assert "at most" in text
    assert "one-sided 95 % bound" in text
    for condition in VOIDED_BY:
        assert condition in text


def test_certificates_say_which_are_used(demo):
    table = read_results(demo / "lab_certificates.csv")
    text = words_of(lab_sheet_html(lab_answer(table, LabOptions(4.0, only={"state": "new"})), None))
    assert "Residue at one time" in text
    assert "One time point: no release time can be derived." in text
    assert "0 of 6 results at 48 h above the limit of 4 mg per device." in text
    assert "not used: state is re-sterilised" in text
    assert text.count("&lt;0.104") == 1


def test_what_does_not_fit_is_counted(crowded):
    text = words_of(lab_sheet_html(crowded, None))
    assert "6 more lot(s), 2 more time(s) not shown" in text
    # Names are shortened in their middle, so that members stay apart.
    assert text.count("name 4") >= 2
    assert text.count("more in the answer itself") == 2


def test_a_glycol_reference_is_no_limit(demo):
    content = (demo / "lab_dissipation.csv").read_bytes().replace(b",EO,", b",EG,")
    table = results_from_bytes(content, "lab.csv")
    text = words_of(lab_sheet_html(lab_answer(table, LabOptions(4.0, substance="EG")), None))
    assert "screening, not a limit" in text
    assert "Reference" in text
    assert "exceeded" not in text


def certificates(groups=("",), states=("new",), substances=("EO",)):
    """Thirty results at one time with long words for each state and substance (invented)."""
    head = ("device,lot,sample,group,state,packaging,aeration_h,aeration_temperature_c,extraction,"
            "substance,result,unit,date,report")  # fmt: skip
    lines = [f"a device with a rather long name,production lot {i // 4:04d},{i},"
             f"{groups[i % len(groups)]},{state},film_paper_pouch,48,45,simulated_use,{substance},"
             f"{1 + 0.01 * i:.2f},mg/device,2026-03-01,laboratory report 2026-{i:04d}"
             for i in range(30) for state in states for substance in substances]  # fmt: skip
    return results_from_bytes("\n".join([head, *lines]).encode(), "many.csv")


@pytest.fixture(scope="module")
def many_certificates():
    """More certificates than a page holds, half of another state."""
    table = certificates(states=("new", "re-sterilised twice"))
    return lab_answer(table, LabOptions(4.0, only={"state": "new"}))


@pytest.fixture(scope="module")
def many_groups():
    """Certificates of five groups with long names, and another substance."""
    names = [f"family member with a long name {i}" for i in range(5)]
    table = certificates(groups=names, substances=("EO", "ECH"))
    return lab_answer(table, LabOptions(4.0, also_mg={"ECH": 9.0}))


def test_certificates_of_the_worst_group_come_first(many_groups):
    text = words_of(lab_sheet_html(many_groups, None))
    assert many_groups["group"].endswith("name 4")
    rows = text.partition("Certificates (")[2].partition("</table>")[0]
    assert rows.count("long name 4") == 5
    assert "0 of 6 above, highest 1.29 mg" in text
    assert "ECH: limit 9 mg per device" in text


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("answer", ["crowded", "many_certificates", "many_groups"])
def test_even_a_crowded_sheet_prints_on_one_page(answer, paper, tmp_path, chromium, request):
    page, printed = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    found = request.getfixturevalue(answer)
    html = lab_sheet_html(found, None).replace("@page {", f"@page {{ size: {paper};", 1)
    page.write_text(html, encoding="utf-8")
    subprocess.run([chromium, "--headless", "--no-sandbox", "--disable-gpu",
                    "--no-pdf-header-footer", f"--print-to-pdf={printed}", page.as_uri()],
                   check=True, capture_output=True, timeout=60)  # fmt: skip
    pages = PdfReader(printed).pages
    assert len(pages) == 1
    assert "Signature" in pages[0].extract_text()


def test_another_substance_that_needs_longer_is_said_in_the_verdict_line():
    """ECH leaves half as fast as EO and rules; invented."""
    lines = ["lot,aeration_h,substance,result,unit"] + [
        f"{lot},{h},{s},{20 * f * 0.94 ** (h * rate):.4g},mg/device"
        for lot, f in (("A", 1.0), ("B", 1.04), ("C", 0.97))
        for s, rate in (("EO", 1.0), ("ECH", 0.5)) for h in (0, 6, 12, 24, 36, 48)]  # fmt: skip
    table = results_from_bytes("\n".join(lines).encode(), "both.csv")
    found = lab_answer(table, LabOptions(4.0, also_mg={"ECH": 4.0}))
    hours = found["ruling"]["release_h_rounded"]
    assert hours > found["release_h_rounded"]
    text = words_of(lab_sheet_html(found, None))
    assert f"ECH rules: {hours} h." in text.partition("line-of-verdict")[2].partition("</p>")[0]
    assert f"ECH: limit 4 mg per device: release time {hours} h" in text
