"""Command `lab`: the contract of its answer, the rulings, the printed sheet, bad input."""

import json
import re

import pytest

from eo_risk.cli import main
from eo_risk.output.lab_wording import release_sentence

HEAD = "lot,aeration_h,substance,result,unit"


@pytest.fixture
def write(tmp_path):
    def to_file(*lines, head=HEAD):
        path = tmp_path / "lab.csv"
        path.write_text("\n".join([head, *lines]), encoding="utf-8")
        return str(path)

    return to_file


def answer(capsys, *argv):
    code = main(["lab", *map(str, argv), "--json"])
    printed = json.loads(capsys.readouterr().out)
    assert code == 0, printed
    return printed


def errors(capsys, *argv):
    code = main(["lab", *map(str, argv), "--json"])
    printed = json.loads(capsys.readouterr().out)
    assert code == 2
    return {fault["where"]: fault for fault in printed["errors"]}


@pytest.fixture
def study(demo):
    return demo / "lab_dissipation.csv"


def test_both_models_and_the_later_one_rules(capsys, study):
    # By hand in tests/measured/test_dissipation.py, test_three_lots_as_worked_by_hand.
    found = answer(capsys, study, "--limit-mg", 4)
    assert found["kind"] == "curve"
    assert (found["n"], found["extrapolated"]) == (15, False)
    assert found["intercept"] == pytest.approx(2.9916, abs=5e-5)
    assert found["slope_per_h"] == pytest.approx(-0.06498, abs=5e-6)
    assert found["residual_sd"] == pytest.approx(0.10156, abs=5e-6)
    assert found["models"]["pooled"]["release_h"] == pytest.approx(27.64, abs=0.05)
    assert found["release_h"] == pytest.approx(30.67, abs=0.05)
    assert found["release_h_rounded"] == 31
    assert found["ruling_model"] == "lots"
    assert "lot_differs" in {c["code"] for c in found["cautions"]}
    pooled = answer(capsys, study, "--limit-mg", 4, "--model", "pooled")
    assert pooled["release_h_rounded"] == 28


def test_beyond_the_sampled_times_is_said(capsys, study):
    found = answer(capsys, study, "--limit-mg", 0.5)
    assert found["extrapolated"] is True
    assert "extrapolated" in {c["code"] for c in found["cautions"]}


def test_residues_that_rise_give_no_release_time(capsys, write):
    rising = ((0, 1), (5, 2), (10, 3), (20, 6), (30, 8))
    rows = [f"{lot},{h},EO,{v},mg" for lot in "ABC" for h, v in rising]
    found = answer(capsys, write(*rows), "--limit-mg", 9)
    assert found["release_h"] is None
    assert found["release_h_rounded"] is None


def test_one_time_gives_no_release_time(capsys, write):
    path = write("A,24,EO,1.2,mg/device", "A,24,EO,1.5,mg/device", "B,24,EO,<0.9,mg/device")
    found = answer(capsys, path, "--limit-mg", 4)
    assert found["kind"] == "one_time"
    assert found["highest"] == 1.5
    assert found["mean"] == pytest.approx(1.2)
    assert found["next_device_upper_95"] > 1.5
    assert "release_h" not in found
    assert main(["lab", path, "--limit-mg", "4"]) == 0
    assert "one time point: no release time can be derived" in capsys.readouterr().out


def test_a_certificate_of_another_state_is_shown_and_not_used(capsys, write):
    path = write("A,24,EO,1.2,mg/device,new", "B,24,EO,1.5,mg/device,new",
                 "C,24,EO,3.9,mg/device,re-sterilised", head=HEAD + ",state")  # fmt: skip
    assert "column 'state'" in errors(capsys, path, "--limit-mg", 4)
    found = answer(capsys, path, "--limit-mg", 4, "--only", "state=new")
    assert [r["used"] for r in found["results"]] == [True, True, False]
    assert found["highest"] == 1.5


def test_limits_per_contact_area_are_typed_with_the_area(capsys, study, write):
    found = answer(capsys, study, "--limit-ug-per-cm2", 10, "--area-cm2", 400)
    assert (found["limit_mg"], found["release_h_rounded"]) == (pytest.approx(4.0), 31)
    assert "limit of EO" in errors(capsys, study, "--limit-ug-per-cm2", 10)
    assert "limit of EO" in errors(capsys, study)
    path = write("A,24,EO,1.2,mg/device", "B,24,EO,1.5,mg/device", "A,24,ECH,6,mg/device",
                 "B,24,ECH,12,mg/device")  # fmt: skip
    argv = (path, "--limit-mg", 4, "--also", "ECH=100ug/cm2", "--area-cm2", 100)
    assert answer(capsys, *argv)["substances"][0]["n_above_limit"] == 1
    assert main(["lab", *map(str, argv)]) == 0
    assert "ECH: limit 10 mg per device (100 µg/cm² on 100 cm²): 1 of 2" in capsys.readouterr().out
    assert "--also" in errors(capsys, path, "--limit-mg", 4, "--also", "ECH=100ppm")


@pytest.mark.parametrize(
    "argv",
    [("--limit-mg", 4, "--also", "EO=9"), ("--limit-mg", 4, "--also", "EO=5ug/cm2"),
     ("--limit-ug-per-cm2", 10, "--also", "EO=50ug/cm2"),
     ("--limit-mg", 4, "--also", "ECH=9", "--also", "ECH=50ug/cm2"),
     ("--limit-ug-per-cm2", 10, "--also", "EO=4")],
)  # fmt: skip
def test_a_second_limit_of_a_substance_replaces_none(capsys, study, argv):
    """Which of two limits counts is for who gives them: neither may silently go."""
    assert list(errors(capsys, study, "--area-cm2", 400, *argv)) == ["--also"]


def test_a_column_is_narrowed_to_one_value(capsys, study):
    fault = errors(capsys, study, "--limit-mg", 4, "--only", "lot=A", "--only", "lot=B")["--only"]
    assert fault["given"] == "lot twice"


def test_every_substance_and_the_ruling_one(capsys, write):
    hours = (0, 6, 12, 24, 36)
    lines = [f"{lot},{h},{s},{a * 0.95 ** (h * k) * f:.4g},mg/device"
             for lot, f in (("A", 1.0), ("B", 1.03), ("C", 0.97))
             for s, a, k in (("EO", 20, 1.2), ("ECH", 12, 0.5), ("EG", 3, 0.3))
             for h in hours]  # fmt: skip
    path = write(*lines)
    found = answer(capsys, path, "--limit-mg", 4, "--also", "ECH=5", "--also", "EG=2")
    assert found["ruling"]["substance"] == "ECH"
    eg = next(s for s in found["substances"] if s["substance"] == "EG")
    assert eg["limit_kind"] == "screening"
    assert main(["lab", path, "--limit-mg", "2", "--substance", "EG"]) == 0
    printed = capsys.readouterr().out
    assert "exceeded" not in printed
    assert "screening, not a limit" in printed


def grouped(write):
    lines = [f"{g}{i},{h},EO,{a * 0.937**h * (1 + 0.02 * i):.4g},mg/device,{g}"
             for g, a in (("pouch", 20), ("double bag", 24)) for i in range(3)
             for h in (0, 6, 12, 24, 36)]  # fmt: skip
    return write(*lines, head=HEAD + ",group")


def test_groups_are_compared_by_a_bound(capsys, write):
    found = answer(capsys, grouped(write), "--limit-mg", 4, "--margin-h", 1,
                   "--reference-group", "pouch")  # fmt: skip
    assert found["family"][0]["name"] == "double bag"
    assert "starts higher" in found["family"][0]["reason"]
    text = found["comparisons"][0]["text"]
    assert re.search(r"at most [\d.]+ h slower than pouch \(one-sided 95 % bound\)", text)
    assert found["comparisons"][0]["within_margin"] is False


def test_groups_of_one_lot_each_are_compared_too(capsys, write):
    lines = [f"A,{h},EO,{a * 0.937**h * f:.4g},mg/device,{g}"
             for g, a in (("pouch", 20), ("double bag", 24))
             for h, f in ((0, 1.02), (6, 0.99), (12, 1.01), (24, 0.98), (36, 1.0))]  # fmt: skip
    found = answer(capsys, write(*lines, head=HEAD + ",group"), "--limit-mg", 4, "--margin-h", 3)
    assert found["comparisons"][0]["within_margin"] is False
    assert "test two lots or more of each group" in found["comparisons"][0]["text"]


def test_a_modelled_packaging_supports_no_comparison(capsys, study):
    fault = errors(capsys, study, "--limit-mg", 4, "--margin-h", 2)["--margin-h"]
    assert "measure both" in fault["do"]


def test_the_layer_model_stands_beside_the_line(capsys, study):
    found = answer(capsys, study, "--limit-mg", 4, "--material", "pvc_plasticised",
                   "--thickness-mm", 4)["physics"]  # fmt: skip
    d, record = found["diffusivity_cm2_per_s"], found["prior_cm2_per_s"]
    assert d["p95"] / d["p05"] < record["p95"] / record["p05"]
    assert found["release_h"] > 24.7  # when the line itself meets the limit
    assert [r["quantity"] for r in found["site_material_records"]] == ["diffusivity"]


def test_a_substance_with_a_limit_that_nothing_was_said_of_is_named(capsys, study, demo):
    certificates = (str(demo / "lab_certificates.csv"), "--only", "state=new", "--limit-mg", "4")
    for argv, said in (
        ((str(study), "--limit-mg", "4"), ["ECH: not assessed, no result to use"]),
        (certificates, ["ECH: not assessed, no limit given"]),
        ((*certificates, "--also", "ECH=9"), []),
        ((str(demo / "lab_certificates.csv"), "--only", "state=new", "--substance", "ECH",
          "--limit-mg", "9"), ["EO: not assessed, no limit given"]),
    ):  # fmt: skip
        assert main(["lab", *argv]) == 0
        printed = capsys.readouterr().out
        assert [line for line in printed.splitlines() if "not assessed" in line] == said


def test_the_fitted_diffusivity_is_printed_with_its_figures(capsys, study):
    body = ("--material", "pvc_plasticised", "--thickness-mm", "4")
    assert main(["lab", str(study), "--limit-mg", "4", *body, "--json"]) == 0
    d = json.loads(capsys.readouterr().out)["physics"]["diffusivity_cm2_per_s"]
    assert main(["lab", str(study), "--limit-mg", "4", *body]) == 0
    printed = capsys.readouterr().out
    line = re.search(r"^Diffusivity (\S+) cm²/s \((\S+) to (\S+)\);", printed, re.MULTILINE)
    shown = [float(text) for text in line.groups()]
    assert shown == pytest.approx([d["p50"], d["p05"], d["p95"]], rel=0.05)
    assert re.search(r"^ln\(mg\) = \S+ - \S+ x hours", printed, re.MULTILINE)


def test_a_layer_model_that_asks_for_longer_is_in_the_release_sentence(capsys, study):
    """Far beyond the results its slow pool shows; a straight line has none."""
    body = ("--material", "pvc_plasticised", "--thickness-mm", 4, "--model", "pooled")
    for limit, longer in ((4, True), (0.2, True), (15, False)):
        found = answer(capsys, study, "--limit-mg", limit, *body)
        layer_h = found["physics"]["release_h_rounded"]
        assert (layer_h > found["release_h_rounded"]) is longer, limit
        said = f"The layer model asks for longer: {layer_h} h."
        assert (said in release_sentence(found)) is longer


def test_a_metal_is_not_fitted(capsys, study):
    assert "--material" in errors(capsys, study, "--limit-mg", 4, "--material", "stainless_steel",
                                  "--thickness-mm", 1)  # fmt: skip


@pytest.mark.parametrize(
    ("lines", "where"),
    [
        (("A,0,EO,3,mg/device",), "row 2, column result"),
        (("A,-2,EO,3,mg/device", "A,6,EO,2,mg/device"), "row 2, column aeration_h"),
        (("A,0,EO,3,mg/device", "A,6,EO,2,ug/g"), "row 3, column unit"),
        (("A,0,EO,3,mg/device", "A,0,EO,3,mg/device"), "row 3, column result"),
        (("A,0,EO,300,ug/g", "A,6,EO,200,ug/g", "A,9,EO,90,ug/g"), "row 2, column unit"),
    ],
)
def test_bad_tables_are_refused_by_place(capsys, write, lines, where):
    assert where in errors(capsys, write(*lines), "--limit-mg", 4)


def test_the_sheet_says_what_its_numbers_rest_on(capsys, study, tmp_path):
    page = tmp_path / "sheet.html"
    answer(capsys, study, "--limit-mg", 4, "--report", page)
    text = page.read_text(encoding="utf-8")
    for words in ("31 h", "3: A, B, C", "0, 6, 12, 24, 36 h", "simulated use",
                  "quantitation 0.02 mg/device", "50 °C", "breathing tube set", "24.8 h",
                  "95/95 tolerance", "What would void it", "demo report 3"):  # fmt: skip
        assert words in text, words
    # One sign per result: the three lots have five each, all of another shape.
    assert text.count("<circle") == text.count("<rect") == 5
    for outside in ("<script", "http://", "https://"):
        assert outside not in text
    for word in ("safe", "compliant", "released"):
        assert word not in text.partition("<body>")[2].lower()


def test_the_sheet_of_one_time_gives_no_release_time(capsys, write, tmp_path):
    page = tmp_path / "sheet.html"
    path = write("<b>A,24,EO,1.2,mg/device", "B,24,EO,1.5,mg/device")
    answer(capsys, path, "--limit-mg", 4, "--report", page)
    text = page.read_text(encoding="utf-8")
    assert "no release time can be derived" in text
    assert "&lt;b&gt;A" in text
    assert "<b>A" not in text


@pytest.mark.browser
def test_the_sheet_prints_on_one_page(capsys, study, tmp_path, chromium):
    import subprocess

    from pypdf import PdfReader

    page, printed = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    answer(capsys, study, "--limit-mg", 4, "--material", "pvc_plasticised", "--thickness-mm", 1.5,
           "--report", page)  # fmt: skip
    subprocess.run([chromium, "--headless", "--no-sandbox", "--disable-gpu",
                    "--no-pdf-header-footer", f"--print-to-pdf={printed}", page.as_uri()],
                   check=True, capture_output=True, timeout=60)  # fmt: skip
    assert len(PdfReader(printed).pages) == 1


def test_a_result_that_is_left_out_and_above_the_limit_is_told(capsys, study):
    codes = [c["code"] for c in answer(capsys, study, "--limit-mg", 4)["cautions"]]
    assert "left_out_above" not in codes
    found = answer(capsys, study, "--limit-mg", 4, "--only", "lot=A")
    above = [r for r in found["results"] if r["above_limit"] and not r["used"]]
    told = [c for c in found["cautions"] if c["code"] == "left_out_above"]
    assert len(told) == 1
    assert f"{len(above)} of the results" in told[0]["text"]
    assert len(above) > 0
