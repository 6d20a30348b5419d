"""Commands `materials` and `sources`: the reference tables, as rows."""

from __future__ import annotations

import argparse

from eo_risk.commands.printing import add_json_flag, columns, emit, significant

# Column of a row: the record it comes from.
_NUMBERS = {
    "diffusivity_25c_cm2_per_s": "diffusivity",
    "activation_kj_per_mol": "activation",
    "uptake_50c_l_per_g": "uptake",
    "density_g_per_cm3": "density",
}
_RECORD_FIELDS = (
    "id", "quantity", "value", "low", "high", "unit", "spread", "temperature_c", "valid_low_c",
    "valid_high_c", "status", "data_class", "source", "locator", "note",
)  # fmt: skip


def register(subparsers) -> None:
    """Add the commands to the parser."""
    materials = subparsers.add_parser(
        "materials", help="list the materials a part can be made of, with their numbers"
    )
    materials.add_argument("name", nargs="?", help="show every record of this material id")
    add_json_flag(materials)
    materials.set_defaults(run=run_materials)
    sources = subparsers.add_parser("sources", help="list the bibliography")
    add_json_flag(sources)
    sources.set_defaults(run=run_sources)


def _material_row(material) -> dict:
    from eo_risk import reference

    records = reference.records()
    row = {
        "id": material.id,
        "name": material.name,
        "behaviour": material.behaviour,
        "members": list(material.members),
        "contains_chlorine": material.contains_chlorine,
    }
    for column, quantity in _NUMBERS.items():
        record = records.get(f"{material.id}.{quantity}")
        row[column] = None if record is None else record.value
        row[f"{column}_low"] = None if record is None else record.low
        row[f"{column}_high"] = None if record is None else record.high
    # The weakest of the numbers that decide; a material that takes up no EO has no class.
    deciding = [
        records[f"{member}.{quantity}"].data_class
        for member in material.members or (material.id,)
        for quantity in ("diffusivity", "uptake")
        if f"{member}.{quantity}" in records
    ]
    row["class"] = max(deciding, default=None)
    row["note"] = material.note
    return row


def _materials_text(rows: list[dict]) -> str:
    shown = [
        (
            row["id"],
            row["behaviour"],
            significant(row["diffusivity_25c_cm2_per_s"]),
            significant(row["activation_kj_per_mol"]),
            significant(row["uptake_50c_l_per_g"]),
            significant(row["density_g_per_cm3"]),
            row["class"] or "-",
        )
        for row in rows
    ]
    header = ("material", "behaviour", "D25 cm2/s", "Ea kJ/mol", "uptake L/g", "g/cm3",
              "class")  # fmt: skip
    notes = ["D25 is the diffusivity of EO at 25 C, the uptake that at 50 C."] + [
        f"{row['id']}: one of {', '.join(row['members'])}" for row in rows if row["members"]
    ]
    key = (
        "Class: A measured, B implied by measurements or recalled, C estimated. Mid values; "
        "bands, sources and\nlocators: eo-risk materials NAME, or --json."
    )
    return "\n".join([columns(shown, header), "", *notes, *([""] if notes else []), key])


def _number_text(record: dict) -> str:
    unit = "" if record["unit"] in ("1", "-") else f" {record['unit']}"
    text = f"{significant(record['value'])}{unit}"
    if record["low"] == record["high"]:
        return text
    return f"{text} ({significant(record['low'])} to {significant(record['high'])})"


def _records_text(material, records: list[dict]) -> str:
    lines = [f"{material.name} ({material.id})"]
    if material.note:
        lines.append(material.note)
    if material.members:
        lines.append(f"one of {', '.join(material.members)}, each as likely")
    for record in records:
        lines += [
            "",
            f"{record['id']}: {_number_text(record)}, class {record['data_class']}, "
            f"{record['status']}",
            f"    {record['quantity']}",
            f"    [{record['source']}] {record['locator']}",
        ]
        if record["note"]:
            lines.append(f"    {record['note']}")
    return "\n".join(lines)


def run_materials(args: argparse.Namespace) -> int:
    """Print every material, or every record of one; returns the exit code."""
    from eo_risk import reference

    if args.name is None:
        rows = [_material_row(material) for material in reference.materials().values()]
        emit(args, {"rows": rows}, _materials_text(rows))
        return 0
    material = reference.material(args.name)
    wanted = material.members or (material.id,)
    found = [
        {field: getattr(record, field) for field in _RECORD_FIELDS}
        for record in reference.records().values()
        if record.id.partition(".")[0] in wanted
    ]
    answer = {"rows": [_material_row(material)], "records": found}
    emit(args, answer, _records_text(material, found))
    return 0


def run_sources(args: argparse.Namespace) -> int:
    """Print the bibliography with what was read of it; returns the exit code."""
    from eo_risk import reference

    used: dict[str, list[str]] = {key: [] for key in reference.sources()}
    for record in reference.records().values():
        used[record.source].append(record.id)
    rows = [
        {"key": source.key, "citation": source.citation, "read": source.read,
         "records": used[source.key]}
        for source in reference.sources().values()
    ]  # fmt: skip
    text = "\n".join(
        f"[{row['key']}] {row['citation']}\n    read: {row['read']}; "
        f"records: {len(row['records'])}"
        for row in rows
    )
    emit(args, {"rows": rows}, text)
    return 0
