"""Samples, their spreads, what matters most, and how often the bands hold the truth."""

import numpy as np
import pytest
from scipy.stats import norm, triang

from eo_risk import reference
from eo_risk.judgement import risk
from eo_risk.judgement.influence import (
    Matters,
    Sorted,
    effects,
    first_order,
    sorted_inputs,
    with_total_indices,
)
from eo_risk.judgement.result import Influence
from eo_risk.judgement.risk import Draw, Variable, quantile

U = np.linspace(1e-4, 1 - 1e-4, 999)


def shares(target, variables):
    """Name and share of every effect, largest first."""
    return [(effect.name, effect.share) for effect in effects(target, sorted_inputs(variables))]


def test_lognormal_quantiles_equal_the_closed_form():
    median, factor = 3.0, 2.0
    got = quantile(U, "lognormal", median, median / factor, median * factor)
    sigma = np.log(factor) / norm.ppf(0.95)
    assert got == pytest.approx(median * np.exp(sigma * norm.ppf(U)), rel=1e-12)


def test_triangular_quantiles_equal_the_library():
    got = quantile(U, "triangular", 2.0, 1.0, 5.0)
    assert got == pytest.approx(triang(0.25, loc=1.0, scale=4.0).ppf(U), rel=1e-10)


@pytest.mark.parametrize("spread", ["lognormal", "normal"])
def test_unequal_sides_keep_median_and_both_ends(spread):
    got = quantile(np.array([0.05, 0.5, 0.95]), spread, 2.0, 1.0, 8.0)
    assert got == pytest.approx([1.0, 2.0, 8.0])


def test_same_seed_same_bits_whatever_came_before():
    first, second = Draw(5, 512), Draw(5, 512)
    second("silicone.density")
    second.item("other").own("x", "uniform", 0.5, 0, 1, "-")
    assert np.array_equal(first("eo.henry"), second("eo.henry"))
    one, two = (d.item("a").own("x", "uniform", 0.5, 0, 1, "-") for d in (first, second))
    assert np.array_equal(one, two)
    third = first.item("called otherwise")
    third.own("y", "uniform", 0.5, 0, 1, "-")
    assert np.array_equal(one, third.own("x", "uniform", 0.5, 0, 1, "-"))
    assert not np.array_equal(Draw(6, 512)("eo.henry"), first("eo.henry"))


def test_the_points_kept_take_no_more_memory_for_more_samples(monkeypatch):
    """As many blocks of 16 columns of 8 bytes as a quarter of a gigabyte holds, at most 128."""
    kept = {n: risk._blocks(n, 16).cache_info().maxsize for n in (2048, 100_000, 1_000_000)}
    assert kept == {2048: 128, 100_000: 20, 1_000_000: 2}
    names = ("eo.henry", "silicone.density", "water.molar_mass", "eo.henry")
    draw = Draw(5, 512)
    plenty = [draw._record_points(name) for name in names]
    monkeypatch.setattr(risk, "_BYTES_KEPT", 1)
    risk._blocks.cache_clear()
    few = [draw._record_points(name) for name in names]
    assert risk._blocks(512, 16).cache_info().currsize == 1
    assert np.array_equal(plenty, few)
    risk._blocks.cache_clear()


def test_the_samples_are_those_of_another_machine():
    """Points frozen once, by scipy 1.17.1 and numpy 2.4.6 on x86-64; here to 1e-9 relative."""
    item = Draw(1, 8).item("tube")
    for asked, frozen in (
        (("wall", "uniform", 0.5, 0, 1, "-"),
         [0.3082886701449752, 0.9877087697386742, 0.3976532621309161, 0.6746619008481503,
          0.8436718173325062, 0.2094768127426505, 0.529636338353157, 0.11915388982743025]),
        (("bore", "lognormal", 2.0, 1.0, 4.0, "-"),
         [4.725867809090656, 1.475888245746611, 2.512872315790668, 2.861271078602323,
          2.0285741970996174, 0.9796633096061756, 1.5486092704492411, 1.8896435197792232]),
    ):  # fmt: skip
        np.testing.assert_allclose(item.own(*asked), frozen, rtol=1e-9)


def test_records_are_drawn_independently_of_each_other_and_of_items():
    draw = Draw(1, 2048)
    names = [r.id for r in reference.records().values() if r.low < r.high][::7]
    item = draw.item("one")
    columns = [draw(n) for n in names]
    columns += [item.own(f"x{i}", "uniform", 0.5, 0, 1, "-") for i in range(30)]
    ranked = np.argsort(np.argsort(np.stack(columns), axis=1), axis=1)
    correlation = np.corrcoef(ranked) - np.eye(len(columns))
    assert np.abs(correlation).max() < 6 / np.sqrt(2048)


def test_diffusivities_at_two_temperatures_are_a_pair():
    """Both follow from one D at 25 C and one activation energy: what is slow cold is slow warm."""
    from scipy.stats import spearmanr

    from eo_risk.physics.properties import diffusivity_m2_per_s

    draw = Draw(1, 2048)
    cold, warm = (
        diffusivity_m2_per_s("silicone", np.full(2048, kelvin), draw) for kelvin in (298.15, 323.15)
    )
    energy = draw("silicone.activation")
    assert warm / cold == pytest.approx(
        np.exp(energy / 8.31446261815324 * (1 / 298.15 - 1 / 323.15)), rel=1e-9
    )
    assert spearmanr(cold, warm).statistic > 0.7


def ishigami(x, a=7.0, b=0.1):
    return np.sin(x[0]) + a * np.sin(x[1]) ** 2 + b * x[2] ** 4 * np.sin(x[0])


def test_total_indices_of_the_ishigami_function():
    """Closed form: 0.5576, 0.4424, 0.2437 (Ishigami and Homma 1990), Jansen's estimator."""
    samples = 8192

    def run(swapped=None):
        item = Draw(3, samples, swapped and f"item:f:{swapped}").item("f")
        x = [item.own(n, "uniform", 0.0, -np.pi, np.pi, "-") for n in ("x1", "x2", "x3")]
        return ishigami(x), item.variables

    target, variables = run()
    named = tuple(Influence(n, 0.0, "f", "") for n in ("x1", "x2", "x3"))
    found = with_total_indices(Matters(named, (), {"f": target}), lambda n: {"f": run(n)[0]})
    assert set(variables) == {"x1", "x2", "x3"}
    assert [i.input for i in found] == ["x1", "x2", "x3"]
    assert [i.share for i in found] == pytest.approx([0.5575888552, 0.4424111448, 0.2436836641],
                                                     abs=0.03)  # fmt: skip


def test_total_indices_are_given_for_every_input_named(demo):
    """A number of the item, a record and a number of the load: each moves when drawn anew."""
    from eo_risk.judgement.assess import check_plan
    from eo_risk.plan.load_plan import load_plan, read_plan

    raw = load_plan(demo / "small_patient.json").model_dump(mode="json")
    raw["items"] = raw["items"][1:]
    raw["cycle"]["temperature_c"] = raw["items"][0]["parts"][0]["wall_mm"] = None
    raw["items"][0]["lumens"][0]["bore_mm"] = None  # which would tell the wall
    plan = read_plan(raw)
    plain, total = (
        check_plan(plan, samples=512, advise=False, indices=i).items[0] for i in (False, True)
    )
    named = {i.input for i in plain.matters_most}
    assert {i.input for i in total.matters_most} == named
    assert {"cycle.temperature_c", "parts[0].wall_mm"} & named
    for influence in total.matters_most:
        assert "total Sobol index" in influence.text
        assert influence.share > 0.02, influence


def ishigami_draw(samples):
    item = Draw(3, samples).item("f")
    x = [item.own(n, "uniform", 0.0, -np.pi, np.pi, "-") for n in ("x1", "x2", "x3")]
    return x, ishigami(x), item.variables


def test_first_order_indices_of_the_ishigami_function():
    """Closed form: 0.3139, 0.4424, 0 (Ishigami and Homma 1990), from one set of samples."""
    x, target, _ = ishigami_draw(8192)
    found = [first_order(target, Sorted.of(column)) for column in x]
    assert found == pytest.approx([0.3139051827, 0.4424111448, 0.0], abs=0.02)


def test_an_effect_that_turns_round_is_seen_and_one_that_is_none_is_not():
    """x2 of the Ishigami function has no rank correlation at all and is its strongest input."""
    x, target, variables = ishigami_draw(2048)
    assert abs(Sorted.of(x[1]).ranks @ Sorted.of(target).ranks) < 0.05
    found = shares(target, variables)
    assert [name for name, _ in found] == ["x2", "x1"]
    assert found[0][1] > 0.4


def test_a_choice_between_two_values_explains_what_its_means_explain():
    draw = Draw(4, 4096).item("f")
    noise = draw.own("noise", "normal", 0.0, -1.0, 1.0, "-")
    coin = (draw.own("u", "uniform", 0.5, 0, 1, "-") < 0.5).astype(float)
    target = coin * 2.0 + noise
    exact = 1.0 / (1.0 + np.var(noise))
    assert first_order(target, Sorted.of(coin)) == pytest.approx(exact, abs=0.03)


def test_chance_alone_explains_nothing():
    draw = Draw(9, 2048).item("f")
    columns = [draw.own(f"x{i}", "uniform", 0.5, 0, 1, "-") for i in range(40)]
    others = {name: v for name, v in draw.variables.items() if name != "x0"}
    assert shares(columns[0], others) == []


def test_the_grade_of_an_unknown_material_is_named_with_its_share(demo):
    """A family of grades has no order, so ranks of the choice say little; its index says much."""
    from eo_risk.judgement.assess import check_plan
    from eo_risk.plan.load_plan import load_plan

    items = check_plan(load_plan(demo / "unknown_grade.json"), advise=False).items
    for item in items:
        first = item.matters_most[0]
        assert first.input == "parts[0].material"
        assert first.share > 0.3
        assert first.text.startswith("grade of the material explains")


def test_shares_of_a_sum_follow_the_variances():
    draw = Draw(2, 4096).item("sum")
    x, y, z = (draw.own(n, "normal", 0.0, -s, s, "-") for n, s in (("x", 2), ("y", 1), ("z", 0.01)))
    found = dict(shares(x + y + z, draw.variables))
    assert found["x"] == pytest.approx(0.8, abs=0.03)
    assert found["y"] == pytest.approx(0.2, abs=0.03)
    assert found.get("z", 0.0) < 0.01


def test_ties_and_constants_explain_nothing():
    variable = Variable("x", np.arange(100.0), 0, 99, "-")
    assert shares(np.zeros(100), {"x": variable}) == []
    flat = Variable("y", np.ones(100), 1, 1, "-")
    assert dict(shares(np.arange(100.0), {"x": variable, "y": flat})) == {"x": pytest.approx(1.0)}


@pytest.mark.slow
def test_bands_cover_a_known_truth():
    """Truth drawn from the same spreads lies in the 5 to 95 % band in 90 % +/- 3 % of loads.

    1,000 synthetic sheets: diffusivity and uptake drawn once as the truth, from another seed.
    """
    from eo_risk.physics.layer import Body, Stage, run_layer

    loads, samples = 1000, 256
    rng = np.random.default_rng(20261125)
    truth_d, truth_k = (np.exp(rng.normal(0.0, s, loads)) for s in (0.6, 0.4))
    thickness = rng.uniform(0.5e-3, 3e-3, loads)

    def left(d, k, size):
        stages = [Stage(10800.0, 2e-11 * d, 18.0 * k, 0.6), Stage(43200.0, 2e-11 * d, 18.0 * k)]
        return run_layer(Body("sheet", size), stages).mean_kg_per_m3[-1]

    truth = left(truth_d, truth_k, thickness)
    inside = 0
    for i in range(loads):
        draw = Draw(i, samples).item("sheet")
        d = draw.own("d", "lognormal", 1.0, np.exp(-0.6 * 1.6449), np.exp(0.6 * 1.6449), "-")
        k = draw.own("k", "lognormal", 1.0, np.exp(-0.4 * 1.6449), np.exp(0.4 * 1.6449), "-")
        low, high = np.quantile(left(d, k, thickness[i]), (0.05, 0.95))
        inside += low <= truth[i] <= high
    assert inside / loads == pytest.approx(0.90, abs=0.03)
