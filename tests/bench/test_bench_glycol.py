"""Speed of leftover water to glycol, beside a general ODE solver on the same problem."""

import time
import tracemalloc

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.risk import Draw
from eo_risk.judgement.water import leftover, water_only
from eo_risk.judgement.water.water_only import run_water_only
from eo_risk.physics.plug import run_plug

pytestmark = pytest.mark.bench

ITEMS, SAMPLES = 20, 2048
HOUR = 3600.0


def one_load():
    """Twenty wet lumens, each with its own bore, length and water: film and plug."""
    sampler, made = Draw(1, SAMPLES), []
    ones = np.ones(SAMPLES)
    for index in range(ITEMS):
        draw = sampler.item(f"lumen {index}")
        bore_m, length_m = (1.0 + 0.2 * index) * 1e-3, 0.3 + 0.1 * index
        water_kg = leftover.lumen_start_kg(
            draw, bore_m * ones, length_m * ones, leftover.Emptying("syringe", 1), open_ends=2,
            hubs=1, temperature_k=draw("room.temperature"),
        )  # fmt: skip
        for form in ("film", "plug"):
            found = run_water_only(
                ItemInputs(draw), water_kg=water_kg, eo_kg_per_m3=0.6 * ones, gas_k=328.15 * ones,
                water_k=325.0 * ones, exposure_s=3 * HOUR * ones, aeration_s=12 * HOUR * ones,
                aeration_k=323.15 * ones, low_pa=10e3 * ones, total_pa=60e3 * ones,
                co2_pa=0.0 * ones, chloride_mol_per_m3=0.0 * ones, form=form,
                lumen=(bore_m, 0.4 * length_m),
            )  # fmt: skip
            made.append(found.eg_kg)
    return np.array(made)


def test_water_to_glycol_of_twenty_lumens(benchmark):
    """The bar: under 1 s and under 500 MB."""
    made = benchmark(one_load)
    assert made.shape == (2 * ITEMS, SAMPLES)
    assert np.all(np.isfinite(made))
    assert np.all(made >= 0.0)
    tracemalloc.start()
    one_load()
    peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    benchmark.extra_info["peak_mb"] = round(peak_mb, 1)
    assert peak_mb < 500.0
    # The fastest round: on a shared machine the others measure the neighbours.
    assert benchmark.stats.stats.min < 1.0


def with_a_general_solver(half, path, stages, filled, level, cells=120):
    """The same column and water as finite volumes, one sample at a time.

    Its error falls fourfold with twice the cells: 1.7e-3 with 60, 1e-5 with 480.
    """
    gas_m, water_m = path / cells, half / cells
    c = np.concatenate([np.where((np.arange(cells) + 0.5) / cells < filled, level, 0.0),
                        np.zeros(cells + 1)])  # fmt: skip
    for seconds, outside, d_gas, d_water, ratio, k in stages:

        def slope(_, y, outside=outside, d_gas=d_gas, d_water=d_water, ratio=ratio, k=k):
            g, w = y[:cells], y[cells:-1]
            resistance = 0.5 * gas_m / d_gas + 0.5 * water_m / (d_water * ratio)
            face = (g[-1] - w[0] / ratio) / resistance
            into_g = np.concatenate([[2.0 * d_gas * (outside - g[0]) / gas_m],
                                     -d_gas * np.diff(g) / gas_m, [face]])  # fmt: skip
            into_w = np.concatenate([[face], -d_water * np.diff(w) / water_m, [0.0]])
            return np.concatenate([-np.diff(into_g) / gas_m, -np.diff(into_w) / water_m - k * w,
                                   [k * np.sum(w) * water_m]])  # fmt: skip

        run = solve_ivp(slope, (0, seconds), c, method="LSODA", lband=1, uband=1, rtol=1e-5,
                        atol=1e-9)  # fmt: skip
        c = run.y[:, -1]
    return c[-1]


def plugs_of_the_load(monkeypatch):
    """Arguments of every plug of `one_load`, as the engine gets them."""
    asked = []

    def listen(*args, **named):
        asked.append((args, named))
        return run_plug(*args, **named)

    monkeypatch.setattr(water_only, "run_plug", listen)
    one_load()
    return asked


def test_plugs_of_the_load_beside_a_general_solver(benchmark, monkeypatch):
    """All samples of twenty plugs against one sample of twelve of them, one by one.

    Reports the ratio, extrapolated from those twelve, and the largest difference.
    """
    asked = plugs_of_the_load(monkeypatch)
    assert len(asked) == ITEMS
    runs = benchmark(lambda: [run_plug(*args, **named) for args, named in asked])
    few, spent, apart = 12, 0.0, 0.0
    for i, ((args, named), run) in enumerate(zip(asked[:few], runs, strict=False)):
        sample = 97 * i

        def of(value, sample=sample):
            return float(np.broadcast_to(value, SAMPLES)[sample])

        volume, bore, path, faces, stages = args
        section = np.pi / 4.0 * of(bore) ** 2
        plain = [
            (of(s.duration_s), of(s.gas_start_kg_per_m3), of(s.gas_diffusivity_m2_per_s),
             of(s.water_diffusivity_m2_per_s), of(s.water_gas_ratio), of(s.hydrolysis_per_s))
            for s in stages
        ]  # fmt: skip
        assert all(of(s.gas_start_kg_per_m3) == of(s.gas_end_kg_per_m3) for s in stages)
        # EO comes a few millimetres deep: water beyond 60 mm may be left out.
        half = min(of(volume) / section / faces, 0.06)
        filled, level = of(named["filled_share"]), of(named["start_gas_kg_per_m3"])
        start = time.perf_counter()
        made = with_a_general_solver(half, of(path), plain, filled, level)
        spent += time.perf_counter() - start
        apart = max(apart, abs(of(run.reacted_kg[-1]) / (faces * section * made) - 1.0))
    slower = spent / few * ITEMS * SAMPLES / benchmark.stats.stats.median
    benchmark.extra_info.update(times_slower=round(slower), largest_difference=float(apart))
    print(f"\n{ITEMS} plugs of {SAMPLES} samples: a general solver, extrapolated from one sample "
          f"of {few} of them, takes {slower:,.0f} times as long, {apart:.0e} apart")  # fmt: skip
    assert apart < 1e-3
    assert slower > 10.0
