"""The words of an answer of ``lab``, written once for terminal, sheet and screen."""

from __future__ import annotations

from collections.abc import Iterable

from eo_risk.output.numbers import UNKNOWN, band_text, hours_up, significant, with_unit
from eo_risk.output.wording import LEVEL

ONE_TIME = "One time point: no release time can be derived."
_MODELS = {"pooled": "all results pooled", "lots": "lot as a random factor", "tail": "slow tail"}
_ABOVE = {True: "above", False: "not above", None: "open"}


def named_limit(answer: dict) -> str:
    """Name what the results stand against: EG has no limit."""
    return "screening reference" if answer["limit_kind"] == "screening" else "limit"


def limit_text(answer: dict) -> str:
    """Write the limit or reference per device, and what it comes from."""
    notes = [answer["limit_note"]]
    if answer["limit_ug_per_cm2"] is not None:
        notes.insert(0, f"{with_unit(answer['limit_ug_per_cm2'], 'ug/cm2')} on "
                        f"{with_unit(answer['area_cm2'], 'cm2')}")  # fmt: skip
    said = "; ".join(filter(None, notes))
    return f"{with_unit(answer['limit_mg'], 'mg')} per device" + (f" ({said})" if said else "")


def limit_line(answer: dict) -> str:
    """Say the substance with its limit or reference."""
    group = f", group {answer['group']}" if answer["group"] else ""
    return f"{answer['substance']}: {named_limit(answer)} {limit_text(answer)}{group}"


def hours_text(hours: float | None) -> str:
    """Write a release hour; without one there is none."""
    return "none" if hours is None else hours_up(hours)


def percent_text(share: float) -> str:
    """Write a confidence."""
    return f"{100.0 * share:.4g} %"


def model_name(name: str) -> str:
    """Name one way of fitting the line."""
    return _MODELS[name]


def release_sentence(answer: dict) -> str:
    """Say the release time and what it means; a curve only."""
    rounded = answer["release_h_rounded"]
    if rounded is None:
        return (f"No release time: the prediction limit does not fall below the "
                f"{named_limit(answer)}.")  # fmt: skip
    said = (f"{rounded} h of aeration: then the one-sided {percent_text(answer['confidence'])} "
            f"prediction limit of the next device is inside the {named_limit(answer)} "
            f"({model_name(answer['ruling_model'])} gives the longest time).")  # fmt: skip
    if answer["extrapolated"]:
        said += f" This is beyond the last sampled time, {answer['times_h'][-1]:g} h."
    layer = answer["physics"]
    if layer and (layer["release_h_rounded"] is None or layer["release_h_rounded"] > rounded):
        said += f" The layer model asks for longer: {_release(layer['release_h_rounded'])}."
    if ruled := ruled_by(answer):
        said += f" {ruled}."
    return said


def _release(hours: float | None) -> str:
    """Write a release hour within a sentence."""
    return "no release time" if hours is None else hours_up(hours)


def ruling_release(answer: dict) -> tuple[int, float | None] | None:
    """Return the release hours that rule and their temperature; None without a release time."""
    ruling = answer["ruling"]
    if ruling is None or ruling["release_h_rounded"] is None:
        return None
    given = answer["conditions"]["aeration_temperature_c"]
    known = len(given) == 1 and given[0] != UNKNOWN
    return ruling["release_h_rounded"], float(given[0]) if known else None


def release_text(release: tuple[int, float | None]) -> str:
    """Write release hours with their temperature."""
    hours, celsius = release
    return f"{hours} h" + ("" if celsius is None else f" at {celsius:g} °C")


def fitted_line(answer: dict) -> str:
    """Write the pooled line itself."""
    slope = answer["slope_per_h"]
    sign = "-" if slope < 0.0 else "+"
    return (f"ln(mg) = {significant(answer['intercept'], 5)} {sign} {abs(slope):.4g} x hours, "
            f"residual SD {significant(answer['residual_sd'])}; {answer['n']} results, "
            f"{len(answer['lots'])} lot(s), {len(answer['times_h'])} times")  # fmt: skip


def model_header(answer: dict) -> list[str]:
    """Head the table of `model_rows`."""
    return ["Model", "Line meets it", f"{percent_text(answer['confidence'])} limit meets it",
            "95/95 tolerance", "Results", "Intercept, ln(mg)", "Slope, 1/h", "SD"]  # fmt: skip


def model_rows(answer: dict) -> list[list[str]]:
    """Write every model of a curve, the layer model below."""
    rows = [
        [model_name(name), hours_text(m["crossing_h"]), hours_text(m["release_h"]),
         hours_text(m["tolerance_95_95_h"]), str(m["n"]), f"{m['intercept']:.4f}",
         f"{m['slope_per_h']:.5f}", significant(m["residual_sd"])]
        for name, m in answer["models"].items()
    ]  # fmt: skip
    if layer := answer["physics"]:
        rows.append([f"layer model, {layer['material']}", hours_text(layer["crossing_h"]),
                     hours_text(layer["release_h"]), "-", str(answer["n"]), "-", "-", "-"])
    return rows


def once_headline(answer: dict) -> str:
    """Say first how many results at one time are above the limit."""
    count = f"{answer['n_above_limit']} of {answer['n']} results at {answer['aeration_h']:g} h"
    limit = f"{named_limit(answer)} of {with_unit(answer['limit_mg'], 'mg')} per device"
    said = f"{count} above the {limit}"
    if answer["n_open"]:
        said += f"; {answer['n_open']} open, below a detection limit that is above it"
    return f"{said}."


def once_facts(answer: dict) -> list[tuple[str, str]]:
    """Name and write what results at one time tell of the next device."""
    at_most = "at most " if answer["upper_ends"] else ""
    upper = answer["next_device_upper_95"]
    shown = "too few known results" if upper is None else with_unit(upper, "mg")
    percent = percent_text(answer["next_device_confidence"])
    return [
        ("Results", f"{answer['n']} at {answer['aeration_h']:g} h, "
                    f"{answer['n_below']} below detection"),
        ("Mean", f"{at_most}{with_unit(answer['mean'], 'mg')}"),
        ("Highest", f"{at_most}{with_unit(answer['highest'], 'mg')}"),
        (f"Next device, one-sided {percent} prediction limit", shown),
    ]  # fmt: skip


RESULT_HEADER = ["Lot, group", "Substance", "mg per device", "Limit, mg", "Against it", "Use",
                 "Aeration", "State", "Packaging", "Extraction", "Date"]  # fmt: skip


def amount_text(row: dict) -> str:
    """Write one result in mg per device."""
    return ("<" if row["below"] else "") + significant(row["amount_mg"])


def use_text(row: dict) -> str:
    """Say whether a result took part, and why not."""
    return "used" if row["used"] else f"not used: {row['why_not_used']}"


def _aeration(row: dict) -> str:
    celsius = row["aeration_temperature_c"]
    return f"{row['aeration_h']:g} h" + ("" if celsius is None else f" at {celsius:g} °C")


def result_rows(rows: Iterable[dict]) -> list[list[str]]:
    """Write every result beside its limit; its state, extraction and date stay with it."""
    return [
        [", ".join(filter(None, (r["lot"], r["group"]))), r["substance"], amount_text(r),
         "-" if r["limit_mg"] is None else significant(r["limit_mg"]),
         "-" if r["limit_mg"] is None or r["substance"] == "EG" else _ABOVE[r["above_limit"]],
         use_text(r), _aeration(r), r["state"] or "-", r["packaging"] or "-",
         r["extraction"] or "-", r["date"] or "-"]
        for r in rows
    ]  # fmt: skip


def caution_lines(answer: dict) -> list[str]:
    """Write the cautions of the line and of the layer model."""
    layer = answer["physics"]["cautions"] if answer["physics"] else []
    return [f"{LEVEL[c['level']].capitalize()}: {c['text']} {c['action']}".strip()
            for c in [*answer["cautions"], *layer]]  # fmt: skip


def family_lines(answer: dict) -> list[str]:
    """Write the members of a family, worst first, with the reason."""
    return [f"{m['name']}: {_release(m['release_h'])}, {m['reason']}"
            for m in answer["family"]]  # fmt: skip


def comparison_lines(answer: dict) -> list[str]:
    """Write the differences between groups, and which could not be had."""
    return [*(row["text"] for row in answer["comparisons"]), *answer["not_compared"]]


def ruled_by(answer: dict) -> str:
    """Say which other substance asks for longer; empty when none does."""
    ruling = answer["ruling"]
    if not ruling or ruling["substance"] == answer["substance"]:
        return ""
    hours = ruling["release_h_rounded"]
    return f"{ruling['substance']} rules: " + ("no release time" if hours is None else f"{hours} h")


def other_lines(answer: dict) -> list[str]:
    """Write the other substances asked about, and which one rules."""
    lines = []
    for other in answer["substances"]:
        said = (f"release time {hours_text(other['release_h_rounded'])}"
                if other["kind"] == "curve" else f"{once_headline(other)} {ONE_TIME}")  # fmt: skip
        lines.append(f"{limit_line(other)}: {said}")
    if ruled := ruled_by(answer):
        lines.append(ruled)
    elif lines and answer["ruling"]:
        lines.append(f"{answer['substance']} rules.")
    return lines + _not_assessed(answer)


def _not_assessed(answer: dict) -> list[str]:
    """Say which substance with a limit nothing was said of: a release time covers both."""
    said = {answer["substance"], *(other["substance"] for other in answer["substances"])}
    tested = {row["substance"] for row in answer["results"] if row["used"]}
    return [f"{name}: not assessed, {'no limit given' if name in tested else 'no result to use'}"
            for name in ("EO", "ECH") if name not in said]  # fmt: skip


def layer_lines(answer: dict) -> list[str]:
    """Write what the layer model fitted to the substance that answers."""
    layer = answer["physics"]
    if not layer:
        return []
    diffusivity, prior = (band_text(layer[key], "cm2/s", least=0.0)
                          for key in ("diffusivity_cm2_per_s", "prior_cm2_per_s"))  # fmt: skip
    lines = [
        f"Layer model ({layer['material']}, {layer['packaging']}): release time "
        f"{hours_text(layer['release_h_rounded'])}",
        f"Diffusivity {diffusivity}; by the shipped record {prior}",
        f"Start level {band_text(layer['start_mg'], 'mg')} per device; of the next device of a new "
        f"lot {band_text(layer['next_start_mg'], 'mg')}",
        "Slow pool, share of the start "
        f"{band_text({k: 100.0 * v for k, v in layer['slow_share'].items()}, '%')}, half-life "
        f"{band_text(layer['slow_half_life_d'], 'd')}",
    ]  # fmt: skip
    return lines + [f"Not kept for a check: {said}" for said in layer["not_kept"]]


def prediction_lines(answer: dict) -> list[str]:
    """Write measured beside predicted, by substance and hour."""
    lines = []
    for b in answer["predictions"]:
        measured = ("at most " if b["below"] else "") + with_unit(b["mean_mg"], "mg")
        predicted = "none" if b["p50"] is None else band_text(b, "mg")
        lines.append(f"{b['substance']} at {b['hours']:g} h: measured {measured} "
                     f"({b['n']} result(s)), predicted {predicted}: {b['text']}")  # fmt: skip
    return lines
