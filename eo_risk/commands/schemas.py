"""JSON Schema of what every command answers with ``--json``: keys are added, never renamed.

Each schema lists the keys that must exist; further keys are allowed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
NUMBER: Schema = {"type": "number"}
AMOUNT: Schema = {"type": "number", "minimum": 0}
WHOLE: Schema = {"type": "integer", "minimum": 0}
TEXT: Schema = {"type": "string"}
YES: Schema = {"type": "boolean"}
SHARE: Schema = {"type": "number", "minimum": 0, "maximum": 1}
LETTER: Schema = {"enum": ["A", "B", "C"]}
VERDICT: Schema = {"enum": ["Hold", "Not assessed", "Close", "Within"]}
LEVEL: Schema = {"enum": ["block", "warn", "inform"]}
SUBSTANCE: Schema = {"enum": ["EO", "ECH", "EG"]}
QUANTITY: Schema = {"enum": ["mg_per_device", "ug_per_cm2", "ug_per_lens"]}
PERIOD: Schema = {"enum": ["day", "24h", "30d", "lifetime", "total", "contact"]}
KIND: Schema = {"enum": ["limit", "screening"]}
HASH: Schema = {"type": "string", "pattern": "^[0-9a-f]{64}$"}


def or_null(schema: Schema) -> Schema:
    """Allow null beside a schema."""
    return {"anyOf": [schema, {"type": "null"}]}


def array(of: Schema) -> Schema:
    """Describe a list."""
    return {"type": "array", "items": of}


def block(**keys: Schema) -> Schema:
    """Describe an object whose keys must all exist; further keys are allowed."""
    named = {key.removesuffix("_"): schema for key, schema in keys.items()}
    return {"type": "object", "properties": named, "required": list(named)}


def band(of: Schema = AMOUNT, *points: str) -> Schema:
    """Describe the 5, 50 and 95 % points of a result."""
    return block(**dict.fromkeys(points or ("p05", "p50", "p95"), of))


def _caution() -> Schema:
    return block(code=TEXT, level=LEVEL, text=TEXT)


def _limit() -> Schema:
    return block(
        substance=SUBSTANCE, quantity=QUANTITY, limit=or_null(AMOUNT), unit=TEXT,
        period=PERIOD, kind=KIND, basis=TEXT, clause=TEXT, confidence=TEXT, source=TEXT,
    )  # fmt: skip


def _residue() -> Schema:
    return block(
        substance=SUBSTANCE, quantity=QUANTITY, period=PERIOD,
        model={"enum": ["whole", "film", "plug", "ceiling", "wet_spot"]},
        buffering=or_null({"enum": ["buffered", "unbuffered"]}),
        p05=AMOUNT, p50=AMOUNT, p95=AMOUNT, limit=or_null(AMOUNT), unit=TEXT, kind=KIND,
        basis=TEXT, used_for_verdict=YES, probability_over=or_null(SHARE),
    )  # fmt: skip


def _water_times() -> Schema:
    return {"after_drying": band(), "at_injection": band(), "after_aeration": band()}


def _item() -> Schema:
    place = {"enum": ["film", "crevice", "plug", "outside", "sorbed"]}
    return block(
        name=TEXT,
        quantity={"type": "integer", "minimum": 1},
        verdict=VERDICT,
        reasons=array(TEXT),
        causes=array(TEXT),
        actions=array(block(action=TEXT, detail=TEXT, amount=or_null(NUMBER), unit=TEXT,
                            new_verdict=or_null(VERDICT))),
        searched=YES,
        cautions=array(_caution()),
        assumed=_assumed(),
        question=or_null(block(field=TEXT, text=TEXT)),
        water_mg=block(**_water_times()),
        water_by_place=array(block(place=place, lumen=or_null(TEXT), **_water_times())),
        residues=array(_residue()),
        curve=block(hours=array(AMOUNT), eo_mg=band(array(AMOUNT)), ech_mg=band(array(AMOUNT)),
                    eg_mg=band(array(AMOUNT))),
        aeration_h=or_null(
            block(p50=or_null(AMOUNT), p95=or_null(AMOUNT), required=or_null(AMOUNT),
                  governed_by=TEXT, beyond_cap=YES, unreached=YES,
                  with_slow_pool_p95=or_null(AMOUNT), with_slow_pool_unreached=YES)
        ),
        matters_most=array(block(input=TEXT, share=NUMBER, on=TEXT)),
        records=array(block(id=TEXT, class_=LETTER)),
        deg_mg=or_null(band()),
        glycol_removed_mg=or_null(band()),
        water_allowed=or_null(
            block(reference_mg=AMOUNT, largest_mg=or_null(AMOUNT), air_minutes=or_null(AMOUNT),
                  spread=array(block(place=place, lumen=TEXT, mg=AMOUNT)), note=TEXT,
                  others_rule=YES)
        ),
    )  # fmt: skip


def _assumed() -> Schema:
    return array(block(field=TEXT, low=NUMBER, high=NUMBER, unit=TEXT))


def _load() -> Schema:
    return block(
        aeration_h_p95=or_null(AMOUNT),
        required_h=or_null(AMOUNT),
        earliest_out=or_null({"type": "string", "format": "date-time"}),
        slowest_item=or_null(TEXT),
        groups=array(block(items=array(TEXT), aeration_h_p95=or_null(AMOUNT))),
        eo_taken_up_mg=AMOUNT,
        eo_charge_mg=AMOUNT,
        depleted_eo_mg_per_l=or_null(AMOUNT),
        water_released_mg=AMOUNT,
        assumed=_assumed(),
    )


def air() -> Schema:
    """Describe the answer of ``air``."""
    level = or_null(AMOUNT)
    return block(
        room_peak_ppm=level, near_field_peak_ppm=level, twa_15min_ppm=level, twa_8h_ppm=level,
        wait_before_opening_min=level, wait_before_entering_min=level,
        limits=array({"type": "object"}),
    )  # fmt: skip


def check() -> Schema:
    """Describe the answer of ``check``."""
    return block(
        verdict=VERDICT,
        items=array(_item()),
        load=_load(),
        cautions=array(_caution()),
        air=or_null(air()),
        notice=TEXT,
        edition_note=TEXT,
        seed=WHOLE,
        samples=WHOLE,
        version=TEXT,
        plan_sha256=HASH,
        differences=array(block(field=TEXT, planned={}, as_run={}, note=TEXT)),
    )


def limits() -> Schema:
    """Describe the answer of ``limits``."""
    return block(limits=array(_limit()), governing=array(_limit()))


def water() -> Schema:
    """Describe the answer of ``water lumen`` and ``water surface``."""
    of_lumen = {
        "dry_after_min": or_null(band(or_null(AMOUNT), "p50", "p95")),
        "air_flow_nl_per_min": or_null(AMOUNT),
        "evaporation_mg_per_min": or_null(AMOUNT),
    }
    common = {"water_mg": band(), "cautions": array(_caution())}
    lumen = block(**common, **of_lumen)
    surface = block(**common) | {"not": {"anyOf": [{"required": [key]} for key in of_lumen]}}
    return {"anyOf": [lumen, surface]}


def glycol() -> Schema:
    """Describe the answer of ``glycol``."""
    amounts = dict.fromkeys(
        ("eg_mg", "eo_dissolved_mg", "eg_after_aeration_mg", "eo_after_aeration_mg",
         "ech_unbuffered_mg", "ech_buffered_mg"), band(),
    )  # fmt: skip
    return block(
        **amounts, eg_ceiling_mg={}, deg_mg=band(), eg_removed_mg=or_null(band()),
        reference_mg=AMOUNT, largest_water_mg=AMOUNT,
        air_to_largest_min=or_null(band(or_null(AMOUNT), "p50", "p95")),
        not_assessed=array(TEXT),
    )  # fmt: skip


def aerate() -> Schema:
    """Describe the answer of ``aerate``."""
    return block(
        hours=array(AMOUNT), left_ug_per_g=band(array(AMOUNT)), half_left_h=or_null(AMOUNT),
        class_=LETTER, records=array({}),
    )  # fmt: skip


def lab() -> Schema:
    """Describe the answer of ``lab``: a dissipation curve, or results at one time."""
    common = {"n": WHOLE, "cautions": array({})}
    curve = block(
        kind={"const": "curve"}, intercept=NUMBER, slope_per_h=NUMBER, residual_sd=AMOUNT,
        crossing_h=or_null(NUMBER), release_h=or_null(AMOUNT), release_h_rounded=or_null(AMOUNT),
        extrapolated=YES, **common,
    )  # fmt: skip
    once = block(
        kind={"const": "one_time"}, mean=or_null(AMOUNT), highest=AMOUNT,
        next_device_upper_95=or_null(AMOUNT), **common,
    )  # fmt: skip
    return {"anyOf": [curve, once]}


def drying() -> Schema:
    """Describe the answer of ``drying``."""
    method = block(
        method=TEXT, water_left_mg=band(AMOUNT, "p50", "p95"), minutes=or_null(AMOUNT),
        cannot_reach=YES, limit_from_instructions={}, source=TEXT,
    )  # fmt: skip
    return block(methods=array(method), sequence=array({}), minutes_total=or_null(AMOUNT),
                 cautions=array({}))  # fmt: skip


def rows() -> Schema:
    """Describe the answer of a command that prints a table."""
    return block(rows=array({"type": "object"}))


def template() -> Schema:
    """Describe the answer of ``template``."""
    row = block(column=TEXT, unit=TEXT, field=TEXT)
    return block(kind=TEXT, file=or_null(TEXT), text=TEXT, rows=array(row))


def batch() -> Schema:
    """Describe the answer of ``batch``."""
    row = block(file=TEXT, verdict=or_null(VERDICT), required_h=or_null(AMOUNT),
                earliest_out=or_null(TEXT), error=or_null(TEXT))  # fmt: skip
    return block(rows=array(row))


def evidence() -> Schema:
    """Describe the answer of ``evidence``."""
    case = block(
        id=TEXT, source=TEXT, used_for_record={}, published=NUMBER, p05=NUMBER, p50=NUMBER,
        p95=NUMBER, inside_band=YES, within_factor_2=YES,
    )  # fmt: skip
    return block(cases=array(case), inside_band={}, within_factor_2={})


def errors() -> Schema:
    """Describe what every command answers to bad input, with exit code 2."""
    return block(errors=array(block(where=TEXT, given=TEXT, unit=TEXT, allowed=TEXT, do=TEXT)))


def plan() -> Schema:
    """Describe the load plan, as `check` takes it once names are written out."""
    from eo_risk.plan.load_plan import LoadPlan

    return LoadPlan.model_json_schema()


def site() -> Schema:
    """Describe the site file, as JSON would hold it."""
    from eo_risk.plan.site_entries import KINDS, Site

    schema = Site.model_json_schema()
    schema["properties"].pop("broken")
    schema["properties"]["schema_version"] = {"const": 1}
    return schema | {"description": f"Tables: {', '.join(KINDS)}; each is a list of entries."}


def as_run() -> Schema:
    """Describe the values measured while a cycle ran."""
    from eo_risk.plan.as_run import AsRun

    return AsRun.model_json_schema()


ANSWERS: dict[str, Callable[[], Schema]] = {
    "check": check,
    "limits": limits,
    "water": water,
    "glycol": glycol,
    "aerate": aerate,
    "lab": lab,
    "air": air,
    "drying": drying,
    "template": template,
    "materials": rows,
    "sources": rows,
    "records": rows,
    "batch": batch,
    "evidence": evidence,
    "schema": lambda: {"type": "object"},
    "errors": errors,
}
INPUTS: dict[str, Callable[[], Schema]] = {"plan": plan, "site": site, "as_run": as_run}


def schema_of(name: str) -> Schema:
    """Return the JSON Schema of an input or of a command's answer.

    Raises
    ------
    KeyError
        If there is none of this name.
    """
    found = {"$schema": DIALECT} | (ANSWERS | INPUTS)[name]()
    return {"title": name} | found
