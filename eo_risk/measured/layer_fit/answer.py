"""The layer model beside the line: from what a user says of the device to both curves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from eo_risk import reference
from eo_risk.errors import NOTHING, Fault, InputError, unknown_name
from eo_risk.judgement.result import Band, Caution
from eo_risk.judgement.risk import Draw, quantile
from eo_risk.measured.device_amounts import DeviceAmount
from eo_risk.measured.dissipation import Points, by_lots, can_fit_lots, pooled
from eo_risk.measured.layer_fit.fit import (
    PhysicsFit,
    fit_physics,
    picture_hours,
    release_curves,
)
from eo_risk.measured.layer_fit.site_record import (
    Origin,
    diffusivity_record,
    slow_pool_records,
    start_level_record,
    uptake_record,
)
from eo_risk.measured.layer_fit.unknowns import PhysicsSetup, prior_of
from eo_risk.physics.layer import Body
from eo_risk.units import celsius_to_kelvin, from_si, to_si

SHAPES = ("sheet", "tube", "rod", "sphere", "fibre")
_PRIOR_SAMPLES = 4096
# Scatter that tells of a misfit: above what laboratories differ by (12 % at most between 15
# laboratories, Lao et al. 1995, abstract), and so many times that of the line (own choice).
_MISFIT_SCATTER = 0.15
_MISFIT_TIMES = 2.0
# With these there is no number a site should keep.
_NO_RECORD = {"fit_uncertain", "model_does_not_fit", "surface_far_from_record",
              "diffusivity_not_told"}  # fmt: skip
_TELLS = 0.7  # a band wider than this share of the record's tells nothing new (own choice)
_NO_GAS = ("start level and uptake: they belong to the cycle before; give its exposure hours, EO "
           "in the gas and the mass of the part")  # fmt: skip
# Extractions that find all a device holds; simulated use finds what it gives off meanwhile.
_WHOLE = ("exhaustive", "headspace")
_NOT_WHOLE = ("start level and uptake: they are of the whole residue; test by exhaustive "
              "extraction or headspace, and say so in column extraction")  # fmt: skip
_NO_DEVICE = "start level: it belongs to a device; name it in column device"
_NO_POOL = "slow pool: the results tell little more about it than its record"
_LONGEST_PICTURE = 1.6  # times what the picture must show


@dataclass(frozen=True)
class PhysicsRequest:
    """The governing part of the device, in the units of a plan; None is not given.

    `thickness_mm` is the thickness of a sheet or the wall of a tube; a rod, fibre or sphere
    has its `outer_diameter_mm` only. `exposure_h` 0 is an even start. With the mass of the
    part and the EO in the gas of the exposure the start level tells the uptake as well.
    """

    material: str
    shape: str = "sheet"
    thickness_mm: float | None = None
    outer_diameter_mm: float | None = None
    faces: int = 2
    packaging: str | None = None
    temperature_c: float | None = None
    exposure_h: float = 0.0
    exposure_temperature_c: float | None = None
    part_mass_g: float | None = None
    eo_mg_per_l: float | None = None
    record_id: str | None = None
    seed: int = 1

    def body(self) -> Body:
        """Return the geometry; raises InputError with every fault."""
        faults = []
        if self.shape not in SHAPES:
            raise InputError([unknown_name("--shape", self.shape, SHAPES, "Use one of these.")])
        flat = self.shape in ("sheet", "tube")
        needed = {"--thickness-mm": self.thickness_mm} if flat else {}
        if self.shape != "sheet":
            needed["--outer-diameter-mm"] = self.outer_diameter_mm
        for flag, value in needed.items():
            if value is None:
                faults.append(Fault(flag, NOTHING, "", f"a number for a {self.shape}",
                                    "Give this number."))  # fmt: skip
        if not faults and self.shape == "tube" and 2 * self.thickness_mm > self.outer_diameter_mm:
            faults.append(Fault("--thickness-mm", f"{self.thickness_mm:g}", "mm",
                                f"up to half the outer diameter, {self.outer_diameter_mm / 2:g} mm",
                                "Correct one of them."))  # fmt: skip
        if faults:
            raise InputError(faults)
        open_faces = "both" if self.faces == 2 else "outer"
        if self.shape == "sheet":
            return Body("sheet", to_si(self.thickness_mm, "mm"), open_faces=open_faces)
        radius_m = to_si(self.outer_diameter_mm, "mm") / 2.0
        if self.shape == "tube":
            return Body("tube", to_si(self.thickness_mm, "mm"), radius_m, open_faces)
        return Body("sphere" if self.shape == "sphere" else "rod", radius_m)


def _temperature_c(request: PhysicsRequest, amounts: Sequence[DeviceAmount]) -> float:
    """Take the aeration temperature from the rows, which agree, or from the request."""
    own = amounts[0].row.aeration_temperature_c
    given = request.temperature_c
    if own is not None and given is not None and own != given:
        raise InputError([Fault("--temperature-c", f"{given:g}", "C", f"{own:g} C, as in the table",
                                "Give it once.")])  # fmt: skip
    if own is None and given is None:
        raise InputError([Fault("--temperature-c", NOTHING, "", "the aeration temperature",
                                "Give it, or fill column aeration_temperature_c.")])  # fmt: skip
    return given if own is None else own


def _setup(request: PhysicsRequest, amounts: Sequence[DeviceAmount]) -> PhysicsSetup:
    own = amounts[0].row.packaging
    named = own if own in reference.packagings() else reference.UNKNOWN_PACKAGING
    warm = request.exposure_temperature_c
    setup = PhysicsSetup(
        request.material, request.body(), celsius_to_kelvin(_temperature_c(request, amounts)),
        request.packaging or named, amounts[0].row.substance, to_si(request.exposure_h, "h"),
        None if warm is None else celsius_to_kelvin(warm),
    )  # fmt: skip
    setup.check()
    _check_uptake(request)
    return setup


def _check_uptake(request: PhysicsRequest) -> None:
    """Refuse half of what an uptake needs; raises InputError."""
    given = {"--part-mass-g": request.part_mass_g, "--eo-mg-per-l": request.eo_mg_per_l,
             "--after-exposure-h": request.exposure_h or None}  # fmt: skip
    if given["--eo-mg-per-l"] is None and given["--part-mass-g"] is None:
        return
    missing = [flag for flag, value in given.items() if value is None]
    if missing:
        raise InputError([Fault(flag, NOTHING, "", "a number, for the uptake of the part",
                                "Give this number, or leave out mass and EO of the gas.")
                          for flag in missing])  # fmt: skip


def _points(band: Band, unit: str = "1") -> dict[str, float]:
    return {key: float(from_si(value, unit)) for key, value in asdict(band).items()}


def _misfit(fit: PhysicsFit, points: Points) -> list[Caution]:
    """Say when the layer model leaves far more scatter than a plain line does."""
    line = by_lots(points) if can_fit_lots(points) else pooled(points)
    if fit.within.p50 <= max(_MISFIT_TIMES * line.residual_sd, _MISFIT_SCATTER):
        return []
    return [Caution("model_does_not_fit", "warn", "The layer model describes these results much "
                    "worse than a straight line does.",
                    "Check material, shape, thickness and start; rely on the line.")]  # fmt: skip


def _not_told(fit: PhysicsFit) -> list[Caution]:
    """Say when the diffusivity is hardly known better than from its record."""
    own, shipped = fit.diffusivity_m2_per_s, fit.prior_m2_per_s
    if math.log(own.p95 / own.p05) <= _TELLS * math.log(shipped.p95 / shipped.p05):
        return []
    return [Caution("diffusivity_not_told", "inform", "The results tell little more about the "
                    "diffusivity than its record: no record is written.",
                    "Test at earlier and later times.")]  # fmt: skip


def _tells_slow_pool(fit: PhysicsFit) -> bool:
    """Tell whether the results know the slow pool better than its record."""
    shipped = reference.record("slow_pool.fraction")
    low, high = quantile(np.array([0.05, 0.95]), shipped.spread, shipped.value_si, shipped.low_si,
                         shipped.high_si)  # fmt: skip
    return fit.slow_share.p95 - fit.slow_share.p05 <= _TELLS * (high - low)


def _picture(fit: PhysicsFit, last_h: float) -> dict:
    shown = fit.hours <= _LONGEST_PICTURE * max(last_h, fit.release_h or 0.0)
    return {
        "hours": fit.hours[shown].tolist(),
        "level_mg": {"p05": fit.level_p05[shown].tolist(), "p50": fit.level_p50[shown].tolist(),
                     "p95": fit.level_p95[shown].tolist()},
        "upper_mg": fit.upper[shown].tolist(),
    }  # fmt: skip


def _records(
    fit: PhysicsFit, setup: PhysicsSetup, request: PhysicsRequest,
    amounts: Sequence[DeviceAmount], eo: Band | None,
) -> tuple[list[dict], list[str]]:  # fmt: skip
    """Return what the site keeps of a fit, and what it does not keep with the reason."""
    reports = tuple(sorted({a.row.report for a in amounts if a.row.report}))
    origin = Origin(amounts[0].row.device, reports, len(amounts), request.record_id)
    kept, left_out = [diffusivity_record(setup, origin, fit.diffusivity_m2_per_s, eo)], []
    if setup.substance != "EO":
        return kept, left_out
    if request.eo_mg_per_l is None:
        left_out.append(_NO_GAS)
    elif amounts[0].row.extraction not in _WHOLE:
        left_out.append(_NOT_WHOLE)
    else:
        kept.append(uptake_record(setup, origin, fit.full_mg, request.part_mass_g,
                                  request.eo_mg_per_l))  # fmt: skip
        if origin.device:
            kept.append(start_level_record(setup, origin, fit.next_start_mg, request.eo_mg_per_l))
        else:
            left_out.append(_NO_DEVICE)
    if _tells_slow_pool(fit):
        kept += slow_pool_records(setup, origin, fit.slow_share, fit.slow_half_life_s)
    else:
        left_out.append(_NO_POOL)
    return kept, left_out


def physics_answer(
    amounts: Sequence[DeviceAmount], request: PhysicsRequest, limit_mg: float, confidence: float,
    *, eo: Band | None = None,
) -> tuple[dict, Band]:  # fmt: skip
    """Fit the layer model to the results of one curve.

    Parameters
    ----------
    amounts : sequence of DeviceAmount
        Results of one substance under one set of conditions.
    request : PhysicsRequest
        What the device's governing part is.
    limit_mg, confidence : float
        Limit per device, and confidence of the release time. [mg], [-]
    eo : Band, optional
        Diffusivity of EO fitted to the same table, for the record of ECH. [m2/s]

    Returns
    -------
    answer : dict
        Release hours, bands of what was fitted, the picture and the material record.
    diffusivity : Band
        As fitted. [m2/s]

    Raises
    ------
    InputError
        When material, shape, packaging or temperature are missing or cannot be fitted.
    """
    setup = _setup(request, amounts)
    points = Points.of(amounts)
    prior = prior_of(setup, Draw(request.seed, _PRIOR_SAMPLES))
    curves = release_curves(setup, prior, picture_hours(points.hours))
    fit = fit_physics(
        points, setup, prior, curves, ln_limit=math.log(limit_mg), confidence=confidence,
        generator=np.random.default_rng(request.seed),
    )  # fmt: skip
    cautions = (*fit.cautions, *_misfit(fit, points), *_not_told(fit))
    records, left_out = [], []
    if not _NO_RECORD & {caution.code for caution in cautions}:
        records, left_out = _records(fit, setup, request, amounts, eo)
    rounded = None if fit.release_h is None else math.ceil(fit.release_h - 1e-9)
    answer = {
        "material": setup.material,
        "substance": setup.substance,
        "packaging": setup.packaging,
        "start": "after exposure" if setup.exposure_s > 0.0 else "even",
        "crossing_h": fit.crossing_h,
        "release_h": fit.release_h,
        "release_h_rounded": rounded,
        "diffusivity_cm2_per_s": _points(fit.diffusivity_m2_per_s, "cm2/s"),
        "prior_cm2_per_s": _points(fit.prior_m2_per_s, "cm2/s"),
        "start_mg": _points(fit.start_mg),
        "next_start_mg": _points(fit.next_start_mg),
        "slow_share": _points(fit.slow_share),
        "slow_half_life_d": _points(fit.slow_half_life_s, "d"),
        "scatter_within_lots": _points(fit.within),
        "scatter_between_lots": _points(fit.between),
        "effective_samples": fit.effective_samples,
        "seed": request.seed,
        "picture": _picture(fit, float(points.hours.max())),
        "site_material_records": records,
        "not_kept": left_out,
        "cautions": [asdict(caution) for caution in cautions],
    }
    return answer, fit.diffusivity_m2_per_s
