"""The size of a part: the body its material makes, its volume and its outside.

An unknown size takes its range; where size and mass are both given and do not fit, the larger
mass is used.
"""

from __future__ import annotations

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.physics.layer import Body
from eo_risk.plan.load_plan import Item, Lumen, Part

_WALL_SHARE = 0.98  # of the outer radius; an assumed wall leaves a bore


def geometry(
    part: Part, field: str, inputs: ItemInputs, density: np.ndarray
) -> tuple[Body, np.ndarray, np.ndarray]:
    """Return body, volume [m3] and outer area [m2] of one part of this density [kg/m3]."""
    mass_kg = inputs.number(f"{field}.mass_g", part.mass_g, "g", "assumed.mass")
    volume = mass_kg / density
    shape = part.shape or "sheet"
    if shape == "tube":
        outer_m = 0.5 * inputs.number(f"{field}.outer_diameter_mm", part.outer_diameter_mm, "mm",
                                      "assumed.outer_diameter")  # fmt: skip
        wall_m = inputs.number(f"{field}.wall_mm", part.wall_mm, "mm", "assumed.wall")
        wall_m = np.minimum(wall_m, _WALL_SHARE * outer_m)
        length_m = volume / (np.pi * (outer_m**2 - (outer_m - wall_m) ** 2))
        open_faces = part.open_faces or "outer"
        return Body("tube", wall_m, outer_m, open_faces), volume, 2 * np.pi * outer_m * length_m
    if shape in ("rod", "fibre", "sphere"):
        diameter = part.outer_diameter_mm or part.thickness_mm
        radius_m = 0.5 * inputs.number(f"{field}.outer_diameter_mm", diameter, "mm",
                                       "assumed.outer_diameter")  # fmt: skip
        sides = 3.0 if shape == "sphere" else 2.0
        engine = "sphere" if shape == "sphere" else "rod"
        return Body(engine, radius_m), volume, sides * volume / radius_m
    thickness_m = inputs.number(f"{field}.thickness_mm", part.thickness_mm or part.wall_mm, "mm",
                                "assumed.thickness")  # fmt: skip
    # A sheet open on one face empties like one of twice the thickness open on both.
    # Of unknown shape it is taken as the slowest: a sheet open on one face.
    doubled = 2.0 if part.shape is None else {1: 2.0, 2: 1.0}.get(part.faces)
    if doubled is None:
        doubled = np.where(inputs.choice(f"{field}.faces", 1, 2, "open faces") < 0.5, 2, 1)
    return Body("sheet", thickness_m * doubled), volume, 2.0 * volume / (thickness_m * doubled)


def _density_kg_per_m3(part: Part) -> float | None:
    """Return the density given with a part, else that of its record; None for a family."""
    if part.density_g_per_cm3 is not None:
        return units.to_si(part.density_g_per_cm3, "g/cm3")
    found = reference.records().get(f"{part.material}.density")
    return None if found is None else found.value_si


def lumen_of(item: Item, part: Part) -> Lumen | None:
    """Return the lumen a part is the wall of."""
    return next((lm for lm in item.lumens if lm.wall_part == part.name), None)


def walled(item: Item, part: Part) -> Part:
    """Return a tube whose wall nobody gave with that between its outside and its lumen's bore."""
    lumen, outer_mm = lumen_of(item, part), part.outer_diameter_mm
    if lumen is None or part.shape != "tube" or part.wall_mm is not None:
        return part
    if None in (outer_mm, lumen.bore_mm) or outer_mm <= lumen.bore_mm:
        return part
    return part.model_copy(update={"wall_mm": 0.5 * (outer_mm - lumen.bore_mm)})


def _mass_of_size_kg(item: Item, part: Part) -> float | None:
    """Return the mass of a tube around a lumen by its size; None where that is not known."""
    lumen = lumen_of(item, part)
    if lumen is None:
        return None
    density = _density_kg_per_m3(part)
    if None in (density, part.wall_mm, part.outer_diameter_mm, lumen.length_mm):
        return None
    outer, wall, length = (
        units.to_si(v, "mm") for v in (part.outer_diameter_mm, part.wall_mm, lumen.length_mm)
    )
    return float(np.pi * wall * (outer - wall) * length * density)


def mass_by_size_g(item: Item, part: Part) -> float | None:
    """Return the mass by size where the mass given differs by more than is allowed. [g]"""
    by_size = _mass_of_size_kg(item, part)
    if by_size is None or part.mass_g is None:
        return None
    ratio = by_size / units.to_si(part.mass_g, "g")
    allowed = 1.0 + reference.record("decision.mass_geometry_share").value_si
    return units.from_si(by_size, "g") if max(ratio, 1.0 / ratio) > allowed else None


def larger_mass(item: Item, part: Part) -> Part:
    """Return the part with the mass of its size, where none is given or that one is larger."""
    if part.mass_g is None:
        by_size_kg = _mass_of_size_kg(item, part)
        known = None if by_size_kg is None else units.from_si(by_size_kg, "g")
        return part.model_copy(update={"mass_g": known})
    by_size = mass_by_size_g(item, part)
    if by_size is None:
        return part
    return part.model_copy(update={"mass_g": max(part.mass_g, by_size)})


def mass_differs(item: Item) -> tuple[str, ...]:
    """Name the parts whose mass and size do not fit; the larger mass is used."""
    return tuple(part.name for part in item.parts if mass_by_size_g(item, part) is not None)


def coat_on(
    core: Body, core_m3: np.ndarray, thickness_m: np.ndarray
) -> tuple[Body, Body, np.ndarray]:
    """Lay a coat on the outer face of a body.

    Parameters
    ----------
    core : Body
        Sheet, tube or rod; a sheet open on both faces has a coat on both.
    core_m3 : ndarray, shape (samples,)
        Its volume. [m3]
    thickness_m : ndarray, shape (samples,)
        Of the coat. [m]

    Returns
    -------
    core, coat : Body
        As two layers face to face, in the core's own geometry: half of a sheet, a tube, a rod
        as a tube without a bore.
    coat_m3 : ndarray, shape (samples,)
        Volume of the coat. [m3]
    """
    if core.shape == "sheet":
        half = np.asarray(core.thickness_m) / 2.0
        return Body("sheet", half, open_faces="outer"), Body("sheet", thickness_m), (
            core_m3 / half * thickness_m
        )
    wall = np.asarray(core.thickness_m)
    outer = wall if core.shape == "rod" else np.asarray(core.outer_radius_m)
    open_inside = core.shape == "tube" and core.open_faces != "outer"
    open_outside = core.shape == "rod" or core.open_faces != "inner"
    inner = Body("tube", wall, outer, "both" if open_inside else "outer")
    coat = Body("tube", thickness_m, outer + thickness_m, "both" if open_outside else "inner")
    area = outer**2 - (outer - wall) ** 2
    return inner, coat, core_m3 * ((outer + thickness_m) ** 2 - outer**2) / area
