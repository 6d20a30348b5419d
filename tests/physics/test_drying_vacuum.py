"""Boiling, flashing, Stefan diffusion and condensation, and what a chamber leaves of water."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eo_risk.physics import chamber_water as chamber
from eo_risk.physics import evaporation

ATMOSPHERE_PA = 101325.0
BORE_3MM_M2 = np.pi / 4 * 3e-3**2


@pytest.mark.parametrize(
    ("t_c", "boils"), [(40.0, False), (50.0, True)]
)  # fmt: skip
def test_boil_test_comes_before_any_logarithm(fluids, t_c, boils):
    # 100 mbar: water at 40 C (74 mbar, steam table) only diffuses, at 50 C (123 mbar) it boils.
    full_pa = fluids.saturation_pa(t_c + 273.15)
    assert evaporation.boils(1e4, full_pa) == boils
    drive = evaporation.stefan_number(1e4, full_pa, 0.0)
    assert np.isfinite(drive)
    assert (drive == 0.0) == boils


@settings(deadline=None)
@given(st.floats(1.0, 1.2e5), st.floats(1.0, 1e5), st.floats(0.0, 1e5))
def test_no_pressure_reaches_the_logarithm_of_a_negative_number(total, full, far):
    drive = evaporation.stefan_number(total, full, far)
    assert np.isfinite(drive)
    assert drive >= 0.0


def test_boiling_point(fluids, library):
    # CoolProp 8.0.0; and 43.7 C at 1.3 psia (steam tables) within half a kelvin.
    for row in library["boiling"]["rows"]:
        found = fluids.boiling_k(row["pressure_pa"], 300.0)
        assert found == pytest.approx(row["boiling_k"], abs=0.05)
    assert fluids.boiling_k(8963.2, 330.0) - 273.15 == pytest.approx(43.7, abs=0.5)


def test_dew_point(fluids, library):
    # psychrolib 2.5.0; 55 C at 60 % RH: 44.7 C, 50 C at 50 %: 36.7 C, 37 C at 60 %: 27.9 C.
    for row in library["moist_air"]["rows"]:
        if row["dew_point_c"] > 0.0:
            air = fluids.air(row["temperature_c"] + 273.15, row["relative_humidity"], 101325.0)
            found = fluids.boiling_k(air.vapour_pa, 300.0) - 273.15
            assert found == pytest.approx(row["dew_point_c"], abs=0.05)
    for t_c, rh, dew_c in ((55, 0.6, 44.7), (50, 0.5, 36.7), (37, 0.6, 27.9), (55, 0.8, 50.4)):
        vapour_pa = rh * fluids.saturation_pa(t_c + 273.15)
        assert fluids.boiling_k(vapour_pa, 320.0) - 273.15 == pytest.approx(dew_c, abs=0.1)


def test_boiling_point_stops_at_freezing(fluids):
    assert fluids.boiling_k(100.0, 300.0) == pytest.approx(273.15)


def test_flash_on_its_own_heat(fluids):
    # Heat balance, library enthalpies: 50 C to 50 mbar 2.9 %, to 20 mbar 5.5 %.
    for pressure_pa, share in ((5000.0, 0.029), (2000.0, 0.055)):
        boiling_k = fluids.boiling_k(pressure_pa, 323.15)
        found = evaporation.flash_fraction(323.15, boiling_k, 4183.0, 2.42e6)
        assert found == pytest.approx(share, rel=0.03)
    assert evaporation.flash_fraction(293.15, 300.0, 4183.0, 2.4e6) == 0.0


def test_flash_and_freeze():
    # From 20 C to complete freezing 14.7 %; 11.8 % of water at 0 C evaporates as it freezes
    # (heats of fusion 333.6 and vaporisation 2501 kJ/kg, handbook, from memory).
    assert evaporation.freezing_fraction(2.501e6, 333.6e3) == pytest.approx(0.118, rel=0.01)
    found = evaporation.flash_and_freeze_fraction(293.15, 273.15, 4200.0, 2.48e6, 333.6e3)
    assert found == pytest.approx(0.147, rel=0.03)


def test_stefan_rate(fluids):
    # 3 mm bore, 0.1 m deep, 20 C, 1013 mbar, dry gas: 1.80e-3 mg/min (Stefan's law with
    # library values of vapour pressure and diffusivity).
    rate = evaporation.stefan_rate_kg_per_s(
        BORE_3MM_M2, 0.1, 293.15, ATMOSPHERE_PA, fluids.saturation_pa(293.15), 0.0,
        fluids.vapour_diffusivity_m2_per_s(293.15, ATMOSPHERE_PA), 0.018015,
    )  # fmt: skip
    assert rate * 6e7 == pytest.approx(1.80e-3, rel=0.03)


@pytest.mark.parametrize(
    ("t_c", "mbar", "rh", "minutes"),
    # Minutes per microlitre, 3 mm bore, 10 cm deep, chamber dry or at 60 % RH: Stefan's law
    # (Bird, Stewart and Lightfoot, Transport Phenomena, ch. 18), worked apart from the package
    # with vapour pressures of CoolProp.
    [
        (40, 100, 0.0, 9.2), (40, 100, 0.6, 16), (40, 200, 0.0, 27), (40, 800, 0.6, 309),
        (50, 200, 0.0, 12.5), (50, 800, 0.0, 72), (55, 200, 0.0, 7.6), (55, 200, 0.6, 13),
        (55, 800, 0.0, 54), (55, 800, 0.6, 127), (20, 100, 0.0, 49), (20, 1013, 0.6, 1380),
    ],
)  # fmt: skip
def test_minutes_per_microlitre(fluids, t_c, mbar, rh, minutes):
    temperature_k, pressure_pa = t_c + 273.15, mbar * 100.0
    full_pa = fluids.saturation_pa(temperature_k)
    rate = evaporation.stefan_rate_kg_per_s(
        BORE_3MM_M2, 0.1, temperature_k, pressure_pa, full_pa, rh * full_pa,
        fluids.vapour_diffusivity_m2_per_s(temperature_k, pressure_pa), 0.018015,
    )  # fmt: skip
    # Two figures are given: 5 %.
    assert 1e-6 / rate / 60.0 == pytest.approx(minutes, rel=0.05)


def test_a_meniscus_recedes_as_the_root_of_time():
    # Exact, dL/dt = B/L: from the mouth L = sqrt(2 B t); from a depth B/L0 at once.
    assert evaporation.stefan_recession_m(0.0, 2e-10, 1e6) == pytest.approx(0.02)
    assert evaporation.stefan_recession_m(0.5, 2e-10, 1.0) == pytest.approx(4e-10, rel=1e-6)
    assert evaporation.stefan_recession_m(0.0, 0.0, 1e6) == 0.0


def test_five_days_of_hanging_take_a_microlitre_from_a_deep_plug(fluids):
    # Nerandzic et al., Am. J. Infect. Control 2021;49:614 (summary read): the same amount of
    # liquid after 5 days. Plug 0.5 m deep, 20 C, 50 % RH: 0.19 mm, 1.3 uL.
    full_pa = fluids.saturation_pa(293.15)
    recession = evaporation.recession_m2_per_s(
        293.15, ATMOSPHERE_PA, full_pa, 0.5 * full_pa,
        fluids.vapour_diffusivity_m2_per_s(293.15, ATMOSPHERE_PA), 0.018015, 998.0,
    )  # fmt: skip
    gone_m = evaporation.stefan_recession_m(0.5, recession, 5 * 86400.0)
    assert gone_m == pytest.approx(0.19e-3, rel=0.05)
    assert gone_m * BORE_3MM_M2 == pytest.approx(1.3e-9, rel=0.05)


@pytest.mark.parametrize(
    ("pressure_pa", "mg_per_min", "mg_at_once"), [(1e4, 4.9, 24.0), (5e3, 11.9, 57.0)]
)
def test_boil_off_is_limited_by_heat(fluids, pressure_pa, mg_per_min, mg_at_once):
    # Heat over latent heat, by hand with boiling points of the steam table: 1 mL over 14 cm of a
    # 3/6 mm polymer tube at 55 C in walls of 55 C, 8 W/(m2 K). The heat that arrives, and what the
    # tube stores (1.1 g/cm3, 1.9 kJ/(kg K): assumed polymer).
    area_m2 = np.pi * 6e-3 * 0.14
    solid = np.pi / 4 * (6e-3**2 - 3e-3**2) * 0.14 * 1100.0 * 1900.0
    boiling_k = fluids.boiling_k(pressure_pa, 328.15)

    def gone(seconds, **heat):
        return evaporation.boil_off_kg(
            1e-3, 328.15, boiling_k, 328.15, seconds, water_heat_capacity_j_per_kg_k=0.0,
            latent_heat_j_per_kg=2.39e6, **heat,
        )  # fmt: skip

    assert gone(60.0, heat_transfer_w_per_k=8.0 * area_m2) * 1e6 == pytest.approx(
        mg_per_min, rel=0.03
    )
    assert gone(0.0, solid_j_per_k=solid) * 1e6 == pytest.approx(mg_at_once, rel=0.08)
    # Together a hold of 10 min takes 70 to 180 mg of 1000 mg.
    hold = gone(600.0, solid_j_per_k=solid, heat_transfer_w_per_k=8.0 * area_m2)
    assert 70e-6 < hold < 180e-6


def test_metal_dries_where_plastic_does_not():
    # Heat balance: 0.3 kg of steel at 55 C gives heat for 0.58 g at 100 mbar (45.8 C in the steam
    # table; 500 J/(kg K)).
    gone = evaporation.boil_off_kg(
        1.0, 328.15, 318.96, 328.15, 0.0, water_heat_capacity_j_per_kg_k=0.0,
        latent_heat_j_per_kg=2.39e6, solid_j_per_k=0.3 * 500.0,
    )  # fmt: skip
    assert gone == pytest.approx(0.58e-3, rel=0.03)


def test_water_above_the_boiling_pressure_does_not_boil():
    gone = evaporation.boil_off_kg(
        1e-3, 300.0, 318.0, 328.0, 600.0, water_heat_capacity_j_per_kg_k=4183.0,
        latent_heat_j_per_kg=2.4e6, solid_j_per_k=100.0, heat_transfer_w_per_k=1.0,
    )  # fmt: skip
    assert gone == 0.0


def test_a_cold_load_collects_water():
    # Heat balance, 20 to 44.5 C: polymer (1.46 kJ/(kg K)) 15 g/kg, steel (0.5) 5 g/kg.
    polymer = evaporation.condensation_kg(1460.0, 293.15, 317.65, 2.4e6)
    steel = evaporation.condensation_kg(500.0, 293.15, 317.65, 2.4e6)
    assert polymer == pytest.approx(15e-3, rel=0.03)
    assert steel == pytest.approx(5e-3, rel=0.03)
    assert evaporation.condensation_kg(1460.0, 320.0, 317.65, 2.4e6) == 0.0
    assert evaporation.condensation_kg(1460.0, 293.15, 317.65, 2.4e6, 1e-3) == 1e-3


def test_water_the_chamber_gas_can_hold(fluids):
    # 100 L at 55 C and 60 % RH take 4.2 g more (saturated vapour 104.1 g/m3: Buck 1981).
    full = fluids.saturation_pa(328.15) * 0.018015 / (8.314 * 328.15)
    assert full == pytest.approx(104.1e-3, rel=0.01)
    assert evaporation.gas_water_capacity_kg(0.1, full, 0.6 * full) == pytest.approx(
        4.2e-3, rel=0.02
    )


def test_share_of_a_ramp_that_boils():
    # Exact: a pump takes ln(p) down evenly, from 100 to 1 kPa water of 10 kPa boils half the time.
    assert evaporation.boiling_share(1e5, 1e3, 1e4) == pytest.approx(0.5)
    assert evaporation.boiling_share(1e3, 1e5, 1e4) == pytest.approx(0.5)
    assert evaporation.boiling_share([5e3, 2e4], [5e3, 2e4], 1e4).tolist() == [1.0, 0.0]


def stay(**changes):
    base = chamber.Stay(1800.0, 328.15, 328.15, 2e4, 2e4, 0.6)
    return replace(base, **changes)


PLUG = chamber.DeepPlace(BORE_3MM_M2, 0.1)
FILM = chamber.OpenPlace(1e-2, 6e-4)


def test_one_stage_of_a_plug_is_the_stefan_law(fluids):
    # One hour at 55 C, 60 % RH; 200 mbar of dry gas and 95 mbar of vapour.
    left = chamber.deep_left_kg(1e-3, PLUG, [stay(duration_s=3600.0)], fluids)
    full_pa = fluids.saturation_pa(328.15)
    pressure_pa = 2e4 + 0.6 * full_pa
    rate = evaporation.stefan_rate_kg_per_s(
        BORE_3MM_M2, 0.1, 328.15, pressure_pa, full_pa, 0.6 * full_pa,
        fluids.vapour_diffusivity_m2_per_s(328.15, pressure_pa), 0.018015,
    )  # fmt: skip
    assert 1e-3 - left == pytest.approx(3600.0 * rate, rel=0.02)
    # Between 1 and 23 uL in an hour of conditioning, nothing against 100 to 1000 uL.
    assert 1e-6 < 1e-3 - left < 23e-6


@pytest.mark.parametrize("depth_m", [0.0, 5e-3])
def test_water_in_a_crevice_lasts_until_none_is_left(fluids, depth_m):
    """A stage that long leaves next to nothing, a hundredth less of it leaves some."""
    water_kg, place = np.array([2e-6]), replace(PLUG, depth_m=np.array([depth_m]))
    (met,) = chamber.met_by_water([stay(duration_s=1e7)], fluids)
    (lasts_s,) = chamber.deep_dry_s(water_kg, place, met)
    assert 0.0 < lasts_s < 1e7
    after, before = (
        chamber.deep_left_kg(water_kg, place, [stay(duration_s=share * lasts_s)], fluids)
        for share in (1.0, 0.99)
    )
    assert after == pytest.approx(0.0, abs=1e-9 * water_kg[0])
    assert before > 1e-3 * water_kg
    (short,) = chamber.met_by_water([stay(duration_s=60.0)], fluids)
    assert chamber.deep_dry_s(np.array([1e-3]), place, short) == 60.0  # all of it: some stays


def test_two_half_stages_are_one(fluids):
    whole = chamber.deep_left_kg(
        1e-5, chamber.DeepPlace(1e-6, 0.0), [stay(duration_s=7200.0)], fluids
    )
    halves = chamber.deep_left_kg(
        1e-5, chamber.DeepPlace(1e-6, 0.0), [stay(duration_s=3600.0)] * 2, fluids
    )
    assert halves == pytest.approx(whole, rel=1e-9)


def test_a_film_goes_in_minutes_and_a_plug_stays(fluids):
    # 1 mg/cm2 at 55 C and 60 % RH: between 1.3 and 50 min by surface and wrapping; a plug
    # keeps nearly all of its water through the same half hour.
    stages = [stay(pressure_start_pa=ATMOSPHERE_PA, pressure_end_pa=ATMOSPHERE_PA)]
    bare = chamber.film_left_kg(1e-4, chamber.OpenPlace(1e-2, 3e-3), stages, fluids)
    assert bare == 0.0
    plug = chamber.deep_left_kg(1e-4, PLUG, stages, fluids)
    assert plug > 0.95e-4


def test_a_cold_load_does_not_boil_in_an_ordinary_vacuum(fluids):
    # 20 C, 100 mbar: no boiling (23 mbar in the steam table). 55 C (158 mbar): boils.
    cold = [stay(temperature_k=293.15, gas_temperature_k=293.15, relative_humidity=0.0,
                 pressure_start_pa=1e4, pressure_end_pa=1e4, duration_s=600.0)]  # fmt: skip
    warm = [replace(cold[0], temperature_k=328.15, gas_temperature_k=328.15)]
    place = replace(PLUG, heat_w_per_k=0.02, solid_j_per_k=6.0)
    lost_cold = 1e-3 - chamber.deep_left_kg(1e-3, place, cold, fluids)
    lost_warm = 1e-3 - chamber.deep_left_kg(1e-3, place, warm, fluids)
    assert lost_cold < 1e-6
    assert 70e-6 < lost_warm < 180e-6


water_kg = st.floats(0.0, 1e-2)
pressures = st.floats(300.0, 1.1e5)
kelvins = st.floats(290.0, 340.0)


@settings(max_examples=300, deadline=None)
@given(water_kg, pressures, st.floats(0.3, 1.0), kelvins, st.floats(0.0, 1.0),
       st.floats(1.0, 1e4))  # fmt: skip
def test_water_falls_with_vacuum_warmth_time_and_dryness(
    fluids, mass, pressure, deeper, kelvin, rh, seconds
):
    base_stage = chamber.Stay(seconds, kelvin, kelvin, pressure, pressure, rh)
    film = chamber.OpenPlace(1e-2, 1e-3, 0.5, 2.0, 0.05)
    deep = chamber.DeepPlace(7e-6, 0.05, 2, 2.0, 0.05)
    for left, place in ((chamber.film_left_kg, film), (chamber.deep_left_kg, deep)):
        base = left(mass, place, [base_stage], fluids)
        assert 0.0 <= base <= mass
        slack = 1e-9 * mass + 1e-15
        assert left(mass, place, [replace(base_stage, duration_s=1.5 * seconds)], fluids) <= (
            base + slack
        )
        lower = replace(
            base_stage, pressure_start_pa=pressure * deeper, pressure_end_pa=pressure * deeper
        )
        assert left(mass, place, [lower], fluids) <= base + slack


@settings(max_examples=60, deadline=None)
@given(kelvins, st.floats(0.0, 0.9), st.floats(60.0, 1e4))
def test_at_room_pressure_warmer_and_drier_air_leaves_less(fluids, kelvin, rh, seconds):
    def left(kelvin, rh):
        stage = chamber.Stay(seconds, kelvin, kelvin, ATMOSPHERE_PA, ATMOSPHERE_PA, rh)
        return np.array([
            chamber.film_left_kg(1e-3, FILM, [stage], fluids),
            chamber.deep_left_kg(1e-3, PLUG, [stage], fluids),
        ])  # fmt: skip

    base = left(kelvin, rh)
    assert np.all(left(kelvin + 5.0, rh) <= base + 1e-12)
    assert np.all(left(kelvin, 0.5 * rh) <= base + 1e-12)


def cycle(load_k=294.15, evacuation_pa=9e3):
    return [
        chamber.Stay(1200.0, load_k + 5.0, 328.15, ATMOSPHERE_PA, evacuation_pa, 0.0),
        chamber.Stay(900.0, load_k + 12.0, 328.15, evacuation_pa, evacuation_pa, 0.6),
        chamber.Stay(900.0, load_k + 20.0, 328.15, evacuation_pa, evacuation_pa, 0.6),
    ]


def at_injection(fluids, stages, condensed=0.0, inside_share=0.0, start=(1e-4, 2e-5, 5e-4)):
    return chamber.water_at_injection(
        chamber.WaterByPlace(*map(np.asarray, start)), stages, fluids,
        film=FILM, crevice=chamber.DeepPlace(3e-6, 0.0), plug=PLUG,
        condensed=condensed, inside_share=inside_share,
    )  # fmt: skip


def test_water_at_injection_by_place(fluids):
    left = at_injection(fluids, cycle())
    assert 0.0 <= left.film_kg < 1e-4
    assert left.crevice_kg < 2e-5
    assert left.plug_kg > 0.98 * 5e-4
    assert left.total_kg == pytest.approx(left.film_kg + left.crevice_kg + left.plug_kg)
    nothing = at_injection(fluids, cycle(), start=(0.0, 0.0, 0.0))
    assert nothing.total_kg == 0.0


def test_condensate_wets_a_dry_cold_load_and_no_warm_one(fluids):
    cold = chamber.condensed_kg(cycle(), 500.0, fluids)
    assert cold > 1e-3
    warm = chamber.condensed_kg(cycle(load_k=320.0), 500.0, fluids)
    assert warm == 0.0
    assert chamber.condensed_kg(cycle()[:1], 500.0, fluids) == 0.0
    left = at_injection(fluids, cycle(), condensed=cold, inside_share=0.1, start=(0.0, 0.0, 0.0))
    assert left.plug_kg == pytest.approx(0.1 * cold, rel=0.05)
    assert left.film_kg <= 0.9 * cold


def test_steam_raises_the_pressure_so_that_conditioning_does_not_boil(fluids):
    # 9 kPa left plus steam at 60 % RH of 55 C is 18.5 kPa, above the 15.8 kPa of water at
    # 55 C: a warm load must not be credited with boiling while it is humidified.
    humid = stay(pressure_start_pa=9e3, pressure_end_pa=9e3, relative_humidity=0.6)
    place = replace(PLUG, heat_w_per_k=1.0, solid_j_per_k=100.0)
    lost = 1e-3 - chamber.deep_left_kg(1e-3, place, [humid], fluids)
    assert lost < 2e-5
    dry = replace(humid, relative_humidity=0.0)
    assert 1e-3 - chamber.deep_left_kg(1e-3, place, [dry], fluids) > 3e-4


def test_stages_run_over_samples(fluids):
    load_k = np.linspace(290.0, 328.0, 128)
    stages = cycle(load_k)
    left = at_injection(fluids, stages, condensed=chamber.condensed_kg(stages, 50.0, fluids))
    for kg in (left.film_kg, left.crevice_kg, left.plug_kg):
        assert kg.shape == (128,)
        assert np.all((kg >= 0.0) & np.isfinite(kg))
