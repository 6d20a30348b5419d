"""Two unlike layers with reaction over a whole cycle, against finite elements."""

import numpy as np
import pytest
import skfem
from scipy.linalg import eigh
from skfem.helpers import dot, grad

from eo_risk.physics.layer import Body, Stage
from eo_risk.physics.two_layers import run_two_layers

INNER, OUTER = 0, 1
WALLS = (1e-3, 2e-4)  # of the inner and the outer layer [m]
RADIUS = 2.5e-3  # of the outer face of a tube [m]
RATIOS = (18.0, 3.0)


class FiniteElements:
    """Second opinion: scikit-fem, quadratic elements on a mesh graded to every face.

    Solved for the gas level in equilibrium, which is continuous where the layers meet; exact in
    time, each stage an eigenproblem of its own.
    """

    def __init__(self, shape):
        ends = np.concatenate([[0.0], np.geomspace(1e-3, 0.5, 40)])
        graded = np.unique(np.concatenate([ends, 1.0 - ends]))
        inner, outer = WALLS
        start = 0.0 if shape == "sheet" else RADIUS - inner - outer
        self.meet = start + inner
        points = np.concatenate([start + inner * graded, self.meet + outer * graded[1:]])
        self.basis = skfem.Basis(skfem.MeshLine(points), skfem.ElementLineP2(), intorder=6)
        self.power = 0 if shape == "sheet" else 1
        self.ends = [int(np.argmin(np.abs(self.basis.doflocs[0] - x))) for x in points[[0, -1]]]
        self.area = points[[0, -1]] ** self.power
        self.loads = [self.weigh(self.only(layer)) for layer in (INNER, OUTER)]

    def only(self, layer):
        return np.where(np.arange(2) == layer, 1.0, 0.0)

    def at(self, w, of_layers):
        """What the layer at a point has, times the area there."""
        return np.where(w.x[0] < self.meet, *of_layers) * w.x[0] ** self.power

    def weigh(self, of_layers):
        return skfem.LinearForm(lambda v, w: self.at(w, of_layers) * v).assemble(self.basis)

    def mass(self, of_layers):
        form = skfem.BilinearForm(lambda u, v, w: self.at(w, of_layers) * u * v)
        return form.assemble(self.basis).toarray()

    def stiffness(self, of_layers):
        form = skfem.BilinearForm(lambda u, v, w: self.at(w, of_layers) * dot(grad(u), grad(v)))
        return form.assemble(self.basis).toarray()

    def run(self, rows):
        """Amount held and reacted of both layers at the stage ends; rows as in CYCLE."""
        ratios = np.array(RATIOS)
        level, made, found = np.zeros(self.loads[0].size), np.zeros(2), []
        for seconds, d, gas, h, loss in rows:
            mass = self.mass(ratios)
            matrix = self.stiffness(ratios * d) + self.mass(ratios * loss)
            right = np.zeros_like(level)
            for node, area, transfer in zip(self.ends, self.area, h, strict=True):
                matrix[node, node] += area * transfer
                right[node] += area * transfer * gas
            rate, modes = eigh(matrix, mass)
            amount, drive = modes.T @ mass @ level, modes.T @ right
            grown = -np.expm1(-rate * seconds) / rate
            # Integrals over the stage: of what was there, and of what came in.
            stayed = modes @ (amount * grown + drive * (seconds - grown) / rate)
            level = modes @ (amount * np.exp(-rate * seconds) + drive * grown)
            made += ratios * loss * [load @ stayed for load in self.loads]
            found.append([*(ratios * [load @ level for load in self.loads]), *made])
        volumes = [load.sum() for load in self.loads]
        return np.array(found) / np.array([*volumes, *volumes])


# duration [s]; of the inner and outer layer D [m2/s]; gas [kg/m3]; h at the inner and outer
# face [m/s]; loss of the inner and outer layer [1/s].
CYCLE = [
    (10800, (1.2e-11, 3e-12), 0.6, (3e-7, 6e-5), (1e-6, 2e-5)),
    (900, (1.0e-11, 2e-12), 0.05, (1e-6, 4e-5), (1e-6, 1e-5)),
    (20000, (5e-12, 8e-13), 0.0, (1e-8, 1e-4), (1e-7, 3e-6)),
    (90000, (2e-12, 4e-13), 0.0, (1e-8, 2e-6), (1e-7, 1e-6)),
]


@pytest.mark.parametrize("shape", ["sheet", "tube"])
def test_a_coated_wall_with_reaction_against_finite_elements(shape):
    def stages(layer):
        return [Stage(t, d[layer], RATIOS[layer], gas, None, h[OUTER], h[INNER], loss[layer])
                for t, d, gas, h, loss in CYCLE]  # fmt: skip

    inner, outer = WALLS
    run = run_two_layers(
        Body(shape, outer, RADIUS), Body(shape, inner, RADIUS - outer),
        stages(OUTER), stages(INNER),
    )  # fmt: skip
    expected = FiniteElements(shape).run(CYCLE)
    names = ("inner_kg_per_m3", "outer_kg_per_m3", "inner_product_kg_per_m3",
             "outer_product_kg_per_m3")  # fmt: skip
    for name, known in zip(names, expected.T, strict=True):
        assert getattr(run, name)[1:, 0] == pytest.approx(known, abs=1e-6 * known.max())
        assert known.max() > 1e-3
