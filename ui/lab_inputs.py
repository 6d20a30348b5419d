"""What is asked of a table of laboratory results: the choices, kept when the page changes."""

from __future__ import annotations

import json
from collections.abc import Sequence

import streamlit as st

from eo_risk.measured.lab_options import LabOptions, cell, choices_needed
from eo_risk.measured.layer_fit.answer import PhysicsRequest
from eo_risk.measured.results_table import SUBSTANCES, LabTable
from eo_risk.plan.choices import materials, packagings
from ui import lab_words, state

KEPT = {"persist_state": "session"}


def _number(column, label: str, key: str, *, help_text: str | None = None, low: float = 0.0,
            value: float | None = None) -> float | None:  # fmt: skip
    state.preset(key, value)
    return column.number_input(
        label, min_value=low, value=None, step=None, format="%g", key=key, help=help_text,
        placeholder=lab_words.NOT_GIVEN, **KEPT,
    )  # fmt: skip


def _choice(column, label: str, options: Sequence, key: str, **more) -> object:
    return column.selectbox(label, options, key=key, **more, **KEPT)


def _limit(column, substance: str, per_area: bool, help_text: str) -> float | None:
    labels = lab_words.LIMIT_PER_AREA if per_area else lab_words.LIMIT
    key = f"lab-limit-{'area-' if per_area else ''}{substance}"
    return _number(column, labels[substance], key, help_text=help_text)


def _only(table: LabTable) -> tuple[dict[str, str], bool]:
    """Draw a choice for every condition that differs; tells whether all were made."""
    needed = choices_needed(table.rows)
    if not needed:
        return {}, True
    st.caption(lab_words.CHOOSE)
    chosen = {}
    for column, (name, values) in zip(st.columns(len(needed)), needed.items(), strict=True):
        value = _choice(column, lab_words.ONLY[name], values, state.lab_key(f"only-{name}"),
                        index=None, placeholder=lab_words.CHOOSE_ONE)  # fmt: skip
        if value is not None:
            chosen[name] = value
    return chosen, len(chosen) == len(needed)


def _narrowed(table: LabTable, columns: Sequence) -> dict[str, str]:
    """Draw the choice of one lot or one hour; all of them by default."""
    chosen = {}
    for column, name in zip(columns, ("lot", "aeration_h"), strict=True):
        values = list(dict.fromkeys(cell(row, name) for row in table.rows))
        value = _choice(column, lab_words.ONLY[name], [None, *values],
                        state.lab_key(f"narrow-{name}"),
                        format_func=lambda v: lab_words.ALL if v is None else v)  # fmt: skip
        if value is not None:
            chosen[name] = value
    return chosen


def _groups(table: LabTable) -> dict:
    names = list(dict.fromkeys(row.group for row in table.rows))
    if len(names) < 2:
        return {}
    reference, margin = st.columns(2)
    return {
        "reference_group": _choice(reference, lab_words.REFERENCE_GROUP, names,
                                   state.lab_key("reference-group")),
        "margin_h": _number(margin, lab_words.MARGIN, "lab-margin"),
    }  # fmt: skip


def options(table: LabTable) -> LabOptions | None:
    """Draw what is asked of the results; None until all that is needed is given."""
    present = [s for s in SUBSTANCES if any(row.substance == s for row in table.rows)]
    one, two, three, four = st.columns(4)
    substance = _choice(one, lab_words.SUBSTANCE, present, state.lab_key("substance"))
    per_area = _choice(two, lab_words.LIMITS_IN, (lab_words.PER_DEVICE, lab_words.PER_AREA),
                       "lab-limits-in") == lab_words.PER_AREA  # fmt: skip
    limit = _limit(three, substance, per_area, lab_words.LIMIT_HELP)
    confidence = _number(four, lab_words.CONFIDENCE, "lab-confidence", low=0.5, value=0.95)
    one, two, three, four = st.columns(4)
    model = _choice(one, lab_words.MODEL, list(lab_words.MODELS), "lab-model",
                    format_func=lab_words.MODELS.__getitem__)  # fmt: skip
    mass = _number(two, lab_words.MASS, "lab-mass", help_text=lab_words.MASS_HELP)
    area = _number(three, lab_words.AREA, "lab-area", help_text=lab_words.AREA_HELP)
    from_h = _number(four, lab_words.FROM_H, "lab-from")
    others = [s for s in present if s != substance]
    columns = st.columns(len(others)) if others else ()
    limits = {substance: limit} | {
        name: _limit(column, name, per_area, lab_words.OTHER_LIMIT_HELP)
        for column, name in zip(columns, others, strict=True)
    }
    only, complete = _only(table)
    with st.expander(lab_words.NARROW):
        only |= _narrowed(table, st.columns(2))
    groups = _groups(table)
    if limit is None:
        st.info(lab_words.GIVE_LIMIT)
    if limit is None or not complete:
        return None
    known = {name: value for name, value in limits.items() if value is not None}
    given = {"confidence": confidence, "device_mass_g": mass, "area_cm2": area, "from_h": from_h}
    return LabOptions(
        None, substance, model=model, only=only,
        **{"per_area_ug_cm2" if per_area else "also_mg": known},
        **{name: value for name, value in given.items() if value is not None}, **groups,
    )  # fmt: skip


def layer() -> PhysicsRequest | None:
    """Draw the part the layer model describes; None without a material."""
    known, wraps = materials(), packagings()
    st.caption(lab_words.LAYER_HELP)
    one, two, three, four = st.columns(4)
    material = _choice(one, lab_words.MATERIAL, [None, *known], "lab-material",
                       format_func=lambda m: known.get(m, lab_words.NO_LAYER))  # fmt: skip
    shape = _choice(two, lab_words.SHAPE, lab_words.SHAPES, "lab-shape")
    thickness = _number(three, lab_words.THICKNESS, "lab-thickness")
    diameter = _number(four, lab_words.DIAMETER, "lab-diameter")
    one, two, three = st.columns(3)
    faces = _choice(one, lab_words.FACES, (2, 1), "lab-faces")
    packaging = _choice(two, lab_words.PACKAGING, [None, *wraps], "lab-packaging",
                        format_func=lambda p: wraps.get(p, lab_words.AS_TABLE))  # fmt: skip
    celsius = _number(three, lab_words.TEMPERATURE, "lab-temperature", low=-20.0)
    one, two, three, four = st.columns(4)
    exposure = _number(one, lab_words.EXPOSURE, "lab-exposure")
    exposure_c = _number(two, lab_words.EXPOSURE_TEMPERATURE, "lab-exposure-c", low=-20.0)
    mass = _number(three, lab_words.PART_MASS, "lab-part-mass")
    gas = _number(four, lab_words.GAS, "lab-gas")
    if material is None:
        return None
    return PhysicsRequest(material, shape, thickness, diameter, faces, packaging, celsius,
                          exposure or 0.0, exposure_c, mass, gas)  # fmt: skip


def predicted() -> str | None:
    """Draw the choice of an item of the last check; returns the item as JSON text."""
    result = state.result()
    if result is None:
        st.caption(lab_words.NO_CHECK)
        return None
    answer = result.answer
    items = answer["items"]
    key = f"lab-item-{answer['plan_sha256']}"  # another plan has other items
    index = _choice(st, lab_words.ITEM, [None, *range(len(items))], key,
                    format_func=lambda i: lab_words.NO_ITEM if i is None
                    else f"{i + 1}. {items[i]['name']}")  # fmt: skip
    return None if index is None else json.dumps(items[index])
