"""Import of laboratory results: every fault with its row and column, nothing half-imported."""

import io

import pytest

from eo_risk.errors import InputError
from eo_risk.measured.device_amounts import device_amounts
from eo_risk.measured.results_table import TEMPLATE_COLUMNS, results_from_bytes

HEAD = "lot,aeration_h,substance,result,unit"


def read(*lines, head=HEAD, name="lab.csv"):
    return results_from_bytes("\n".join([head, *lines]).encode(), name)


def faults(*lines, head=HEAD):
    with pytest.raises(InputError) as caught:
        read(*lines, head=head)
    return {f.where: f for f in caught.value.faults}


def test_rows_come_in_as_reported():
    rows = read("A,0,EO,20.5,mg/device", "A,24,EO,<0.05,mg/device", "A,30,eo,3 ,mg").rows
    assert [(r.aeration_h, r.result, r.below, r.substance) for r in rows] == [
        (0.0, 20.5, False, "EO"), (24.0, 0.05, True, "EO"), (30.0, 3.0, False, "EO"),
    ]  # fmt: skip


def test_not_detected_takes_the_limit_of_the_method():
    head = HEAD + ",detection_limit,quantitation_limit"
    rows = read("A,0,EO,ND,mg/device,0.02,0.05", "A,6,EO,<LOQ,mg/device,0.02,0.05",
                "A,9,EO,0.03,mg/device,0.02,0.05", head=head).rows  # fmt: skip
    assert [(r.result, r.below) for r in rows] == [(0.02, True), (0.05, True), (0.05, True)]
    assert "row 2, column result" in faults("A,0,EO,ND,mg/device")


@pytest.mark.parametrize(
    ("line", "where"),
    [
        ("A,-1,EO,3,mg/device", "row 2, column aeration_h"),
        ("A,nan,EO,3,mg/device", "row 2, column aeration_h"),
        ("A,6,EtO,3,mg/device", "row 2, column substance"),
        ("A,6,EO,0,mg/device", "row 2, column result"),
        ("A,6,EO,high,mg/device", "row 2, column result"),
        ("A,6,EO,3,ppm", "row 2, column unit"),
        (",6,EO,3,mg/device", "row 2, column lot"),
    ],
)
def test_a_bad_cell_is_named_by_row_and_column(line, where):
    assert where in faults(line)


def test_parts_per_million_are_asked_of_what():
    assert "ug/mL of the extract" in faults("A,6,EO,3,ppm")["row 2, column unit"].do


def test_every_fault_is_told_at_once():
    found = faults("A,-1,EO,3,mg/device", "A,6,EO,x,mg/device", "A,9,EO,3,mg/device")
    assert {"row 2, column aeration_h", "row 3, column result"} <= set(found)


def test_mixed_units_in_the_column_are_refused():
    fault = faults("A,0,EO,3,mg/device", "A,6,EO,30,ug/g")["row 3, column unit"]
    assert "mg/device" in fault.allowed


def test_repeated_rows_are_refused_and_numbered_samples_are_not():
    assert "row 3, column result" in faults("A,0,EO,3,mg/device", "A,0,EO,3,mg/device")
    rows = read("A,0,EO,3,mg/device,1", "A,0,EO,3,mg/device,2", head=HEAD + ",sample").rows
    assert len(rows) == 2


def test_missing_and_unknown_columns_are_named():
    found = faults("A,0,3,mg/device,x", head="lot,aeration_h,result,unit,extration")
    assert {"column 'substance'", "column 'extration'"} <= set(found)
    assert "extraction" in found["column 'extration'"].allowed


def test_an_empty_table_is_refused():
    assert "rows" in faults()


def test_merged_cells_of_a_workbook_are_refused():
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for cells in (HEAD.split(","), ["A", 0, "EO", 3.0, "mg/device"]):
        book.active.append(cells)
    plain = io.BytesIO()
    book.save(plain)
    assert results_from_bytes(plain.getvalue(), "lab.xlsx").rows[0].result == 3.0
    book.active.merge_cells("A2:A3")
    merged = io.BytesIO()
    book.save(merged)
    with pytest.raises(InputError, match="A2:A3"):
        results_from_bytes(merged.getvalue(), "lab.xlsx")


def test_a_decimal_comma_is_read_when_columns_are_split_by_semicolons():
    rows = read("A;0;EO;20,5;mg/device", head=HEAD.replace(",", ";")).rows
    assert rows[0].result == 20.5


def test_headers_of_the_template_are_all_read():
    names = [name for name, _, _ in TEMPLATE_COLUMNS]
    cells = {"lot": "A", "aeration_h": "6", "substance": "EO", "result": "3", "unit": "mg/device"}
    assert read(",".join(cells.get(n, "") for n in names), head=",".join(names)).rows


def amounts(line, head, **given):
    return device_amounts(read(line, head=head).rows, **given)[0].amount_mg


def test_units_turn_into_mg_per_device():
    # Arithmetic: ug/mL x mL, ug/g x g, ug/cm2 x cm2, each over 1000.
    head = HEAD + ",extract_volume_ml"
    assert amounts("A,0,EO,20,ug/mL,100", head) == pytest.approx(2.0)
    assert amounts("A,0,EO,20,ug/g", HEAD, device_mass_g=50.0) == pytest.approx(1.0)
    assert amounts("A,0,EO,20,ug/cm2", HEAD, area_cm2=200.0) == pytest.approx(4.0)
    assert amounts("A,0,EO,500,ug/device", HEAD) == pytest.approx(0.5)
    part = head + ",sample_mass_g,device_mass_g"
    assert amounts("A,0,EO,20,ug/mL,100,5,50", part) == pytest.approx(20.0)


@pytest.mark.parametrize("unit", ["ug/mL", "ug/g", "ug/cm2"])
def test_a_unit_is_not_turned_without_mass_volume_or_area(unit):
    with pytest.raises(InputError, match="row 2, column unit"):
        device_amounts(read(f"A,0,EO,20,{unit}").rows)
