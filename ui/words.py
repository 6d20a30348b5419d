"""Every label, help text and heading of the screens, with its unit."""

from __future__ import annotations

import re

from eo_risk.output.numbers import printable, shown_unit
from eo_risk.plan.site_entries import UnitsShown

TITLE = "EO load check"
NEW_LOAD, LOAD, CYCLE, RESULT = "New load", "Load", "Cycle and aeration", "Result"
CHECK = "Check this load"
STALE = "The inputs changed since this result. Check again."
NO_RESULT = "No result yet. Check the load to see a verdict per item."
CHECKING = "Checking the load"
APPLY = "Apply"
APPLY_HELP = f"Nothing entered here counts until {APPLY}; leaving the page drops it."
FAULTS = "These inputs cannot be used; the plan keeps its last usable values."
TABLE_HELP = (
    "One row per item; scroll right for more columns. An empty cell is unknown: it takes a "
    "range or blocks, and is never good news. Write none where the instructions name no such "
    "number. Needed by takes a time such as 15:00. A row holds one part, lumen and drying step; "
    "further ones stand under All fields of one item. No patient names or numbers."
)
ALSO = "Also has"
HOW_SAMPLED = "Samples and seed"
SAMPLES = "Samples per uncertain number"
SEED = "Seed"
OPEN_DEMO = "Demo plan (invented hospital)"
OPEN_PLAN = "Open a plan file (JSON)"
SAVE_PLAN = "Save the plan (JSON)"
SAVE_HELP = "Nothing is kept on its own: loading this page anew drops what is not saved."
SAVE_SHEET = "Load sheet to print (HTML)"
SAVE_REPORT = "Report and load sheet (HTML)"
SAVE_ANSWER = "Answer (JSON)"
IMPORT_ITEMS = "Import items (CSV or Excel)"
REPLACE = "Replace all items"
APPEND = "Add to the items"
DETAILS = "All fields of one item"
ITEM = "Item"
AXIS = "Amount axis"
UNKNOWN = "unknown"
LOAD_IN_HAND = "Load in hand"
ITEMS = "Items"
ITEMS_TABLE = "Items of the load"
OPEN, OPEN_FILE, IMPORT = "Open", "Open this file", "Import"
FILE_FAULTS = "The file was not opened."
IMPORT_HOW = "Imported items"
UNDERSTOOD = "The list was read as"
PART, LUMEN, DRYING, OUTSIDE, STEP = "Part", "Lumen", "Drying step", "outside", "Aeration step"
ADD, REMOVE_LAST = "Add", "Remove last"
ADD_STEP, REMOVE_STEP = "Add an aeration step", "Remove the last aeration step"
MORE_PARTS = "Add or remove parts, lumens, drying steps and what is packed with it"
NOTHING_BESIDE = f"Tray, container, gasket or textile: none yet. See {MORE_PARTS}."
WASHES, GAS = "Air washes", "Gas"
ITEM_TABS = ("Item", "Parts", "Lumens and drying", "Water outside", "Packed with it",
             "Patient contact", "Instructions for use")  # fmt: skip
COATING = "Coating on its outer face, where it has one"
BESIDE = "Packed with it"
CYCLE_TABS = ("Load and steriliser", "Cycle", "Aeration", "Room", "Rules")

SITE_FILE, SITE_IN_USE, UNNAMED_SITE = "Site file", "In use", "a site without a name"
NO_SITE = "None in use: cycles, aerators and devices have no names yet."
LEFT_OUT = "Entries that cannot be read; the others are in use:"
OWN_SITE = "Use my own site file"
DEMO_SITE = "Use the invented site of the demo"
SITE_PATH, USE_PATH = "Path of a site file (TOML)", "Use this path"
SITE_UPLOAD, USE_UPLOAD = "Site file from this computer (TOML)", "Use this site file"
NO_SITE_CYCLES = (
    "A new load is made from the names of a site file with a cycle and an aeration. Choose one "
    "under Site file in the sidebar; `eo-risk template site` writes one to fill in. Without one, "
    "open a plan file and change it."
)
OWN_DEVICES, STARTING_TYPES = "Our devices", "Other items, by starting type"
CHOOSE_NAMES, NO_DEVICES = "type to find, Enter to choose", "the site file has no device"
START_DAY, START_TIME = "Day of the cycle start", "Time of the cycle start"
CYCLE_NAME, AERATION_NAME, ROOM_NAME = "Cycle", "Aeration", "Room"
MAKE_LOAD, AS_THE_SITE_SAYS = "Make this load", "as the site file says"
FROM_SITE, TAKE = "From the site file", "Take"
ADD_BY_NAME, ADD_ITEMS = "Add items by name", "Add these items"
FILL_ALL, UNCHANGED = "The same for every item that leaves it unknown", "leave as it is"
FILL, FILLED = "Fill the unknown cells", "cells filled"
AS_RUN = "As run: the chart over the plan"
RUN_FILE, LAY_OVER = "Chart (CSV, Excel) or measured values (JSON)", "Lay over the plan"
RUN_HELP = (
    "Measured values replace planned ones and the plan becomes 'as run'. A gap or a clock that "
    "jumps is refused, never bridged. `eo-risk template chart` writes a chart to fill in."
)
RUN_FAULTS = "The chart was not taken; the plan is as it was."
DIFFERENCES = "What the run changed"
DIFFERENCE_HEADER = ("Field", "Planned", "As run", "Note")

DEFAULT_SEED, DEFAULT_SAMPLES, SAMPLE_CHOICES = 1, 2048, (512, 2048, 8192)
WORST_FIRST = ("Hold", "Not assessed", "Close", "Within")
# A sign of its own shape for every verdict; it says no more than the word beside it.
SIGN = {"Hold": "⬣", "Not assessed": "◌", "Close": "▲", "Within": "✓"}
VERDICT, VERDICTS, REASON, ACTION = "Verdict", "Verdict of every item", "Reason", "Action"
VERDICT_HEADER = (ITEM, VERDICT, REASON, "Against the limit", ACTION, "Aeration needed")
EARLIEST_OUT, AERATION_NEEDED, NOT_KNOWN = "Earliest out", "Aeration needed", "not known"
OFFSET = "UTC"
WHY, CHANGES = "Why", "What would change this verdict"
SURER = "Nothing needs to change; it would be surer with"
CAUTIONS, LOAD_CAUTIONS = "Cautions", "Cautions of the load"
OWN_RECORDS = "The site's own records used"
MATTERS, ASSUMED = "What matters most", "Assumed values"
LOAD_ASSUMED = "Assumed values of the load"
FROM_TYPE = "From starting type"
RESIDUES, WATER = "Residues at the end of the planned aeration", "Leftover water per piece"
AXES = ("linear", "logarithmic")
NO_EO = "No part of this item holds EO that a curve could show."
NUMBERS_HELP = (
    "A number may carry its unit: 0.5 mm, 12 Fr, 1/4 in, 131 F, 90 min; a pressure says how it "
    "is read: 27 inHg vacuum, 20 psi gauge, 60 kPa absolute."
)
NOT_UNDERSTOOD = "Not understood"
TIME_HELP = "Date, time and offset, such as 2026-04-14T06:30+02:00"
FREE_TEXT_HELP = "Free text; no patient names or numbers"

# Unit of a field by the ending of its name; the longest ending that fits wins.
_UNITS = {
    "_mg_per_l": "mg/L", "_mg_per_l_low": "mg/L, lowest", "_mg_per_l_high": "mg/L, highest",
    "_g_per_cm3": "g/cm³", "_nl_per_min": "NL/min", "_gauge_bar": "bar gauge",
    "_changes_per_h": "1/h",
    "_kpa": "kPa absolute", "_mm": "mm", "_cm": "cm", "_cm2": "cm²", "_g": "g", "_mg": "mg",
    "_kg": "kg", "_h": "h", "_min": "min", "_c": "°C", "_percent": "%", "_l": "L", "_m3": "m³",
    "hours": "h", "minutes": "min", "seconds": "s", "minutes_each": "min", "_ph": "pH",
}  # fmt: skip
_WHOLE = {
    "hours": "Hours aerated (h)",
    "minutes": "Minutes (min)",
    "seconds": "Seconds (s)",
    "minutes_each": "Minutes for each wash (min)",
    "count": "Number of washes",
    "how": "Emptied by",
    "method": "Drying method",
    "eo_allowed": "EO allowed by the instructions",
    "droplets_seen": "Droplets seen",
    "droplets_counted": "Droplets counted",
    "blocked": "Channel blocked",
    "conditioning_rh_percent": "Humidity in the chamber (% RH)",
    "air_rh_percent": "Humidity of the air (% RH)",
    "eo_mg_per_l": "EO concentration (mg/L)",
    "eo_mg_per_l_low": "Lowest EO concentration (mg/L)",
    "eo_mg_per_l_high": "Highest EO concentration (mg/L)",
    "eo_mass_percent": "EO in the gas by mass (%)",
    "measured_mg": "Water measured (mg)",
    "scale_error_mg": "Error of the scale (mg)",
    "textile_g": "Damp textile (g)",
    "dry_mass_g": "Dry mass of the textile (g)",
    "rinse_ph": "Rinse water, where acid or alkali is carried over (pH)",
    "orientation": "While it hung",
    "branch_of": "Opens into the channel named",
    "aeration_flow_nl_per_min": "Air led through it in the aeration (NL/min)",
    "glycol_removal": "Removal of EG to credit",
    "mass_g": "Mass per piece (g)",
    "body_mass_kg": "Lightest patient (kg)",
    "lightest_patient_kg": "Lightest patient of the site (kg)",
    "quantity": "Pieces",
    "name": "Name",
    "note": "Note",
    "needed_by": "Needed by",
    "low_kpa": "Low pressure (kPa absolute)",
    "high_kpa": "High pressure (kPa absolute)",
    "vacuum_kpa": "Vacuum (kPa absolute)",
    "evacuation_kpa": "Evacuated to (kPa absolute)",
    "total_pressure_kpa": "Pressure in exposure (kPa absolute)",
    "ambient_kpa": "Ambient pressure (kPa absolute)",
    "gas": "Gas of the washes",
    "balance": "Balance gas",
    "beyond_cap_h": "Hours beyond which to measure (h)",
    "length_h": "Whole cycle, when given (h)",
    "volume_l": "Chamber volume (L)",
    "load_temperature_start_c": "Load at the start (°C)",
    "site_minimum_aeration_h": "Aeration minimum of the site (h)",
    "laboratory_release_h": "Laboratory release time (h)",
    "special": "Special situation",
    "duration": "Patient contact",
    "faces": "Open faces of a sheet",
    "open_faces": "Open faces of a tube",
    "open_ends": "Open ends",
    "interrupted_h": "Interrupted (h)",
    "holds_other_load": "Another load in the aerator",
    "air_changes_per_h": "Air changes (1/h)",
    "edition": "Edition of the limits",
    "glycol_reference": "Screening reference of EG",
    "glycol_above_reference": "EG above its reference",
    "full_load": "Full loads asked for",
    "irradiated_chlorinated": "Chlorinated plastic irradiated before",
    "slow_pool": "Slow pool in the hours",
}
# Headers of the items table, by path in an item.
COLUMNS = {
    "name": "Item",
    "quantity": "Pieces",
    "starting_type": "Starting type",
    "packaging": "Packaging",
    "droplets_seen": "Droplets outside",
    "external_water.state": "Outside was",
    "lumens[0].droplets_seen": "Droplets in lumen",
    "lumens[0].blocked": "Channel blocked",
    "lumens[0].drying[0].method": "Lumen dried by",
    "lumens[0].drying[0].minutes": "Drying (min)",
    "lumens[0].drying[0].pressure_gauge_bar": "Drying air (bar gauge)",
    "needed_by": "Needed by",
    "rinse_water": "Rinse water",
    "lubricant": "Lubricant",
    "instructions.eo_allowed": "EO allowed",
    "instructions.aeration_h": "Instructions: aeration (h)",
    "instructions.aeration_temperature_c": "Instructions: aeration at (°C)",
    "instructions.highest_temperature_c": "Instructions: highest temperature (°C)",
    "instructions.highest_air_pressure_gauge_bar": "Instructions: highest air (bar gauge)",
    "instructions.highest_chamber_kpa": "Instructions: highest chamber (kPa absolute)",
    "instructions.eo_mg_per_l_low": "Instructions: lowest EO (mg/L)",
    "instructions.eo_mg_per_l_high": "Instructions: highest EO (mg/L)",
    "patient.duration": "Patient contact",
    "patient.body_mass_kg": "Lightest patient (kg)",
    "patient.contact_area_cm2": "Contact area (cm²)",
    "parts[0].material": "Material of the first part",
    "parts[0].mass_g": "Mass (g)",
    "parts[0].thickness_mm": "Thickness (mm)",
    "parts[0].wall_mm": "Wall (mm)",
    "parts[0].outer_diameter_mm": "Outer diameter (mm)",
    "lumens[0].bore_mm": "Bore (mm)",
    "lumens[0].length_mm": "Lumen length (mm)",
}


_MARKS = str.maketrans({sign: f"\\{sign}" for sign in "\\`*_{}[]<>()#+-!|$~:.&"})


def plain(text: object) -> str:
    """Take the meaning of markup away from text, so that it is shown as it stands."""
    return printable(text).translate(_MARKS)


def unit_of(field: str) -> str:
    """Return the unit of a field of the plan; empty for what has none or is no number."""
    unit = _UNITS.get(_ending(field), "").partition(",")[0]
    return unit.replace("°", "").replace("²", "2").replace("³", "3")


def _ending(field: str) -> str:
    return max((e for e in _UNITS if field.endswith(e)), key=len, default="")


def in_units(text: str, shown: UnitsShown) -> str:
    """Write a label that ends with its unit in brackets in the unit the site shows."""
    match = re.fullmatch(r"(.*) \((.+)\)", text)
    if match is None:
        return text
    unit = "C" if match[2] == "°C" else match[2]
    return text if shown.unit(unit) == unit else f"{match[1]} ({shown_unit(shown.unit(unit))})"


def label(field: str, shown: UnitsShown | None = None) -> str:
    """Name a field of the plan with its unit, that of the field or the one the site shows."""
    return in_units(_label(field), shown or UnitsShown())


def _label(field: str) -> str:
    if field in _WHOLE:
        return _WHOLE[field]
    ending = _ending(field)
    words = field.removesuffix(ending).replace("_", " ").capitalize()
    words = re.sub(r"\beo\b", "EO", words, flags=re.IGNORECASE)
    return f"{words} ({_UNITS[ending]})" if ending else words


def choice(word: str | None) -> str:
    """Write a word of the plan for reading; a blank is unknown."""
    return UNKNOWN if word in (None, "") else str(word).replace("_", " ")
