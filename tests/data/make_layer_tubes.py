"""Write layer_tubes.json: what a tube wall has taken up, from transforms inverted in 25 digits.

Run by hand: ``python tests/data/make_layer_tubes.py``, some minutes. Wall 1, diffusivity 1,
start 0, gas 1 on the open faces; the inner face has a Biot number of 3, the outer none.
Laplace transform of the hollow cylinder from modified Bessel functions: Crank, The
Mathematics of Diffusion, 2nd ed., 1975, ch. 5; inverted with mpmath.invertlaplace.
"""

import json
from pathlib import Path

import mpmath as mp

INNER_BIOT = 3
FOURIER = ("0.003", "0.1", "0.8")
INNER_OVER_OUTER = ("0.95", "0.5", "0.1", "0.01")


def taken_up(fourier, inner_over_outer, faces):
    """Mean of the wall after a time, in units of its value in equilibrium."""
    outer = 1 / (1 - mp.mpf(inner_over_outer))
    inner = outer - 1

    def transform(s):
        q = mp.sqrt(s)
        # What is left from an even start of 1: c = 1/s + p I0(q r) + g K0(q r).
        rows, known = [], []
        for radius, sign in ((outer, 1), (inner, -1)):
            slope = [q * mp.besseli(1, q * radius), -q * mp.besselk(1, q * radius)]
            level = [mp.besseli(0, q * radius), mp.besselk(0, q * radius)]
            if faces not in ("both", "outer" if sign == 1 else "inner"):
                rows.append(slope)
                known.append(0)
                continue
            resistance = 0 if sign == 1 else mp.mpf(1) / INNER_BIOT
            rows.append([a + sign * resistance * b for a, b in zip(level, slope, strict=True)])
            known.append(-1 / s)
        (a, b), (c, d) = rows
        p = (known[0] * d - b * known[1]) / (a * d - b * c)
        g = (a * known[1] - known[0] * c) / (a * d - b * c)

        def moment(r):
            return r / q * (p * mp.besseli(1, q * r) - g * mp.besselk(1, q * r))

        return 1 / s + 2 * (moment(outer) - moment(inner)) / (outer**2 - inner**2)

    return 1 - mp.invertlaplace(transform, mp.mpf(fourier), method="talbot")


def main():
    mp.mp.dps = 25
    cases = [
        {
            "faces": faces,
            "inner_over_outer": float(ratio),
            "taken_up": [float(taken_up(f, ratio, faces)) for f in FOURIER],
        }
        for faces in ("outer", "inner", "both")
        for ratio in INNER_OVER_OUTER
    ]
    table = {
        "call": "python tests/data/make_layer_tubes.py",
        "inner_biot": INNER_BIOT,
        "fourier": [float(f) for f in FOURIER],
        "cases": cases,
    }
    path = Path(__file__).with_name("layer_tubes.json")
    path.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
