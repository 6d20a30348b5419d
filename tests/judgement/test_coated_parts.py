"""Coated parts as two layers in their own geometry: finite elements, and equal layers as one."""

import json

import numpy as np
import pytest
import skfem
from scipy.linalg import eigh
from skfem.helpers import dot, grad

from eo_risk.errors import InputError
from eo_risk.judgement.assess import load_context
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.part_geometry import coat_on
from eo_risk.judgement.material.parts import packaging_transfer, part_model, part_stages, run_stages
from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.two_layers import run_two_layers
from eo_risk.plan.load_plan import read_plan

MM = 1e-3
# duration [s], core D [m2/s] and ratio, coat D and ratio, gas [kg/m3], h outside, h inside [m/s]:
# an exposure, a wash and two aerations. Invented.
CYCLE = [
    (10800.0, 2e-11, 15.0, 4e-12, 9.0, 0.6, 6e-4, 2e-6),
    (900.0, 1.8e-11, 16.0, 3e-12, 10.0, 0.06, 4e-4, 2e-6),
    (20000.0, 9e-12, 20.0, 2e-12, 14.0, 0.0, 1e-3, 1e-6),
    (80000.0, 2e-11, 12.0, 4e-12, 9.0, 0.0, 1e-4, 1e-6),
]


def elements(edge_m, bore_m, outer_m, *, open_inside):
    """EO in core and coat per length of a tube, at every stage end, by scikit-fem. [kg/m]

    Quadratic elements in the radius, exact in time; the unknown is the gas level in equilibrium
    with the wall, which is the same on both sides of the edge between core and coat.
    """
    core = np.linspace(bore_m, edge_m, 161)
    coat = edge_m + (outer_m - edge_m) * np.linspace(0.0, 1.0, 121)[1:]
    # Fine at the faces, where gradients are steep.
    near = outer_m - (outer_m - edge_m) * np.geomspace(1e-4, 0.02, 20)
    inside = bore_m + (edge_m - bore_m) * np.geomspace(1e-4, 0.01, 20)
    nodes = np.unique(np.concatenate([core, coat, near, inside]))
    scale = outer_m
    basis = skfem.Basis(skfem.MeshLine(nodes / scale), skfem.ElementLineP2(), intorder=6)
    of_core = skfem.LinearForm(lambda v, w: w.x[0] * v * (w.x[0] < edge_m / scale))
    of_coat = skfem.LinearForm(lambda v, w: w.x[0] * v * (w.x[0] > edge_m / scale))
    amount = [2.0 * np.pi * scale**2 * f.assemble(basis) for f in (of_core, of_coat)]
    ends = [int(np.argmin(np.abs(basis.doflocs[0] - x / scale))) for x in (bore_m, outer_m)]
    level, found, before = np.zeros(basis.N), [], None
    for seconds, d_core, k_core, d_coat, k_coat, gas, h_outer, h_inner in CYCLE:

        def side(w, core_value, coat_value):
            return np.where(w.x[0] < edge_m / scale, core_value, coat_value)

        mass = skfem.BilinearForm(
            lambda u, v, w, a=k_core, b=k_coat: w.x[0] * side(w, a, b) * u * v
        ).assemble(basis).toarray()
        matrix = skfem.BilinearForm(
            lambda u, v, w, a=d_core * k_core, b=d_coat * k_coat:
            w.x[0] * side(w, a, b) * dot(grad(u), grad(v)) / scale**2
        ).assemble(basis).toarray()
        right = np.zeros(basis.N)
        for node, radius, h in zip(ends, (bore_m, outer_m),
                                   (h_inner if open_inside else 0.0, h_outer), strict=True):
            matrix[node, node] += radius / scale * h / scale
            right[node] += radius / scale * h / scale * gas
        if before is not None:
            # The amount stays where the ratio changes with temperature.
            level = np.linalg.solve(mass, before @ level)
        rate, modes = eigh(matrix, mass)
        rate = np.maximum(rate, 1e-300)
        start, drive = modes.T @ mass @ level, modes.T @ right
        level = modes @ (start * np.exp(-rate * seconds) - drive * np.expm1(-rate * seconds) / rate)
        before = mass
        found.append([k_core * amount[0] @ level, k_coat * amount[1] @ level])
    return np.array(found)


def layers(core, core_m3, thickness_m):
    """Run the cycle through a coated body; amounts in core and coat at every stage end."""
    inner, coat, coat_m3 = coat_on(core, np.array([core_m3]), np.array([thickness_m]))
    core_stages = [Stage(t, d, k, g, None, o, i) for t, d, k, _, _, g, o, i in CYCLE]
    coat_stages = [Stage(t, d, k, g, None, o, i) for t, _, _, d, k, g, o, i in CYCLE]
    run = run_two_layers(coat, inner, coat_stages, core_stages)
    return np.stack([run.inner_kg_per_m3[1:, 0] * core_m3,
                     run.outer_kg_per_m3[1:, 0] * coat_m3[0]], axis=1)  # fmt: skip


@pytest.mark.parametrize("faces", ["outer", "both"])
def test_a_coated_tube_against_finite_elements(faces):
    outer, wall, thickness = 2.0 * MM, 1.2 * MM, 0.15 * MM
    volume = np.pi * (outer**2 - (outer - wall) ** 2)
    found = layers(Body("tube", wall, outer, faces), volume, thickness)
    expected = elements(outer, outer - wall, outer + thickness, open_inside=faces == "both")
    assert found == pytest.approx(expected, abs=1e-6 * expected.sum(axis=1).max())
    # It is a tube, not a flat wall: the same wall as a sheet holds another amount.
    flat = layers(Body("sheet", 2.0 * wall), volume, thickness)
    assert abs(flat[-1].sum() / expected[-1].sum() - 1.0) > 0.02


def test_a_coated_rod_against_finite_elements():
    radius, thickness = 1.0 * MM, 0.2 * MM
    found = layers(Body("rod", radius), np.pi * radius**2, thickness)
    expected = elements(radius, 1e-9, radius + thickness, open_inside=False)
    assert found == pytest.approx(expected, abs=1e-6 * expected.sum(axis=1).max())


@pytest.mark.parametrize(
    ("core", "whole"),
    [(Body("sheet", 2.0 * MM), Body("sheet", 2.4 * MM)),
     (Body("tube", 1.2 * MM, 2.0 * MM, "outer"), Body("tube", 1.4 * MM, 2.2 * MM, "outer")),
     (Body("tube", 1.2 * MM, 2.0 * MM, "both"), Body("tube", 1.4 * MM, 2.2 * MM, "both")),
     (Body("tube", 1.2 * MM, 2.0 * MM, "inner"), Body("tube", 1.4 * MM, 2.2 * MM, "inner")),
     (Body("rod", 2.0 * MM), Body("rod", 2.2 * MM))],
)  # fmt: skip
def test_a_coat_of_the_same_material_is_a_thicker_part(core, whole):
    def volume(body):
        t, r = body.thickness_m, body.outer_radius_m
        return {"sheet": lambda: t, "rod": lambda: np.pi * t**2,
                "tube": lambda: np.pi * (r**2 - (r - t) ** 2)}[body.shape]()  # fmt: skip

    stages = [Stage(t, d, k, g, None, o, i) for t, d, k, _, _, g, o, i in CYCLE]
    if whole.shape == "sheet":  # both its faces meet what the outer face of a tube meets
        stages = [Stage(t, d, k, g, None, o, o) for t, d, k, _, _, g, o, _ in CYCLE]
    inner, coat, coat_m3 = coat_on(core, np.array([volume(core)]), np.array([0.2 * MM]))
    assert volume(core) + coat_m3 == pytest.approx(volume(whole))
    run = run_two_layers(coat, inner, stages, stages)
    held = run.inner_kg_per_m3 * volume(core) + run.outer_kg_per_m3 * coat_m3
    expected = run_layer(whole, stages).mean_kg_per_m3 * volume(whole)
    assert held == pytest.approx(expected, abs=2e-6 * expected.max())


@pytest.fixture
def part(demo):
    """Prepare an invented part and run it through the cycle of a demo plan."""
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))

    def made(**fields):
        changed = json.loads(json.dumps(raw))
        changed["items"][1]["parts"] = [{"name": "one", "mass_g": 20.0} | fields]
        changed["items"][1]["lumens"] = []
        context = load_context(read_plan(changed), 64, 1, follow=False)
        item = context.plan.items[1]
        inputs = ItemInputs(context.draw.item("one"))
        model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
        timeline = context.timeline
        stages = timeline.chamber[timeline.exposure_first :] + timeline.aeration
        layers = part_stages(model, stages, inputs)
        return model, run_stages(model, layers) if layers else None, inputs

    return made


TUBE = {"shape": "tube", "outer_diameter_mm": 4.0, "wall_mm": 1.0}
WIRE = {"shape": "rod", "outer_diameter_mm": 1.0}


def test_a_plan_runs_a_coated_tube_with_its_radii(part):
    model, held, _ = part(material="pvc_plasticised", **TUBE,
                          coating={"material": "silicone", "thickness_mm": 0.1})  # fmt: skip
    assert (model.body.shape, model.coat.body.shape) == ("tube", "tube")
    assert model.coat.body.outer_radius_m == pytest.approx(2.1e-3)
    bare, alone, _ = part(material="pvc_plasticised", **TUBE)
    assert bare.coat is None
    # A thin, fast coat holds a little more and holds nothing back.
    assert 1.0 < np.median(held[-1] / alone[-1]) < 1.2


def test_a_coat_on_a_metal_wire_takes_up_eo_by_itself(part):
    model, held, _ = part(material="stainless_steel", **WIRE,
                          coating={"material": "ptfe", "thickness_mm": 0.02})  # fmt: skip
    assert (model.body.shape, model.body.open_faces) == ("tube", "outer")
    # 20 g of wire: length by density, a ring of 0.02 mm around it.
    ring = ((0.52e-3) ** 2 - (0.5e-3) ** 2) / (0.5e-3) ** 2
    assert model.volume_m3 == pytest.approx(ring * 0.020 / 7900, rel=0.05)
    assert np.all(model.mass_kg > 0.020)
    assert held.max() > 0.0
    assert part(material="stainless_steel", **WIRE)[0].body is None


def test_a_coat_of_unknown_grade_samples_its_family(part):
    model, _, inputs = part(material="silicone", **TUBE,
                            coating={"material": "polyurethane_unknown"})  # fmt: skip
    assert set(np.unique(model.coat.substance.chosen)) == {0, 1}
    assert "parts[0].coating.thickness_mm" in inputs.assumed


def test_a_coat_on_a_sphere_is_refused(part):
    with pytest.raises(InputError, match=r"parts\[0\].coating.*sheet, tube, rod or fibre"):
        part(material="silicone", shape="sphere", outer_diameter_mm=3.0,
             coating={"material": "ptfe"})  # fmt: skip
