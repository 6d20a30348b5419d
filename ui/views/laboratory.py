"""Laboratory results: the curve with its release time, certificates, groups, the sheet."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime

import streamlit as st

from eo_risk.errors import EoRiskError, InputError
from eo_risk.measured.layer_fit.site_record import records_toml
from eo_risk.measured.results_table import LabTable, template_csv
from eo_risk.output.lab_chart import chart_sentence, lab_picture
from eo_risk.output.lab_wording import (
    ONE_TIME,
    RESULT_HEADER,
    caution_lines,
    comparison_lines,
    family_lines,
    fitted_line,
    hours_text,
    layer_lines,
    limit_line,
    model_header,
    model_rows,
    once_facts,
    once_headline,
    other_lines,
    prediction_lines,
    release_sentence,
    release_text,
    result_rows,
    ruling_release,
)
from eo_risk.workbook import workbook_of_csv
from ui import forms, lab_answers, lab_inputs, lab_words, show, state, words

_EXCEL = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def _templates() -> None:
    st.caption(lab_words.TEMPLATE)
    text = template_csv()
    st.download_button(lab_words.TEMPLATE_CSV, text, "lab_results.csv", "text/csv",
                       on_click="ignore", key="lab_template_csv")  # fmt: skip
    try:
        book = workbook_of_csv(text)
    except EoRiskError:  # without the extra for workbooks the other template serves
        return
    st.download_button(lab_words.TEMPLATE_XLSX, book, "lab_results.xlsx", _EXCEL,
                       on_click="ignore", key="lab_template_xlsx")  # fmt: skip


def _open() -> None:
    """Draw the ways to a table: a file, the template beside it, the demo."""
    upload, templates, demo = st.columns([2, 1, 1])
    with upload:
        file = st.file_uploader(lab_words.UPLOAD, type=["csv", "tsv", "txt", "xlsx"],
                                key="lab_file")  # fmt: skip
        if file is not None:
            state.take_lab_upload(file.file_id, file.name, file.getvalue())
    with templates:
        _templates()
    with demo:
        name = st.selectbox(lab_words.DEMO, state.lab_demo_names())
        if st.button(lab_words.OPEN):
            state.open_lab_demo(name)


def _refused(error: EoRiskError, title: str) -> None:
    """Show what was refused, each place by the name it has on this page."""
    if isinstance(error, InputError):
        error = InputError(replace(fault, where=lab_words.PLACES.get(fault.where, fault.where))
                           for fault in error.faults)  # fmt: skip
    show.refused(error, title)


def _curve(answer: dict) -> None:
    release, meets, tolerance = st.columns(3)
    release.metric(lab_words.RELEASE, hours_text(answer["release_h_rounded"]))
    meets.metric(lab_words.MEETS, hours_text(answer["release_h"]))
    tolerance.metric(lab_words.TOLERANCE, hours_text(answer["tolerance_95_95_h"]))
    st.markdown(f"**{words.plain(release_sentence(answer))}**")
    show.lines(lab_words.CAUTIONS, caution_lines(answer))
    sentence = chart_sentence(answer)
    st.image(lab_picture(answer), width=lab_words.PICTURE_WIDTH, alt=sentence)
    st.write(words.plain(sentence))
    show.rows(model_header(answer), model_rows(answer), lab_words.FITS)
    st.caption(words.plain(fitted_line(answer)))


def _once(answer: dict) -> None:
    st.markdown(f"**{words.plain(once_headline(answer))}** {words.plain(ONE_TIME)}")
    facts = once_facts(answer)
    for column, (name, value) in zip(st.columns(len(facts)), facts, strict=True):
        column.markdown(f"{words.plain(name)}\n\n**{words.plain(value)}**")
    show.lines(lab_words.CAUTIONS, caution_lines(answer))
    show.rows(RESULT_HEADER, result_rows(answer["results"]), lab_words.CERTIFICATES)


def _into_the_load(answer: dict) -> None:
    """Draw what the load in hand may take over: the release time, and what was fitted."""
    records, release = answer["material_records"], ruling_release(answer)
    if not records and release is None:
        return
    st.markdown(f"**{lab_words.INTO_LOAD}**")
    if records:
        st.caption(lab_words.RECORD_HELP)
        st.download_button(lab_words.SAVE_RECORD, records_toml(records), "material_record.toml",
                           "application/toml", on_click="ignore", key="lab_record")  # fmt: skip
    names = [item.name for item in state.plan().items]
    chosen = st.multiselect(lab_words.FOR_ITEMS, names, key="lab-items", **lab_inputs.KEPT)
    chosen = [name for name in chosen if name in names]  # another load may be in hand by now
    faults = None
    if release and st.button(f"{lab_words.USE_RELEASE} ({release_text(release)})",
                             disabled=not chosen):  # fmt: skip
        faults = state.use_release_time(chosen, *release)
    if records and st.button(lab_words.USE_RECORD, disabled=not chosen):
        faults = state.use_records([record | {"items": chosen} for record in records])
    if faults is not None:
        forms.show_faults(faults)
        if not faults:
            st.success(lab_words.TAKEN_OVER)


def _downloads(text: str) -> None:
    created = datetime.now().astimezone().replace(second=0, microsecond=0)
    sheet, answer = st.columns(2)
    sheet.download_button(lab_words.SAVE_SHEET, lab_answers.sheet(text, created),
                          "release_time.html", "text/html", on_click="ignore",
                          key="lab_sheet")  # fmt: skip
    answer.download_button(lab_words.SAVE_ANSWER, text, "lab_answer.json", "application/json",
                           on_click="ignore", key="lab_answer")  # fmt: skip


def _answer(text: str) -> None:
    answer = json.loads(text)
    st.info(answer["notice"])
    st.subheader(words.plain(limit_line(answer)))
    (_curve if answer["kind"] == "curve" else _once)(answer)
    _downloads(text)
    show.lines(lab_words.GROUPS, [*family_lines(answer), *comparison_lines(answer)])
    show.lines(lab_words.OTHERS, other_lines(answer))
    show.lines(lab_words.LAYER, layer_lines(answer))
    show.lines(lab_words.PREDICTED, prediction_lines(answer))
    _into_the_load(answer)
    if answer["kind"] == "curve":
        with st.expander(lab_words.RESULTS):
            show.rows(RESULT_HEADER, result_rows(answer["results"]), lab_words.RESULTS)


def _work(table: LabTable, content: bytes, name: str) -> None:
    st.caption(f"{lab_words.IN_HAND}: {words.plain(name)}, {len(table.rows)} "
               f"{lab_words.RESULTS_READ}. {words.plain(table.understood)}")  # fmt: skip
    options = lab_inputs.options(table)
    with st.expander(lab_words.LAYER):
        layer = lab_inputs.layer()
    with st.expander(lab_words.PREDICTED):
        item = lab_inputs.predicted()
    if options is None:
        return
    try:
        text = lab_answers.answer(content, name, options, layer, item)
    except EoRiskError as error:
        _refused(error, lab_words.ASKED_FAULTS)
        return
    _answer(text)


st.title(lab_words.LABORATORY)
st.caption(lab_words.WHAT)
_open()
held = state.lab_table()
if held is None:
    st.write(lab_words.NO_TABLE)
else:
    name, content = held
    try:
        table = lab_answers.table(content, name)
    except EoRiskError as error:
        _refused(error, f"{words.plain(name)}: {lab_words.TABLE_FAULTS}")
    else:
        _work(table, content, name)
