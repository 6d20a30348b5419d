"""The verdict of every item with its reason first, and the answer to take away."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from eo_risk.output.item_page import (
    OVER_TIME_HEADER,
    OVER_TIME_TITLE,
    curve_sentence,
    over_time_rows,
    residue_cells,
)
from eo_risk.output.load_sheet import item_title, load_number, planned_hours
from eo_risk.output.numbers import known, moment_text
from eo_risk.output.shown import answer_in
from eo_risk.output.svg_chart import Band, fitting_scale
from eo_risk.output.verdict_wording import (
    RESIDUE_HEADER,
    ruling_text,
    short_reason,
    verdict_line,
    why,
)
from eo_risk.output.wording import (
    WATER_HEADER,
    allowed_water,
    assumed_line,
    beside_glycol,
    caution_line,
    difference_text,
    edition_text,
    load_cautions,
    load_hours,
    main_action,
    own_record_line,
    required_hours,
    slow_tail_hours,
    slow_tail_note,
    starting_text,
    water_rows,
    with_verdict,
)
from ui import charts, check, show, state, words


def _controls() -> None:
    place = st.container()  # the button stands above what a usual check never changes
    with st.expander(words.HOW_SAMPLED):
        seed, samples = st.columns(2)
    seed_value = seed.number_input(words.SEED, 0, 2**31 - 1, words.DEFAULT_SEED, step=1,
                                   key="seed", persist_state="session")  # fmt: skip
    count = samples.selectbox(words.SAMPLES, words.SAMPLE_CHOICES,
                              index=words.SAMPLE_CHOICES.index(words.DEFAULT_SAMPLES),
                              key="samples", persist_state="session")  # fmt: skip
    if place.button(words.CHECK, type="primary"):
        text = state.plan_text()
        aerators = {name: step.model_dump() for name, step in state.site().aerators.items()}
        answer = check.checked(text, int(seed_value), int(count), aerators)
        answer = check.with_differences(answer, state.differences())
        state.keep_result(state.Result(answer, text, int(seed_value), int(count)))


def _table(answer: dict) -> None:
    """Draw the verdicts, worst first within the order of the load."""
    ranked = sorted(enumerate(answer["items"], 1),
                    key=lambda pair: words.WORST_FIRST.index(pair[1]["verdict"]))  # fmt: skip
    rows = [
        (
            item_title(number, item),
            f"{words.SIGN[item['verdict']]}\N{NO-BREAK SPACE}{item['verdict']}",
            short_reason(item),
            ruling_text(item),
            main_action(item, "below"),
            required_hours(item),
        )
        for number, item in ranked
    ]
    show.rows(words.VERDICT_HEADER, rows, words.VERDICTS)


def _head(answer: dict) -> None:
    verdict, out, hours = st.columns(3)
    verdict.metric(words.VERDICT, f"{words.SIGN[answer['verdict']]} {answer['verdict']}")
    moment = answer["load"]["earliest_out"]
    if moment:  # the date stands in the label: a long value would be cut off
        day, clock, offset = moment_text(moment).split()
        out.metric(f"{words.EARLIEST_OUT} ({day}, {words.OFFSET} {offset})", clock)
    else:
        out.metric(words.EARLIEST_OUT, words.NOT_KNOWN)
    hours.metric(words.AERATION_NEEDED, load_hours(answer))
    if answer["load"]["time_note"]:
        st.caption(words.plain(answer["load"]["time_note"]))


def _curve(item: dict, planned_h: float | None, key: str) -> None:
    curve, eo = item["curve"], item["curve"]["eo_mg"]
    if len(curve["hours"]) < 2 or not any(eo["p95"]):
        st.write(words.NO_EO)
        return
    fits = fitting_scale(Band(curve["hours"], eo["p05"], eo["p50"], eo["p95"]), None)
    axis = st.segmented_control(words.AXIS, words.AXES, required=True, key=key,
                                default=words.AXES[fits == "log"])  # fmt: skip
    chart = charts.curve(item, planned_h, axis == words.AXES[1])
    sentence = curve_sentence(item, planned_h)
    st.altair_chart(chart, alt=sentence)
    st.write(words.plain(sentence))


def _item(number: int, item: dict, planned_h: float | None, samples: int) -> None:
    sign = words.SIGN[item["verdict"]]
    title = words.plain(item_title(number, item))
    with st.expander(f"{sign} {title}: {item['verdict']}"):
        st.markdown(words.plain(verdict_line(item)))
        show.lines(words.WHY, why(item))
        show.lines(words.SURER if item["verdict"] == "Within" else words.CHANGES,
                   list(map(with_verdict, item["actions"])))  # fmt: skip
        if item["question"]:
            st.info(words.plain(item["question"]["text"]))
        _curve(item, planned_h, f"axis-{number}")
        show.titled_rows(OVER_TIME_HEADER, over_time_rows(item), OVER_TIME_TITLE)
        if item["residues"]:
            rows = (residue_cells(row, samples) for row in item["residues"])
            show.titled_rows(RESIDUE_HEADER, rows, words.RESIDUES)
        show.titled_rows(WATER_HEADER, water_rows(item), words.WATER)
        for said in filter(None, (allowed_water(item), *beside_glycol(item))):
            st.caption(words.plain(said))
        if slow_tail_hours(item):
            st.caption(words.plain(f"{slow_tail_hours(item)}. {slow_tail_note([item])}"))
        show.lines(words.CAUTIONS, list(map(caution_line, item["cautions"])))
        show.lines(words.MATTERS, [row["text"] for row in item["matters_most"][:3]])
        show.lines(words.ASSUMED, [assumed_line(row) for row in item["assumed"]])
        show.lines(words.FROM_TYPE, [starting_text(item)] if item["starting_type"] else [])
        show.lines(words.OWN_RECORDS, [own_record_line(row) for row in item["own_records"]])


def _downloads(found: state.Result) -> None:
    created = datetime.now().astimezone().replace(second=0, microsecond=0)
    plan = found.plan
    page, full = check.pages(found.answer_text, found.plan_text, created,
                             state.units().model_dump())  # fmt: skip
    sheet, report, answer = st.columns(3)
    sheet.download_button(words.SAVE_SHEET, page, state.file_name(plan, "sheet.html"),
                          "text/html", on_click="ignore", key="save_sheet")  # fmt: skip
    report.download_button(words.SAVE_REPORT, full, state.file_name(plan, "html"), "text/html",
                           on_click="ignore", key="save_report")  # fmt: skip
    answer.download_button(words.SAVE_ANSWER, found.answer_text,
                           state.file_name(plan, "answer.json"), "application/json",
                           on_click="ignore", key="save_answer")  # fmt: skip


def _result(found: state.Result) -> None:
    answer = answer_in(found.answer, state.units())
    if state.is_stale(found):
        st.warning(words.STALE)
    st.info(answer["notice"])
    plan = found.plan
    st.text(f"{words.LOAD} {load_number(plan)}, {words.label('steriliser').lower()} "
            f"{known(plan.steriliser)}, {words.label('cycle_start').lower()} "
            f"{moment_text(plan.cycle_start)}")  # fmt: skip
    _head(answer)
    _table(answer)
    show.lines(words.DIFFERENCES, list(map(difference_text, answer["differences"])))
    show.lines(words.LOAD_CAUTIONS, load_cautions(answer))
    show.lines(words.LOAD_ASSUMED, [assumed_line(row) for row in answer["load"]["assumed"]])
    _downloads(found)
    planned_h = planned_hours(plan)
    for number, item in enumerate(answer["items"], 1):
        _item(number, item, planned_h, answer["samples"])
    st.caption(words.plain(f"{edition_text(answer)}. Seed {found.seed}, {found.samples} samples, "
                           f"version {answer['version']}, plan {answer['plan_sha256']}"))


st.title(words.RESULT)
_controls()
kept = state.result()
if kept is None:
    st.write(words.NO_RESULT)
else:
    _result(kept)
