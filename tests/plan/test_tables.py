"""Tables of items: what is read, what is stated, what is refused. Invented input only."""

import io
import json
import zipfile
from datetime import time

import openpyxl
import pytest

from eo_risk import spreadsheet
from eo_risk.errors import Fault, InputError, MissingExtraError
from eo_risk.plan.load_plan import Item, read_plan
from eo_risk.plan.site import parse_site, resolve
from eo_risk.plan.tables import COLUMNS, HEADERS, items_csv, items_from_bytes, read_items


def read(text, name="items.csv"):
    return items_from_bytes(text.encode("utf-8"), name)


def faults(text, name="items.csv"):
    with pytest.raises(InputError) as caught:
        read(text, name)
    return {fault.where: fault for fault in caught.value.faults}


def workbook(change=lambda sheet: None):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["name", "material", "mass [oz]", "droplets_seen", "bore_mm", "needed_by"])
    sheet.append(["tube", "silicone", 1.5, False, 3, time(15, 0)])
    change(sheet)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name,material,mass_g\ntube,silicone,1.5\n", "separated by commas, decimal point, 1 row"),
        ("name;material;mass_g\ntube;silicone;1,5\n", "separated by semicolons, decimal comma"),
        ("name\tmaterial\tmass_g\ntube\tsilicone\t1,5\n", "separated by tabs, decimal comma"),
        ("\ufeffname;material;mass_g\r\ntube;silicone;1.5\r\n", "semicolons, decimal point"),
        ('name,material,mass_g\n"tube",silicone,"1500 mg"\n', "commas"),
        ("Name; Material ;Mass (mg)\ntube;silicone;1500\n\n", "semicolons"),
    ],
)
def test_every_style_gives_the_same_mass_and_says_what_was_understood(text, said):
    table = read(text)
    assert said in table.understood
    item = Item.model_validate(table.items[0])
    assert item.parts[0].mass_g == pytest.approx(1.5)
    assert (item.name, item.parts[0].material) == ("tube", "silicone")


def test_a_fraction_takes_the_unit_of_its_header_or_its_own():
    table = read("name,material,bore [in],length [in]\ntube,silicone,1/4,1/2 mm\n")
    lumen = Item.model_validate(table.items[0]).lumens[0]
    assert (lumen.bore_mm, lumen.length_mm) == (6.35, 0.5)


def test_a_file_of_another_kind_is_named_by_its_headers_alone(demo):
    plan = (demo / "wet_lumen.json").read_text(encoding="utf-8")
    assert list(faults(plan, "wet_lumen.json")) == ["column '{'"]


def test_units_of_header_and_cell_are_honoured():
    item = Item.model_validate(
        read(
            "name,material,mass [oz],bore [Fr],length [in],highest_temperature [F],"
            "highest_air_pressure [psi gauge],aeration [min]\n"
            "tube,silicone,2,12,0.1 m,131,10,720\n"
        ).items[0]
    )
    assert item.parts[0].mass_g == pytest.approx(56.699, rel=1e-4)
    assert item.lumens[0].bore_mm == pytest.approx(4.0)
    assert item.lumens[0].length_mm == pytest.approx(100.0)
    assert item.instructions.highest_temperature_c == pytest.approx(55.0)
    assert item.instructions.highest_air_pressure_gauge_bar == pytest.approx(0.68948, rel=1e-4)
    assert item.instructions.aeration_h == pytest.approx(12.0)


def test_every_fault_is_collected_with_row_and_column():
    found = faults(
        "name,material,mass_g,bore_mm,droplets_seen,needed_by,joints\n"
        "a,silicon,-1,0,maybe,tomorrow,1.5\n"
        "a,silicone,nan,3 mg,no,2026-04-14T15:00+02:00,2,9\n"
        ",silicone,,,,,\n"
        "b,,5,,,,\n"
    )
    assert set(found) == {
        "row 2, column material", "row 2, column mass_g", "row 2, column bore_mm",
        "row 2, column droplets_seen", "row 2, column needed_by", "row 2, column joints",
        "row 3, column mass_g", "row 3, column bore_mm", "row 3, column 8", "row 3, column name",
        "row 4, column name", "row 5, column material",
    }  # fmt: skip
    assert "silicone" in found["row 2, column material"].allowed
    assert found["row 2, column mass_g"].allowed == "more than 0 to 100000 g"
    assert "cannot be turned into mm" in found["row 3, column bore_mm"].allowed


def test_mixed_decimal_styles_are_refused_naming_both_cells():
    found = faults("name;material;mass_g\na;ldpe;1,5\nb;ldpe;2.5\n")
    text = str(found["items.csv"])
    assert "'1,5' in row 2, column 3" in text
    assert "'2.5' in row 3, column 3" in text
    assert "thousands" in str(faults("name;material;mass_g\na;ldpe;1.234,5\n"))
    assert "semicolons or tabs" in str(faults('name,material,mass_g\na,ldpe,"1,5"\n'))


def test_a_result_below_a_limit_follows_the_style_of_the_file():
    sheet = spreadsheet.sheet_from_bytes(b"lot;result\nA;<0,05\nB;1,5\n", "lab.csv")
    assert [row.cells["result"] for row in sheet.rows] == ["<0.05", "1.5"]
    assert sheet.decimal_comma
    with pytest.raises(InputError, match="one style"):
        spreadsheet.sheet_from_bytes(b"lot;result\nA;<0,05\nB;1.5\n", "lab.csv")


def test_names_may_begin_with_a_number_in_any_style():
    table = read("name;material;mass_g\n3.5 mm scope;ldpe;1,5\n2,5 mm tube;ldpe;2\n")
    assert [item["name"] for item in table.items] == ["3.5 mm scope", "2,5 mm tube"]


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("mas_g", "mass_g"),
        ("mass", "mass_g"),
        ("mass [mm]", "kg, g, mg"),
        ("highest_air_pressure [bar absolute]", "bar"),
        ("highest_air_pressure [bar]", "bar"),
        ("name", "once"),
    ],
)
def test_headers_that_do_not_fit_are_refused(header, said):
    found = faults(f"name,material,{header}\na,silicone,1\n")
    assert any(said in fault.allowed for fault in found.values())


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty table"),
        (b"name,material\n", "one row per item"),
        (b"\xff\xfe\x00n", "UTF-8"),
        (b"a\x00b", "UTF-8"),
        (b'name,material\n"tube,silicone\n', "quotes"),
        (b"x" * 20_000_001, "up to 20 MB"),
        (b"name,material\n" + b"a,silicone\n" * 20_001, "rows"),
    ],
)
def test_a_file_that_is_no_table_is_refused(content, said):
    with pytest.raises(InputError, match=said):
        items_from_bytes(content, "items.csv")


def test_a_device_or_a_starting_type_stands_for_the_parts():
    table = read("device,starting_type,name,packaging\nown scope,,,own wrap\n,forceps,f,none\n")
    assert table.items[0] == {"device": "own scope", "packaging": "own wrap"}
    assert table.items[1]["starting_type"] == "forceps"
    assert "row 2, column material" in faults("name,packaging\nf,none\n")


def test_every_column_goes_to_a_field_of_an_item(demo):
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))["items"]
    table = read(items_csv(raw))
    for given, back in zip(raw, table.items, strict=True):
        assert given["name"] == back["name"]
        Item.model_validate(back)
        assert [p["name"] for p in given["parts"]] == [p["name"] for p in back["parts"]]
        assert [lm.get("drying", []) for lm in given.get("lumens", [])] == [
            lm.get("drying", []) for lm in back.get("lumens", [])
        ]
    assert items_csv(table.items) == items_csv(raw)
    assert len(set(HEADERS)) == len({column.path for column in COLUMNS}) == len(COLUMNS)


CONTINUED = """name,quantity,part,material,mass_g,lumen,wall_part,bore_mm,drying_method,drying_min
scope,2,sheath,polyurethane_soft,80,channel,sheath,2.8,compressed_air,10
,,handle,polysulfone,120,jet,sheath,0.8,compressed_air,5
,,,,,jet,,,cabinet,30
,,tip,stainless_steel,4,,,,,
forceps,1,,stainless_steel,40,,,,,
"""


def test_rows_without_a_name_continue_the_item_above():
    scope, forceps = (Item.model_validate(item) for item in read(CONTINUED).items)
    assert [(p.name, p.material, p.mass_g) for p in scope.parts] == [
        ("sheath", "polyurethane_soft", 80.0), ("handle", "polysulfone", 120.0),
        ("tip", "stainless_steel", 4.0),
    ]  # fmt: skip
    assert [(lm.name, lm.wall_part, lm.bore_mm) for lm in scope.lumens] == [
        ("channel", "sheath", 2.8), ("jet", "sheath", 0.8),
    ]  # fmt: skip
    assert [(d.method, d.minutes) for d in scope.lumens[1].drying] == [
        ("compressed_air", 5.0), ("cabinet", 30.0),
    ]  # fmt: skip
    assert scope.quantity == 2
    assert [p.name for p in forceps.parts] == ["body"]


def test_faults_of_continued_items_stand_at_their_own_row():
    found = faults(
        "name,quantity,part,material,mass_g,outer_diameter_mm,lumen,wall_part,bore_mm,drying_min\n"
        "scope,1,sheath,polyurethane_soft,80,3,channel,sheeth,2.8,10\n"
        ",2,handle,,-1,,,,,\n"
        ",,,silicone,1,,jet,sheath,9,\n"
        ",,,,,,channel,,,long\n"
        ",,handle,silicone,2,,,,,\n"
        ",,,silicone,2,,,,,\n"
    )
    assert set(found) == {
        "row 2, column wall_part", "row 3, column quantity", "row 3, column material",
        "row 3, column mass_g", "row 4, column part", "row 4, column bore_mm",
        "row 5, column drying_min", "row 6, column part", "row 7, column name",
    }  # fmt: skip
    assert "sheath" in found["row 2, column wall_part"].allowed
    assert found["row 4, column bore_mm"].allowed == "below 3 mm"
    assert "row 2, column name" in faults("name,part,material\n,tip,silicone\n")


def test_a_device_takes_further_parts_and_dries_its_lumens_by_name():
    text = ("name,device,lumen,drying_method,drying_min,part,material,mass_g\n"
            ",our scope,,,,,,\n,,working channel,compressed_air,10,,,\n"
            ",,,,,cap,silicone,3\n")  # fmt: skip
    site = parse_site(
        '[[device]]\nname = "our scope"\n'
        'parts = [{ name = "sheath", material = "polyurethane_soft" }]\n'
        'lumens = [{ name = "jet" }, { name = "working channel", bore_mm = 2.8 }]\n'
    )
    plan = {"schema_version": 1, "cycle": {}, "aeration": [{}], "items": list(read(text).items)}
    (scope,) = read_plan(resolve(plan, site)).items
    assert [p.name for p in scope.parts] == ["sheath", "cap"]
    assert [(lm.name, len(lm.drying)) for lm in scope.lumens] == [
        ("jet", 0), ("working channel", 1),
    ]  # fmt: skip
    assert scope.lumens[1].bore_mm == 2.8


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_what_goes_out_cannot_run_as_a_formula_and_comes_back(start):
    name = f"{start}HYPERLINK(A1)"
    text = items_csv([{"name": name, "parts": [{"name": "body", "material": "silicone"}]}])
    assert f"\n'{name}," in text
    assert read(text).items[0]["name"] == name
    assert spreadsheet.neutralised(-1.5) == "-1.5"
    assert spreadsheet.neutralised("\t=1") == "'=1"


def test_a_workbook_reads_like_a_csv_file(tmp_path):
    path = tmp_path / "items.xlsx"
    path.write_bytes(workbook())
    table = read_items(path)
    assert table.understood == "Excel sheet 'Sheet', 1 row, 1 item"
    assert table.items[0].pop("needed_by") == "15:00"
    item = Item.model_validate(table.items[0])
    assert item.parts[0].mass_g == pytest.approx(42.5243, rel=1e-5)
    assert item.droplets_seen == "no"
    assert item.lumens[0].bore_mm == 3.0


def test_merged_cells_and_formulas_are_refused_by_cell():
    def spoil(sheet):
        sheet["C3"] = "=C2*2"
        sheet["A3"] = "#REF!"
        sheet["A3"].data_type = "e"
        sheet.merge_cells("D2:E2")

    with pytest.raises(InputError) as caught:
        items_from_bytes(workbook(spoil), "items.xlsx")
    assert {fault.where for fault in caught.value.faults} == {"cell C3", "cell A3", "cells D2:E2"}


def test_a_workbook_that_unpacks_to_too_much_is_refused_unread():
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        with archive.open("xl/worksheets/sheet1.xml", "w") as entry:
            for _ in range(201):
                entry.write(bytes(1_000_000))
    assert len(content.getvalue()) < 1_000_000
    with pytest.raises(InputError, match="201 MB unpacked"):
        items_from_bytes(content.getvalue(), "bomb.xlsx")


def test_a_workbook_with_a_far_cell_or_damage_is_refused():
    with pytest.raises(InputError, match="columns"):
        items_from_bytes(workbook(lambda s: s.cell(1_000_000, 1000, "x")), "far.xlsx")
    with pytest.raises(InputError, match="xlsx"):
        items_from_bytes(b"PK\x03\x04 damaged", "items.xlsx")
    with pytest.raises(InputError, match="xlsx"):
        items_from_bytes(b"old format", "items.xls")
    damaged = io.BytesIO()
    with zipfile.ZipFile(damaged, "w") as archive:
        archive.writestr("readme.txt", "no workbook")
    with pytest.raises(InputError, match="Save it again"):
        items_from_bytes(damaged.getvalue(), "items.xlsx")


def test_without_the_extra_the_message_names_it(monkeypatch):
    content = workbook()
    monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
    with pytest.raises(MissingExtraError, match="excel"):
        items_from_bytes(content, "items.xlsx")


def test_an_absent_file_is_named(tmp_path):
    with pytest.raises(InputError, match=r"absent\.csv"):
        read_items(tmp_path / "absent.csv")


def test_a_fault_of_a_further_part_is_named_by_its_own_row():
    table = read("name,part,material,mass_g\ntube,shaft,silicone,5\n,tip,peek,1\n")
    (fault,) = table.with_own([Fault("items[0].parts[1].mass_g", "x", "", "y", "z")])
    assert fault.where == "row 3, column mass_g"


def test_faults_of_the_plan_are_named_by_the_rows_of_the_list():
    text = CONTINUED + "mask,1,,silicone,9,,,,,\n"
    table = read(text)
    assert [draft.row for draft in table.drafts] == [2, 6, 7]
    paths = ("items[1].needed_by", "items[2].parts[0].material", "cycle.name", "items[9].name")
    found = table.with_own([Fault(path, "x", "", "y", "z") for path in paths])
    assert [fault.where for fault in found] == [
        "row 6, column needed_by", "row 7, column material", "cycle.name", "items[9].name",
    ]  # fmt: skip
    (after_one,) = table.with_own([Fault("items[2].name", "x", "", "y", "z")], 1)
    assert after_one.where == "row 6, column name"
