"""The items of the load: a table for the main fields, a form for all fields of one item."""

from __future__ import annotations

import copy

import streamlit as st

from eo_risk.errors import EoRiskError
from eo_risk.plan.load_plan import (
    Beside,
    Coating,
    DryingStep,
    Emptied,
    ExternalWater,
    Instructions,
    Item,
    Lumen,
    Part,
    PatientContact,
)
from eo_risk.plan.site import with_usual
from eo_risk.plan.tables import table_from_bytes
from ui import fill, forms, items_table, paths, pick, show, state, words


def _column_config() -> dict:
    config: dict = {
        items_table.ROW: None,
        items_table.ALSO: st.column_config.TextColumn(words.ALSO, disabled=True),
    }
    for path, name in words.COLUMNS.items():
        title = words.in_units(name, state.units())
        choices = items_table.choices_of(path)
        if choices is not None:
            config[path] = st.column_config.SelectboxColumn(title, options=choices)
        elif items_table.is_whole(path):
            config[path] = st.column_config.NumberColumn(title, min_value=1, step=1)
        elif items_table.is_number(path):
            config[path] = st.column_config.TextColumn(title, alignment="right")
        else:
            config[path] = st.column_config.TextColumn(title, pinned=path == "name")
    return config


def _table() -> None:
    key, base = state.table_base()
    units = state.units()
    edited = st.data_editor(
        items_table.frame_of(base["items"], units), key=key, num_rows="dynamic",
        hide_index=True, height="content",
        column_config=_column_config(), alt=words.ITEMS_TABLE, placeholder=words.UNKNOWN,
    )  # fmt: skip
    st.caption(f"{words.TABLE_HELP} {words.NUMBERS_HELP}")
    candidate = state.raw()
    candidate["items"] = items_table.items_of(base["items"], edited, units)
    forms.show_faults(state.offer(candidate, from_table=True))


def _import() -> None:
    file = st.file_uploader(words.IMPORT_ITEMS, type=["csv", "tsv", "txt", "xlsx"],
                            key="items_file")  # fmt: skip
    how = st.segmented_control(words.IMPORT_HOW, [words.REPLACE, words.APPEND],
                               default=words.APPEND, required=True)  # fmt: skip
    if file is None or not st.button(words.IMPORT):
        return
    try:
        table = table_from_bytes(file.getvalue(), file.name)
    except EoRiskError as error:
        show.refused(error)
        return
    candidate = state.raw()
    kept = candidate["items"] if how == words.APPEND else []
    candidate["items"] = [*kept, *with_usual(table.items, state.site())]
    faults = table.with_own(state.offer(candidate, usable=not table.faults), len(kept))
    forms.show_faults(faults)
    if not faults:
        state.say(words.plain(f"{words.UNDERSTOOD}: {table.understood}"))
        st.rerun()  # the table above was drawn without them


def _by_name() -> None:
    """Draw the names of devices and starting types, and add what is chosen."""
    items = pick.draw(state.form_key("add"))
    if st.button(words.ADD_ITEMS, disabled=not items):
        candidate = state.raw()
        taken = [item["name"] for item in candidate["items"]]
        candidate["items"] += with_usual(pick.with_own_names(items, taken), state.site())
        forms.take(candidate)


def _fill() -> None:
    items = fill.draw(state.form_key("fill"))
    if items is not None:
        forms.take(state.raw() | {"items": items})


def _parts(item: dict, key: str) -> None:
    for i, part in enumerate(item["parts"]):
        st.markdown(f"**{words.PART} {i + 1}**")
        part = forms.block(Part, part, f"{key}-part{i}")
        coat = part.get("coating")
        st.caption(words.COATING)
        coat = forms.block(Coating, coat if isinstance(coat, dict) else {}, f"{key}-coat{i}")
        item["parts"][i] = part | {"coating": coat if any(coat.values()) else None}


def _drying(steps: list[dict], key: str) -> list[dict]:
    drawn = []
    for i, step in enumerate(steps):
        st.markdown(f"{words.DRYING} {i + 1}")
        drawn.append(forms.block(DryingStep, step, f"{key}-dry{i}", columns=4))
    return drawn


def _lumens(item: dict, key: str) -> None:
    for i, lumen in enumerate(item["lumens"]):
        st.markdown(f"**{words.LUMEN} {i + 1}**")
        lumen = forms.block(Lumen, lumen, f"{key}-lumen{i}")
        lumen["emptied"] = forms.block(Emptied, lumen["emptied"], f"{key}-emptied{i}", columns=4)
        lumen["drying"] = _drying(lumen["drying"], f"{key}-lumen{i}")
        item["lumens"][i] = lumen


def _beside(item: dict, key: str) -> None:
    if not item["beside"]:
        st.caption(words.NOTHING_BESIDE)
    for i, thing in enumerate(item["beside"]):
        st.markdown(f"**{words.BESIDE} {i + 1}**")
        item["beside"][i] = forms.block(Beside, thing, f"{key}-beside{i}")


def _item_form(index: int) -> None:
    """Draw every field of one item in one form."""
    raw = state.raw()
    item = raw["items"][index]
    key = state.form_key(f"item{index}")
    st.caption(words.APPLY_HELP)
    with st.form(key):
        general, parts, lumens, outside, beside, patient, says = st.tabs(
            words.ITEM_TABS, key="item_tabs"
        )
        with general:
            item |= forms.block(Item, item, key)
        with parts:
            _parts(item, key)
        with lumens:
            _lumens(item, key)
        with outside:
            water = forms.block(ExternalWater, item["external_water"], f"{key}-outside")
            water["drying"] = _drying(water["drying"], f"{key}-outside")
            item["external_water"] = water
        with beside:
            _beside(item, key)
        with patient:
            item["patient"] = forms.block(PatientContact, item["patient"], f"{key}-patient")
        with says:
            says_now = item["instructions"]
            item["instructions"] = forms.block(Instructions, says_now, f"{key}-instructions")
        sent = st.form_submit_button(words.APPLY)
    if sent:
        forms.take(raw)


def _lists(index: int) -> list[tuple[str, str, dict]]:
    """Name the lists of an item that may grow: label, path, what a new entry holds."""
    item = state.raw()["items"][index]
    found = [
        (words.PART, "parts", {"name": f"part {len(item['parts']) + 1}",
                               "material": "plastic_unknown"}),
        (words.LUMEN, "lumens", {"name": f"lumen {len(item['lumens']) + 1}"}),
        (f"{words.DRYING}, {words.OUTSIDE}", "external_water.drying", {}),
        (words.BESIDE, "beside", {}),
    ]  # fmt: skip
    found += [(f"{words.DRYING}, {lumen['name']}", f"lumens[{i}].drying", {})
              for i, lumen in enumerate(item["lumens"])]  # fmt: skip
    return found


def _grow(index: int) -> None:
    """Draw the buttons that add an entry to a list of the item, or remove its last one."""
    for label, path, fresh in _lists(index):
        raw = state.raw()
        blocks = paths.get(raw["items"][index], path)
        title, add, remove = st.columns([3, 1, 1])
        title.text(f"{label}: {len(blocks)}")
        added = add.button(words.ADD, key=state.form_key(f"add-{index}-{path}"))
        gone = remove.button(words.REMOVE_LAST, key=state.form_key(f"remove-{index}-{path}"),
                             disabled=not blocks)  # fmt: skip
        if added:
            blocks.append(copy.deepcopy(fresh))
        elif gone:
            blocks.pop()
        if added or gone:
            forms.take(raw)


def _details() -> None:
    names = [item.name for item in state.plan().items]
    if not names:
        return
    chosen = min(state.chosen_item(), len(names) - 1)
    index = st.selectbox(words.ITEM, range(len(names)), index=chosen,
                         key=state.form_key("detail_item"),
                         format_func=lambda i: f"{i + 1}. {names[i]}")  # fmt: skip
    state.choose_item(index)
    _item_form(index)
    with st.expander(words.MORE_PARTS):
        _grow(index)


st.title(words.LOAD)
_table()
with st.expander(words.ADD_BY_NAME):
    _by_name()
with st.expander(words.FILL_ALL):
    _fill()
with st.expander(words.IMPORT_ITEMS):
    _import()
with st.expander(words.DETAILS):
    _details()
