"""A plug of water behind its gas column, against an independent solver and Crank's laws.

No measured uptake of a plug was found. Crank: The Mathematics of Diffusion, 2nd ed. 1975.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from eo_risk.physics.gas import bulk_flow_factor
from eo_risk.physics.plug import PlugStage, run_plug

MASS_RATIO = 62.0678 / 44.0526  # EG per EO reacted, stoichiometry
BORE, DAY_GAS = 3e-3, 1.5e-5
QUASI_STEADY = 1e-4  # share of the column's inventory that is left


def glycol_mg(run, index):
    return float(run.reacted_kg[index, 0]) * 1e6 * MASS_RATIO


def two_hours_and_twelve(volume, path, *, column, gas_d, ratio=51.0, k=1.1e-5, filled=None):
    stages = [PlugStage(7200.0, 0.6, 0.6, gas_d, 3.2e-9, ratio, k),
              PlugStage(43200.0, 0.0, 0.0, DAY_GAS, 3.2e-9, ratio, k)]  # fmt: skip
    start = {} if filled is None else {"start_gas_kg_per_m3": 0.6, "filled_share": filled}
    return run_plug(volume, BORE, path, 2, stages, column_inventory=column, **start)


@pytest.mark.parametrize(
    ("millilitres", "path", "expected"),
    [
        # 3 mm bore, 55 C, 600 mg/L, 2 h then 12 h at zero gas. Made apart from the package with
        # 200 implicit cells of water, dC/dt = D C'' - k C, behind a gas path that stores nothing:
        # flux D_gas / L (C_gas - C / K). 800 cells agree to 0.2 %; the figures have two digits.
        (0.1, 0.25, (0.0945, 0.301, 0.020)),
        (1.0, 0.25, (0.095, 0.46, 0.27)),
        (1.0, 0.02, (0.162, 0.56, 0.27)),
        (1.0, 0.50, (0.065, 0.38, 0.25)),
    ],
)
def test_quasi_steady_gas_path(millilitres, path, expected):
    run = two_hours_and_twelve(millilitres * 1e-6, path, column=QUASI_STEADY, gas_d=DAY_GAS)
    found = (glycol_mg(run, 1), glycol_mg(run, 2), float(run.eo_kg[2, 0]) * 1e6)
    assert found == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(("path", "total_eg", "eo_left"), [(0.25, 0.70, 0.43), (0.50, 0.86, 0.67)])
def test_a_column_filled_by_injection_brings_more(path, total_eg, eo_left):
    """Pure EO at 60 kPa filled from 10 kPa, mole fraction 0.62.

    Two digits made apart from the package, and the discretisation below, in which EO comes a few
    millimetres deep: water beyond 60 mm is left out.
    """
    gas_d = DAY_GAS * 101325 / 60000 * float(bulk_flow_factor(0.62))
    run = two_hours_and_twelve(1e-6, path, column=1.0, gas_d=gas_d, filled=5 / 6)
    stages = [(7200, 0.6, gas_d, 3.2e-9, 51.0, 1.1e-5), (43200, 0.0, DAY_GAS, 3.2e-9, 51.0, 1.1e-5)]
    dissolved, made = finite_volumes(0.06, path, stages, 5 / 6, 0.6, cells=320)
    faces = 2 * np.pi / 4 * BORE**2
    assert float(run.reacted_kg[2, 0]) == pytest.approx(made * faces, rel=2e-3)
    assert float(run.eo_kg[2, 0]) == pytest.approx(dissolved * faces, rel=2e-3)
    assert glycol_mg(run, 2) == pytest.approx(total_eg, rel=0.03)
    assert float(run.eo_kg[2, 0]) * 1e6 == pytest.approx(eo_left, rel=0.03)
    still = two_hours_and_twelve(1e-6, path, column=QUASI_STEADY, gas_d=DAY_GAS)
    assert glycol_mg(run, 2) > glycol_mg(still, 2)


def finite_volumes(half, path, stages, filled, level, cells=160):
    """Gas column and water as one row of finite volumes, with a general ODE solver."""
    gas_w, water_w = np.full(cells, path / cells), np.full(cells, half / cells)
    position = (np.arange(cells) + 0.5) / cells
    c = np.concatenate([np.where(position < filled, level, 0.0), np.zeros(cells)])
    made = 0.0
    for seconds, outside, d_gas, d_water, ratio, k in stages:

        def slope(_, y, outside=outside, d_gas=d_gas, d_water=d_water, ratio=ratio, k=k):
            g, w = y[:cells], y[cells : 2 * cells]
            inner_g = -d_gas * np.diff(g) / gas_w[0]
            inner_w = -d_water * np.diff(w) / water_w[0]
            mouth = d_gas * (outside - g[0]) / (0.5 * gas_w[0])
            face = (g[-1] - w[0] / ratio) / (0.5 * gas_w[0] / d_gas
                                             + 0.5 * water_w[0] / (d_water * ratio))  # fmt: skip
            flux_g = np.concatenate([[mouth], inner_g, [face]])
            flux_w = np.concatenate([[face], inner_w, [0.0]])
            dg = (flux_g[:-1] - flux_g[1:]) / gas_w
            dw = (flux_w[:-1] - flux_w[1:]) / water_w - k * w
            return np.concatenate([dg, dw, [k * np.sum(w * water_w)]])

        y = solve_ivp(slope, (0, seconds), np.append(c, made), method="LSODA", lband=1, uband=1,
                      rtol=1e-7, atol=1e-12)  # fmt: skip
        c, made = y.y[:-1, -1], y.y[-1, -1]
    return float(np.sum(c[cells:] * water_w)), float(made)


def test_no_eo_is_lost_or_made():
    """Column, water and glycol hold what they started with and what came in at the mouths."""
    volumes = np.geomspace(1e-9, 2e-6, 9)
    run = two_hours_and_twelve(volumes, 0.25, column=1.0, gas_d=2.5e-5, filled=5 / 6)
    held = run.column_kg + run.eo_kg + run.reacted_kg
    most = np.max(run.eo_kg + run.reacted_kg, axis=0)
    assert np.all(np.abs(held - held[0] - run.entered_kg) <= 1e-6 * most)


@pytest.mark.parametrize("path", [0.02, 0.25, 0.5])
def test_a_thin_plug_becomes_a_film(path):
    """Little water behind any gas path comes to K C V k t (3.41 mg per mL and 2 h here)."""
    run = two_hours_and_twelve(1e-12, path, column=QUASI_STEADY, gas_d=DAY_GAS)
    assert glycol_mg(run, 1) / 1e-6 == pytest.approx(3.41, rel=0.02)


def test_against_an_independent_discretisation():
    volume, path = 2e-7, 0.15
    section = np.pi / 4 * BORE**2
    half = volume / section / 2
    given = [(7200, 0.6, 2.6e-5, 3.1e-9, 59.0, 9.9e-6), (600, 0.05, 2.6e-5, 3.1e-9, 59.0, 9.9e-6),
             (36000, 0.0, 1.6e-5, 3.0e-9, 68.0, 6.4e-6)]  # fmt: skip
    stages = [PlugStage(s, g, g, dg, dw, k, r) for s, g, dg, dw, k, r in given]
    run = run_plug(volume, BORE, path, 2, stages, start_gas_kg_per_m3=0.6, filled_share=0.8)
    dissolved, made = finite_volumes(half, path, given, 0.8, 0.6)
    # 160 cells still err by 1e-5; twice as many come within 3e-6 of the engine.
    assert float(run.eo_kg[-1, 0]) / (2 * section) == pytest.approx(dissolved, rel=5e-5)
    assert float(run.reacted_kg[-1, 0]) / (2 * section) == pytest.approx(made, rel=5e-5)


def test_more_water_never_makes_less_glycol():
    volumes = np.geomspace(1e-9, 2e-6, 25)
    run = two_hours_and_twelve(volumes, 0.25, column=1.0, gas_d=2.5e-5, filled=5 / 6)
    made = run.reacted_kg[-1]
    assert np.all(np.diff(made) >= -1e-6 * made[:-1])


def test_more_water_in_a_lumen_of_one_length_takes_up_more_and_gives_off_sooner():
    """A longer plug leaves a shorter column of gas: EO comes in sooner, and goes out sooner.

    So the glycol of the exposure never falls with more water, while that of exposure and
    aeration may, by up to a tenth: EO has less time left to react. It is what the equations
    say, for the independent discretisation says it too. (The film, which rules for glycol,
    keeps EO longer the more water there is.)
    """
    length, section = 1.5, np.pi / 4 * BORE**2
    volumes = np.array([0.1, 0.3, 1.0, 2.0, 4.0, 8.0]) * 1e-6
    half = volumes / section / 2
    path = length / 2 - half
    given = [(10800, 0.6, 2.6e-5, 3.1e-9, 59.0, 9.9e-6), (2400, 0.02, 1.8e-5, 3.1e-9, 59.0, 9.9e-6),
             (43200, 0.0, 1.6e-5, 3.0e-9, 68.0, 6.4e-6)]  # fmt: skip
    stages = [PlugStage(s, g, g, dg, dw, k, r) for s, g, dg, dw, k, r in given]
    run = run_plug(volumes, BORE, path, 2, stages, start_gas_kg_per_m3=0.6, filled_share=5 / 6)
    assert np.all(np.diff(run.reacted_kg[1]) > 0.0)
    made = run.reacted_kg[-1]
    assert 0.85 < made[-1] / made[2] < 0.95
    for i in (2, 5):
        # EO comes a few millimetres deep: water beyond 60 mm may be left out.
        _, other = finite_volumes(min(half[i], 0.06), path[i], given, 5 / 6, 0.6, cells=320)
        assert made[i] / (2 * section) == pytest.approx(other, rel=1e-3)


def test_a_film_makes_at_least_as_much_during_the_exposure():
    """Water at equilibrium from the start: K C V k t, the upper side of any plug."""
    volumes = np.geomspace(1e-9, 2e-6, 20)
    run = two_hours_and_twelve(volumes, 0.02, column=1.0, gas_d=2.5e-5, filled=1.0)
    film = 51.0 * 0.6 * volumes * 1.1e-5 * 7200
    assert np.all(run.reacted_kg[1] <= film * (1 + 1e-9))


def test_dissolving_from_one_face_follows_the_square_root():
    """0.1 mL in 3 mm, no gas resistance, no reaction, 30 min: 2 sqrt(D t / pi) / H (Crank 1975,
    eq 4.20 to first order)."""
    volume = 1e-7
    half = volume / (np.pi / 4 * BORE**2) / 2
    stage = PlugStage(1800.0, 1.0, 1.0, 1.0, 3.2e-9, 51.0, 0.0)
    run = run_plug(volume, BORE, 1e-4, 2, [stage], start_gas_kg_per_m3=1.0)
    share = float(run.eo_kg[1, 0]) / (51.0 * volume)
    assert share == pytest.approx(0.382, rel=0.01)
    assert share == pytest.approx(2 * np.sqrt(3.2e-9 * 1800 / np.pi) / half, rel=0.01)
