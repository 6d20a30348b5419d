"""Every command that answers about a load, a number or a test shows the usual cautions."""

import json
import re

import pytest

from eo_risk.cli import main
from eo_risk.judgement.result import NOTICE

FEW = ["--samples", "64"]
CALLS = {
    "check": ["check", "wet_lumen.json", "--no-advice", *FEW],
    "check a list": ["check", "--items", "items_morning.csv", "--site", "site.toml", "--cycle",
                     "warm 55", "--aeration", "cabinet 12 h", "--cycle-start",
                     "2026-04-14T06:30", "--no-advice", *FEW],
    "water lumen": ["water", "lumen", "--bore-mm", "3", "--length-mm", "600", "--emptied",
                    "syringe", *FEW],
    "water surface": ["water", "surface", "--area-cm2", "100", "--state", "drained", *FEW],
    "glycol": ["glycol", "--water-mg", "100", "--eo-mg-per-l", "600", "--temperature-c", "55",
               "--exposure-h", "3", *FEW],
    "aerate": ["aerate", "--material", "pvc_plasticised", "--thickness-mm", "2",
               "--start-ug-per-g", "5000", "--temperature-c", "70", "--hours", "0,24", *FEW],
    "limits": ["limits", "--duration", "limited", "--body-mass-kg", "3"],
    "lab": ["lab", "lab_dissipation.csv", "--limit-mg", "4"],
    "lab at one time": ["lab", "lab_certificates.csv", "--limit-mg", "4", "--only",
                        "state=new"],
    "lab of groups": ["lab", "lab_two_packagings.csv", "--limit-mg", "4"],
}  # fmt: skip


@pytest.fixture(params=CALLS.values(), ids=CALLS)
def words(request, demo, monkeypatch):
    monkeypatch.chdir(demo)
    return request.param


def test_what_a_person_reads_ends_with_the_cautions_and_in_units_as_they_are_read(words, capsys):
    assert main(words) in (0, 1)
    text = capsys.readouterr().out
    assert " ".join(text.split()).endswith(NOTICE)
    assert not re.search(r"\d C\b|\bug/|cm2", text)


def test_what_a_program_reads_holds_the_cautions(words, capsys):
    assert main([*words, "--json"]) in (0, 1)
    assert json.loads(capsys.readouterr().out)["notice"] == NOTICE


def test_report_and_sheet_hold_the_cautions(demo, tmp_path, capsys):
    report, sheet = tmp_path / "report.html", tmp_path / "sheet.html"
    main(["check", str(demo / "dry_steel_set.json"), "--no-advice", *FEW, "--report", str(report),
          "--sheet", str(sheet)])  # fmt: skip
    capsys.readouterr()
    notice = NOTICE.replace("'", "&#x27;")
    assert notice in sheet.read_text(encoding="utf-8")
    assert report.read_text(encoding="utf-8").count(notice) == 2  # on the sheet and at the end


def test_a_caution_of_water_says_what_to_do(capsys):
    call = [*CALLS["water lumen"][:-2], "--samples", "256"]
    main(call)
    text = capsys.readouterr().out
    assert "warning: The water in this lumen dissolves more EO than the gas in it holds" in text
    assert "Dry again, then look again." in text
