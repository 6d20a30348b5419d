"""Every label and sentence of the laboratory screen."""

from __future__ import annotations

LABORATORY = "Laboratory results"
WHAT = (
    "Residue tests at several aeration times give a dissipation curve and a release time; tests "
    "at one time are shown beside their limit. Nothing is taken from a table with a fault."
)
UPLOAD = "Table of results (CSV or Excel)"
TEMPLATE = "No table yet? Fill in the template."
TEMPLATE_CSV, TEMPLATE_XLSX = "Template (CSV)", "Template (Excel)"
DEMO, OPEN = "Demo results (invented)", "Open these results"
NO_TABLE = "No results yet. Take a table of your own, or the invented ones of the demo."
IN_HAND = "In hand"
RESULTS_READ = "results"
TABLE_FAULTS = "The table cannot be used; nothing was taken from it."
ASKED_FAULTS = "These results cannot be answered as asked."
SUBSTANCE, CONFIDENCE, MODEL = "Substance", "Confidence of the prediction limit", "Model"
MODELS = {"both": "both, the later one rules", "pooled": "all results pooled",
          "lots": "lot as a random factor"}  # fmt: skip
LIMIT = {"EO": "Limit of EO (mg per device)", "ECH": "Limit of ECH (mg per device)",
         "EG": "Screening reference of EG (mg per device)"}  # fmt: skip
LIMIT_PER_AREA = {"EO": "Limit of EO (µg/cm²)", "ECH": "Limit of ECH (µg/cm²)",
                  "EG": "Screening reference of EG (µg/cm²)"}  # fmt: skip
LIMITS_IN = "Limits in"
PER_DEVICE, PER_AREA = "mg per device", "µg per cm² of contact area"
GIVE_LIMIT = "Give the limit to see the answer."
LIMIT_HELP = "From the allowable limits for the patient contact of this device, or the maker's."
OTHER_LIMIT_HELP = "Leave it empty to leave this substance out."
MASS, AREA = "Mass of the device (g)", "Contact area of the device (cm²)"
MASS_HELP = "Needed where results are in ug/g, or from a part of the device."
AREA_HELP = "Needed where results or limits are in µg/cm²."
FROM_H = "Use results from this hour on (h)"
ONLY = {
    "device": "Use only the device", "state": "Use only the state",
    "packaging": "Use only the packaging", "extraction": "Use only the extraction",
    "aeration_temperature_c": "Use only the aeration temperature (°C)",
    "lot": "Use only the lot", "aeration_h": "Use only the hour (h)",
}  # fmt: skip
CHOOSE = "The table holds results that cannot be put together. Choose what to use:"
NOT_GIVEN = "not given"
NARROW, ALL = "One lot or one hour only", "all"
CHOOSE_ONE = "choose one"
REFERENCE_GROUP, MARGIN = "Compare groups with", "Difference that can be lived with (h)"
LAYER = "Layer model beside the line"
LAYER_HELP = "Describe the part that holds most of the gas. Its shipped record is the prior."
MATERIAL, NO_LAYER = "Material of the part", "no layer model"
SHAPE, THICKNESS, DIAMETER = "Shape", "Thickness or wall (mm)", "Outer diameter (mm)"
SHAPES = ("sheet", "tube", "rod", "sphere", "fibre")
FACES, PACKAGING = "Open faces", "Packaging in aeration"
AS_TABLE = "as the table says"
TEMPERATURE = "Aeration temperature (°C), if the table does not say"
EXPOSURE, EXPOSURE_TEMPERATURE = (
    "Start from a gas exposure of (h), empty for an even start", "Temperature of the exposure (°C)",
)  # fmt: skip
PREDICTED = "Beside the prediction of the last check"
ITEM, NO_ITEM = "Item of the last check", "no comparison"
NO_CHECK = "Check a load on the page Result to compare its prediction with these results."
PART_MASS = "Mass of the part (g), to keep uptake and start level"
GAS = "EO in that gas (mg/L), to keep them"
WORKING = "Fitting the results"
RELEASE, MEETS, TOLERANCE = "Release time", "Prediction limit meets the limit", "95/95 tolerance"
FITS = "Models side by side"
PICTURE_WIDTH = 700
CAUTIONS, GROUPS, OTHERS = "Cautions", "Groups, worst first", "Other substances"
RESULTS = "Every result beside its limit"
CERTIFICATES = "Certificates"
INTO_LOAD = "Take it into the load in hand"
RECORD_HELP = (
    "The fitted numbers replace the shipped record in a check, for the items named, with the "
    "laboratory report as their source. Add the text to the site file, or use it now."
)
SAVE_RECORD = "Material record (TOML)"
FOR_ITEMS, USE_RECORD = "Items of the load in hand", "Use what was fitted"
USE_RELEASE = "Use the release time"
TAKEN_OVER = "The load in hand uses it now. Check the load to see the effect."
SAVE_SHEET, SAVE_ANSWER = "Release-time sheet (HTML)", "Answer (JSON)"

# What the library calls an option, and where it stands on the screen.
PLACES = {
    "--margin-h": MARGIN, "--reference-group": REFERENCE_GROUP, "--material": MATERIAL,
    "--shape": SHAPE, "--thickness-mm": THICKNESS, "--outer-diameter-mm": DIAMETER,
    "--packaging": PACKAGING, "--part-mass-g": PART_MASS, "--eo-mg-per-l": GAS,
    "--after-exposure-h": EXPOSURE, "--temperature-c": TEMPERATURE, "--model": MODEL,
    "--substance": SUBSTANCE, "confidence": CONFIDENCE,
    **{f"limit of {name}": label for name, label in LIMIT_PER_AREA.items()},
}  # fmt: skip
