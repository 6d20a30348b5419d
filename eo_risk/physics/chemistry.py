"""What EO becomes in leftover water: glycol, chlorohydrin, and EO still dissolved.

A film is well mixed and in equilibrium with the gas while EO is in the chamber; afterwards it
gives its EO off with an escape time and goes on reacting. Everything is an array of samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Rates:
    """Rate constants at one temperature. [SI], numbers or shape (samples,)

    `neutral` 1/s; `acid`, `base`, `chloride`, `closure` m3/(mol s); `chloride_acid`
    m6/(mol2 s); `ion_product` mol2/m6.
    """

    neutral: ArrayLike
    acid: ArrayLike
    base: ArrayLike
    chloride: ArrayLike
    closure: ArrayLike
    chloride_acid: ArrayLike
    ion_product: ArrayLike


def chlorohydrin_equilibrium(rates: Rates) -> np.ndarray:
    """Return [ECH][OH-] / ([EO][Cl-]) at equilibrium. [-]"""
    return np.asarray(rates.chloride) / rates.closure


def stalled_chlorohydrin_mol_per_m3(
    rates: Rates, eo_mol_per_m3: ArrayLike, chloride_mol_per_m3: ArrayLike
) -> np.ndarray:
    """Return the chlorohydrin at which unbuffered water stalls. [mol/m3]

    Each chlorohydrin formed frees one hydroxide, which turns it back: then
    [ECH] = [OH-] = sqrt(K [EO] [Cl-]).
    """
    product = chlorohydrin_equilibrium(rates) * eo_mol_per_m3 * chloride_mol_per_m3
    return np.sqrt(product)


def hydroxide_mol_per_m3(
    rates: Rates, eo_mol_per_m3: ArrayLike, chloride_mol_per_m3: ArrayLike, acid: ArrayLike
) -> np.ndarray:
    """Return the hydroxide of leftover water by charge balance. [mol/m3]

    `acid` is the hydrogen ion the water has without chlorohydrin: what a CO2 atmosphere gives,
    or a carry-over, acid or alkaline. Acid takes the hydroxide of the chlorohydrin up, and then
    no stall raises it; otherwise the two add up, the careful side for glycol.
    """
    neutral = np.sqrt(np.asarray(rates.ion_product))
    own = rates.ion_product / np.asarray(acid)
    stalled = stalled_chlorohydrin_mol_per_m3(rates, eo_mol_per_m3, chloride_mol_per_m3)
    return np.where(np.asarray(acid) > 10.0 * neutral, own, own + stalled)


def hydrolysis_per_s(
    rates: Rates, hydrogen_mol_per_m3: ArrayLike, hydroxide: ArrayLike
) -> np.ndarray:
    """Return the first-order rate of EO + water. [1/s]

    kN + kA [H+] + kB [OH-]; water itself is in kN.
    """
    return rates.neutral + rates.acid * np.asarray(hydrogen_mol_per_m3) + rates.base * hydroxide


@dataclass(frozen=True)
class FilmStage:
    """One stage of a film: everything that changes from stage to stage, per sample.

    `eo_equilibrium_kg_per_m3` is what the water would hold in equilibrium with the gas;
    `escape_s` the time constant with which it follows (0: at once), `hydrolysis_per_s` and
    `chloride_per_s` first-order rates of EO to glycol and, times the share of chloride left,
    of chloride to chlorohydrin.
    """

    duration_s: ArrayLike
    eo_equilibrium_kg_per_m3: ArrayLike
    escape_s: ArrayLike
    hydrolysis_per_s: ArrayLike
    chlorohydrin_m3_per_kg_s: ArrayLike = 0.0


@dataclass(frozen=True)
class FilmRun:
    """EO dissolved, EO turned into glycol, and the exposure of chloride to EO.

    At the start and after every stage; per volume of water. [kg/m3], shape
    (stages + 1, samples). `chloride_turned` is the share of the chloride that met EO, as if
    buffered. [-]
    """

    eo_kg_per_m3: np.ndarray
    reacted_kg_per_m3: np.ndarray
    chloride_turned: np.ndarray


def run_film(stages: Sequence[FilmStage], samples: int) -> FilmRun:
    """Carry a well mixed film of water through its stages, exactly within each.

    Parameters
    ----------
    stages : sequence of FilmStage
        In order.
    samples : int
        Number of samples.

    Returns
    -------
    FilmRun

    Notes
    -----
    dn/dt = (n_equilibrium - n) / escape - k n with constant numbers in a stage, solved in
    closed form. With `escape_s` 0 the film stays at equilibrium and what reacts is replaced.
    """
    eo = np.zeros(samples)
    reacted, exponent = np.zeros(samples), np.zeros(samples)
    history = [(eo, reacted, exponent)]
    for stage in stages:
        duration, escape = np.asarray(stage.duration_s), np.asarray(stage.escape_s)
        level, k = stage.eo_equilibrium_kg_per_m3, stage.hydrolysis_per_s
        at_once = escape <= np.maximum(1e-12 * duration, np.finfo(float).tiny)
        follow = 1.0 / np.where(at_once, 1.0, escape)
        total = follow + k
        settled = level * follow / total
        left = np.exp(-total * duration)
        after = np.where(at_once, level, settled + (eo - settled) * left)
        held = np.where(
            at_once, level * duration, settled * duration + (eo - settled) * (1.0 - left) / total
        )
        eo = after
        reacted = reacted + k * held
        exponent = exponent + stage.chlorohydrin_m3_per_kg_s * held
        history.append((eo, reacted, exponent))
    eo_all, reacted_all, exponent_all = (np.stack(column) for column in zip(*history, strict=True))
    return FilmRun(eo_all, reacted_all, -np.expm1(-exponent_all))


def wetted_lumen_escape_s(
    length_m: ArrayLike,
    wet_share: ArrayLike,
    water_gas_ratio: ArrayLike,
    gas_diffusivity_m2_per_s: ArrayLike,
    open_ends: int,
) -> np.ndarray:
    """Return the time constant with which a wet-walled lumen gives EO off. [s]

    (1 + K w / (1 - w)) L^2 / (pi^2 D) for two open ends, four times that for one.
    """
    w = np.clip(wet_share, 0.0, 0.95)
    reach = np.asarray(length_m) * (1.0 if open_ends == 2 else 2.0)
    store = 1.0 + np.asarray(water_gas_ratio) * w / (1.0 - w)
    return store * np.square(reach) / (np.pi**2 * np.asarray(gas_diffusivity_m2_per_s))


def glycol_ceiling_kg(
    water_m3: ArrayLike,
    water_gas_ratio: ArrayLike,
    eo_kg_per_m3: ArrayLike,
    hydrolysis_per_s: ArrayLike,
    exposure_s: ArrayLike,
    mass_ratio: ArrayLike,
) -> np.ndarray:
    """Return the largest EG this water can come to: dissolved stock plus its replacement. [kg]

    K C V (M_EG / M_EO) (1 + k t), at the coldest likely temperature of the water.
    """
    stock = np.asarray(water_gas_ratio) * eo_kg_per_m3 * water_m3
    return stock * mass_ratio * (1.0 + np.asarray(hydrolysis_per_s) * exposure_s)


def penetration_m(diffusivity_m2_per_s: ArrayLike, time_s: ArrayLike) -> np.ndarray:
    """Return the depth to which EO has effectively come, 2 sqrt(D t / pi). [m]"""
    return 2.0 * np.sqrt(np.asarray(diffusivity_m2_per_s) * time_s / np.pi)


def closed_eo_left(rate_per_s: ArrayLike, time_s: ArrayLike) -> np.ndarray:
    """Return the share of dissolved EO left in closed water after a time. [-]"""
    return np.exp(-np.asarray(rate_per_s) * time_s)


def chlorohydrin_kg(
    turned: ArrayLike,
    chloride_mol: ArrayLike,
    stalled_mol: ArrayLike,
    molar_mass_kg_per_mol: ArrayLike,
) -> tuple[np.ndarray, np.ndarray]:
    """Return chlorohydrin in unbuffered and in buffered water. [kg], both

    Buffered, all the chloride that met EO turns; unbuffered it stops at `stalled_mol`.
    """
    buffered = np.asarray(turned) * chloride_mol
    unbuffered = np.minimum(buffered, stalled_mol)
    return unbuffered * molar_mass_kg_per_mol, buffered * molar_mass_kg_per_mol


def diethylene_glycol_mol_per_m3(
    glycol_mol_per_m3: ArrayLike, ratio: ArrayLike, water_mol_per_m3: ArrayLike
) -> np.ndarray:
    """Return the diethylene glycol formed beside glycol. [mol/m3]

    Parameters
    ----------
    glycol_mol_per_m3, water_mol_per_m3 : array_like
        Glycol formed so far, and water, which stays in large excess. [mol/m3]
    ratio : array_like
        Reactivity of glycol over that of water per molecule at one temperature. [-]

    Notes
    -----
    d DEG / d EG = ratio [EG] / [water] whatever the EO did meanwhile, so
    DEG = ratio EG^2 / (2 [water]).
    """
    return np.asarray(ratio) * np.square(glycol_mol_per_m3) / (2.0 * np.asarray(water_mol_per_m3))


def diethylene_glycol_made_kg(
    glycol_kg: ArrayLike,
    water_m3: ArrayLike,
    ratio: ArrayLike,
    water_mol_per_m3: ArrayLike,
    molar_mass_kg_per_mol: tuple[ArrayLike, ArrayLike],
) -> np.ndarray:
    """Return the diethylene glycol made along stages in which the water may shrink. [kg]

    Parameters
    ----------
    glycol_kg, water_m3 : array_like, shape (stages + 1, samples)
        Glycol made so far and volume of the water at the start and after every stage.
    ratio : array_like, shape (stages, samples)
        Reactivity of glycol over that of water per molecule. [-]
    water_mol_per_m3 : array_like
        Water in water. [mol/m3]
    molar_mass_kg_per_mol : (array_like, array_like)
        Of glycol, of diethylene glycol. [kg/mol]

    Notes
    -----
    d DEG / d EG = ratio [EG] / [water], with the means of each stage. Glycol itself is not
    lowered by it: its share is small as long as water stays in excess.
    """
    eg, deg = molar_mass_kg_per_mol
    glycol_mol, water = np.asarray(glycol_kg) / eg, np.asarray(water_m3)
    made = np.diff(glycol_mol, axis=0)
    mean_mol = 0.5 * (glycol_mol[1:] + glycol_mol[:-1])
    mean_m3 = 0.5 * (water[1:] + water[:-1])
    per_m3 = np.divide(mean_mol, mean_m3, out=np.zeros_like(mean_mol), where=mean_m3 > 0.0)
    return np.sum(ratio * per_m3 / water_mol_per_m3 * made, axis=0) * deg


def largest_water_kg(
    water_kg: float, film_glycol_kg: ArrayLike, reference_kg: float, share: float = 0.95
) -> float:
    """Return the largest leftover water whose glycol stays below a reference. [kg]

    Parameters
    ----------
    water_kg : float
        Leftover water that was run, above zero. [kg]
    film_glycol_kg : array_like, shape (samples,)
        Glycol a film of that water came to; glycol of a film is in proportion to its water. [kg]
    reference_kg : float
        Glycol not to be passed. [kg]
    share : float
        Share of the samples that must stay below. [-]

    Raises
    ------
    ValueError
        If a mass is not above zero.
    """
    glycol_kg = float(np.quantile(film_glycol_kg, share))
    for name, value in (("water_kg", water_kg), ("film_glycol_kg", glycol_kg),
                        ("reference_kg", reference_kg)):  # fmt: skip
        if not value > 0.0:
            raise ValueError(f"{name} is {value:g} kg; give more than 0 kg")
    return water_kg * reference_kg / glycol_kg
