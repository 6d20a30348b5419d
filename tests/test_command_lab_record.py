"""From laboratory results to a check: the fitted record is kept by the site and preferred."""

import json
import math
import tomllib

import numpy as np
import pytest

from eo_risk.cli import main
from eo_risk.measured.layer_fit.site_record import Origin

HEAD = "device,lot,aeration_h,aeration_temperature_c,substance,result,unit,report"
# The device of the demo results, invented: a sheet that gives off through both faces.
PART = {"name": "wall", "material": "pvc_plasticised", "shape": "sheet", "thickness_mm": 4,
        "mass_g": 60, "faces": 2}  # fmt: skip


@pytest.fixture
def plan(demo, tmp_path):
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    item = {"parts": [PART], "packaging": "film_paper_pouch", "droplets_seen": "no",
            "patient": {"duration": "limited", "body_mass_kg": 70},
            "instructions": {"eo_allowed": "yes"}}  # fmt: skip
    raw["items"] = [{"name": "breathing tube set", **item}, {"name": "other set", **item}]
    raw["aeration"] = [{"place": "cabinet", "hours": 12, "temperature_c": 50}]
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(raw), encoding="utf-8")
    return path


@pytest.fixture
def run(capsys):
    def command(*argv, code=0):
        found = main([*map(str, argv), "--json"])
        printed = json.loads(capsys.readouterr().out)
        assert found == code, printed
        return printed

    return command


@pytest.fixture
def both_gases(tmp_path):
    """EO and ECH out of a sheet of 4 mm whose faces hold nothing back, ECH half as fast.

    Invented, by the series of a plane sheet (Crank 1975, eq. 4.18).
    """
    path = tmp_path / "both.csv"
    odd = math.pi * (2 * np.arange(400) + 1)

    def left(diffusivity_m2_per_s, hours):
        decay = np.exp(-diffusivity_m2_per_s * np.square(odd / 4e-3) * 3600.0 * hours)
        return float(np.sum(8.0 / np.square(odd) * decay))

    lots = (("A", 1.0), ("B", 1.03), ("C", 0.97))
    lines = [f"tube,{lot},{h},50,{s},{20 * f * left(d, h):.4g},mg/device,report 7"
             for lot, f in lots for s, d in (("EO", 2.8e-11), ("ECH", 1.4e-11))
             for h in (0, 6, 12, 24, 36)]  # fmt: skip
    path.write_text("\n".join([HEAD, *lines]), encoding="utf-8")
    return path


FIT = ("--limit-mg", 4, "--material", "pvc_plasticised", "--thickness-mm", 4)
FEW = ("--no-advice", "--samples", "256")


def test_a_check_prefers_what_was_measured_for_that_item(run, demo, plan, tmp_path, capsys):
    site = tmp_path / "site.toml"
    site.write_text('name = "our site"  # kept as it is\n', encoding="utf-8")
    fit = run("lab", demo / "lab_dissipation.csv", *FIT, "--save-record", site)
    # Neither the slow pool nor the cycle before is told by these results, and that is said.
    assert [said.partition(":")[0] for said in fit["physics"]["not_kept"]] == [
        "start level and uptake", "slow pool"]  # fmt: skip
    kept = site.read_text(encoding="utf-8")
    assert kept.startswith('name = "our site"  # kept as it is\n')
    assert tomllib.loads(kept)["material_record"] == fit["material_records"]
    report = tmp_path / "report.html"
    argv = ["check", str(plan), "--site", str(site), "--no-advice", "--samples", "512"]
    assert main([*argv, "--json", "--report", str(report)]) in (0, 1)
    tube, other = json.loads(capsys.readouterr().out)["items"]
    used = tube["own_records"][0]
    assert used["replaces"] == "pvc_plasticised.diffusivity"
    assert "demo report 1" in used["source"]
    assert {"id": "pvc_plasticised.diffusivity", "class": "A"} in tube["records"]
    assert other["own_records"] == []
    assert {"id": "pvc_plasticised.diffusivity", "class": "B"} in other["records"]
    # The measured diffusivity is known much better than the shipped one.
    width = [item["aeration_h"]["p95"] / item["aeration_h"]["p50"] for item in (tube, other)]
    assert width[0] < width[1]
    text = report.read_text(encoding="utf-8")
    assert text.count("The site&#x27;s own records used") == 1
    assert "site.breathing_tube_set.pvc_plasticised.diffusivity" in text
    assert main(argv) in (0, 1)
    said = " ".join(capsys.readouterr().out.split())
    assert "Own record" in said
    assert "item 1: pvc_plasticised.diffusivity" in said


def test_the_record_may_stand_in_the_plan_itself(run, demo, plan, capsys):
    fit = run("lab", demo / "lab_dissipation.csv", *FIT)
    raw = json.loads(plan.read_text(encoding="utf-8"))
    raw["own_records"] = fit["material_records"]
    plan.write_text(json.dumps(raw), encoding="utf-8")
    assert main(["check", str(plan), *FEW, "--json"]) in (0, 1)
    tube, other = json.loads(capsys.readouterr().out)["items"]
    assert tube["own_records"][0]["id"] == fit["material_records"][0]["id"]
    assert other["own_records"] == []


def test_ech_is_kept_as_its_share_of_the_diffusivity_of_eo(run, both_gases, plan, tmp_path,
                                                           capsys):  # fmt: skip
    site = tmp_path / "site.toml"
    found = run("lab", both_gases, *FIT, "--also", "ECH=9", "--save-record", site)
    eo, ech = tomllib.loads(site.read_text(encoding="utf-8"))["material_record"]
    assert (eo["quantity"], ech["quantity"]) == ("diffusivity", "ech_diffusivity_ratio")
    fitted = found["substances"][0]["physics"]["diffusivity_cm2_per_s"]
    assert ech["value"] * eo["value"] == pytest.approx(fitted["p50"], rel=1e-3)
    # Both are uncertain, so their ratio is known no better than the one fitted.
    assert ech["high"] / ech["low"] >= fitted["p95"] / fitted["p05"]
    assert "report 7" in ech["source"]
    raw = json.loads(plan.read_text(encoding="utf-8"))
    raw["items"][0]["name"] = "tube"
    plan.write_text(json.dumps(raw), encoding="utf-8")
    assert main(["check", str(plan), "--site", str(site), *FEW, "--json"]) in (0, 1)
    tube = json.loads(capsys.readouterr().out)["items"][0]
    used = {row["replaces"].partition(".")[2] for row in tube["own_records"]}
    assert used == {"diffusivity", "ech_diffusivity_ratio"}


def test_ech_alone_refers_to_the_shipped_diffusivity_of_eo(run, both_gases):
    alone = run("lab", both_gases, *FIT, "--substance", "ECH")["material_records"][0]
    assert alone["quantity"] == "ech_diffusivity_ratio"
    assert "shipped record pvc_plasticised.diffusivity" in alone["note"]


def test_a_slow_pool_that_the_results_tell_is_kept_and_counted(run, plan, tmp_path, capsys):
    """A sheet of known diffusivity (Crank 1975, eq. 4.18) with 3 % that halve in 40 h at 50 C."""
    odd = math.pi * (2 * np.arange(400) + 1)
    noise = np.random.default_rng(1)

    def left(hours):
        decay = np.exp(-5.6e-11 * np.square(odd / 4e-3) * 3600.0 * hours)
        return 0.97 * np.sum(8.0 / np.square(odd) * decay) + 0.03 * 0.5 ** (hours / 40.0)

    lines = [f"breathing tube set,{lot},{h},50,EO,{20 * f * left(h) * noise.normal(1, 0.02):.4g},"
             "mg/device,report 8" for lot, f in (("A", 1.0), ("B", 1.03), ("C", 0.97))
             for h in (0, 6, 12, 24, 36, 48, 72, 96, 120)]  # fmt: skip
    table, site = tmp_path / "tail.csv", tmp_path / "site.toml"
    table.write_text("\n".join([HEAD, *lines]), encoding="utf-8")
    found = run("lab", table, *FIT, "--save-record", site)
    kept = {r["quantity"]: r for r in tomllib.loads(site.read_text("utf-8"))["material_record"]}
    share, half_life = kept["slow_pool.fraction"], kept["slow_pool.half_life"]
    assert share["low"] < 0.03 < share["high"]
    assert half_life["low"] < 40.0 / 24.0 < half_life["high"]
    assert (half_life["unit"], half_life["temperature_c"]) == ("d", 50.0)
    assert share["source"] == "laboratory results: report 8"
    assert not [said for said in found["physics"]["not_kept"] if said.startswith("slow pool")]
    assert main(["check", str(plan), "--site", str(site), *FEW, "--json"]) in (0, 1)
    tube, other = json.loads(capsys.readouterr().out)["items"]
    used = {row["replaces"].partition(".")[2] for row in tube["own_records"]}
    assert used == {"diffusivity", "slow_pool.fraction", "slow_pool.half_life"}
    assert other["own_records"] == []


@pytest.mark.parametrize(
    ("reports", "said"),
    [(("8", "9"), "report 8, report 9"), (("demo report 1", "2026-07"), "demo report 1, report "
      "2026-07"), (("Laboratory Report 3",), "Laboratory Report 3"), ((), "no report number")],
)  # fmt: skip
def test_a_report_is_called_one_once(reports, said):
    assert Origin("mask", reports, 5).source == f"laboratory results: {said}"


def test_an_id_is_kept_once_and_nothing_is_written_over(run, demo, tmp_path):
    site = tmp_path / "site.toml"
    run("lab", demo / "lab_dissipation.csv", *FIT, "--save-record", site)
    before = site.read_text(encoding="utf-8")
    fault = run("lab", demo / "lab_dissipation.csv", *FIT, "--save-record", site, code=2)
    assert "an id used once" in fault["errors"][0]["allowed"]
    assert site.read_text(encoding="utf-8") == before
    run("lab", demo / "lab_dissipation.csv", *FIT, "--save-record", site, "--record-id", "second")
    assert len(tomllib.loads(site.read_text(encoding="utf-8"))["material_record"]) == 2


def test_without_a_fit_there_is_nothing_to_keep(run, demo, tmp_path):
    site = tmp_path / "site.toml"
    fault = run("lab", demo / "lab_dissipation.csv", "--limit-mg", 4, "--save-record", site, code=2)
    assert fault["errors"][0]["where"] == "--save-record"
    assert not site.exists()


def test_what_the_model_does_not_describe_is_not_kept(run, demo):
    """A wall so thin that it would be empty at once: the fit says so and writes no record."""
    found = run("lab", demo / "lab_dissipation.csv", "--limit-mg", 4, "--material",
                "pvc_plasticised", "--thickness-mm", 0.05)  # fmt: skip
    codes = {c["code"] for c in found["physics"]["cautions"]}
    assert codes & {"model_does_not_fit", "surface_far_from_record"}
    assert found["material_records"] == []
