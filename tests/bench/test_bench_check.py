"""Time and memory of a whole check, beside solving some of its walls sample by sample.

Run with ``pytest -m bench -s``; the numbers are printed.
"""

import json
import subprocess
import sys
import time
import tracemalloc

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.load_context import load_context
from eo_risk.judgement.material.parts import layer_stages, packaging_transfer, part_model
from eo_risk.physics.layer import run_layer
from eo_risk.plan.load_plan import read_plan

pytestmark = pytest.mark.bench

SAMPLES = 2048


def wet_load(demo, items):
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    sheath = raw["items"][1]
    raw["items"] = [{**json.loads(json.dumps(sheath)), "name": f"sheath {i}"} for i in range(items)]
    return read_plan(raw)


def exponentials_s():
    """Time of 1e8 numpy.exp in blocks of 100,000 on one thread. [s]"""
    block = np.random.default_rng(1).random(100_000)
    start = time.perf_counter()
    for _ in range(1000):
        np.exp(block)
    return time.perf_counter() - start


def walls(plan):
    """Body and stages of every wall of a load, from the injection to the end of the plan."""
    context = load_context(plan, SAMPLES, 1, follow=False)
    for item in plan.items:
        inputs = ItemInputs(context.draw.item(item.name))
        transfer = packaging_transfer(item, inputs)
        for index in range(len(item.parts)):
            model = part_model(item, index, inputs, transfer)
            yield model.body, layer_stages(model, context.timeline.injected, inputs)


def by_ode(body, stages, sample, cells=60):
    """Mean of one sample of a tube wall open outside, by BDF on finite volumes. [kg/m3]"""

    def of(value):
        return float(np.broadcast_to(value, SAMPLES)[sample])

    assert (body.shape, body.open_faces) == ("tube", "outer")
    outer, wall = of(body.outer_radius_m), of(body.thickness_m)
    edges, width = np.linspace(outer - wall, outer, cells + 1), wall / cells
    volume, c = 0.5 * np.diff(edges**2), np.zeros(cells)
    for stage in stages:
        d, ratio = of(stage.diffusivity_m2_per_s), of(stage.gas_ratio)
        face = outer / (0.5 * width / d + ratio / of(stage.transfer_outer_m_per_s))
        inner = d / width * edges[1:-1]
        rates = np.diag(inner / volume[:-1], 1) + np.diag(inner / volume[1:], -1)
        rates -= np.diag((np.append(inner, 0.0) + np.insert(inner, 0, 0.0)) / volume)
        rates[-1, -1] -= face / volume[-1]
        seconds, first = of(stage.duration_s), of(stage.gas_start_kg_per_m3)
        last = first if stage.gas_end_kg_per_m3 is None else of(stage.gas_end_kg_per_m3)
        into = np.append(np.zeros(cells - 1), face * ratio / volume[-1])

        def slope(t, y, rates=rates, into=into, first=first, last=last, seconds=seconds):
            return rates @ y + into * (first + (last - first) * t / seconds)

        c = solve_ivp(slope, (0, seconds), c, method="BDF", rtol=1e-6, atol=1e-9,
                      jac=rates).y[:, -1]  # fmt: skip
    return float(c @ volume / volume.sum())


def wall_by_ode_s(plan):
    """Return the time of one sample of one wall [s], of how many, and the largest difference.

    Every fifth wall of the load, one sample of each; the difference as share of the largest
    amount that sample held.
    """
    spent, apart = [], []
    for number, (body, stages) in enumerate(list(walls(plan))[::5]):
        sample = 97 * number
        start = time.perf_counter()
        left = by_ode(body, stages, sample)
        spent.append(time.perf_counter() - start)
        ours = run_layer(body, stages).mean_kg_per_m3[:, sample]
        apart.append(abs(ours[-1] - left) / ours.max())
    return float(np.mean(spent)), len(spent), max(apart)


def test_check_of_twenty_wet_items(demo):
    plan = wet_load(demo, 20)
    check_plan(plan, samples=64, advise=False)
    start = time.perf_counter()
    result = check_plan(plan, advise=False)
    seconds = time.perf_counter() - start
    exps = exponentials_s()
    each, few, apart = wall_by_ode_s(plan)
    rival = each * 40 * SAMPLES
    print(f"\n20 items, 40 parts, 20 lumens, {SAMPLES} samples: {seconds:.2f} s, "
          f"{seconds / exps:.1f} times 1e8 exponentials ({exps:.2f} s); its 40 walls alone by BDF, "
          f"extrapolated from one sample of {few} of them: {rival:.0f} s, {rival / seconds:.0f} "
          f"times as long, {apart:.0e} apart")  # fmt: skip
    assert len(result.items) == 20
    assert apart < 1e-3
    assert seconds < rival / 50
    assert seconds <= 3.0 * exps


def test_check_with_what_to_change(demo):
    """The check as a user runs it: every item is held, and each is told what to change."""
    plan = wet_load(demo, 20)
    start = time.process_time()
    check_plan(plan, advise=False)
    plain = time.process_time() - start
    start = time.process_time()
    result = check_plan(plan)
    whole = time.process_time() - start
    print(f"\n20 wet items, {SAMPLES} samples, with what to change: {whole:.2f} s of CPU, "
          f"{whole / plain:.1f} times the check without ({plain:.2f} s)")  # fmt: skip
    assert all(item.actions for item in result.items)


def test_time_of_the_imports():
    """What `check` imports, apart from its own time."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import eo_risk.judgement.assess"], check=True)
    whole = time.perf_counter() - start
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import numpy, scipy.stats, pydantic"], check=True)
    libraries = time.perf_counter() - start
    print(f"\nimports of a check: {whole:.2f} s, {libraries:.2f} s of them numpy, scipy, pydantic")
    assert whole < libraries + 1.0


def test_memory_of_a_check(demo):
    plan = wet_load(demo, 20)
    tracemalloc.start()
    check_plan(plan, advise=False)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    print(f"\npeak memory of arrays: {peak:.0f} MB")
    assert peak < 600


def test_memory_of_two_thousand_items(demo):
    """A plan of 2,000 items at 512 samples, in a process of its own."""
    code = """
import json, pathlib, resource, sys, time
from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import read_plan
demo = pathlib.Path(sys.argv[1])
names = ("full_morning_load", "mixed_load_thick_pvc", "wet_lumen", "small_patient")
plans = [json.loads((demo / f"{n}.json").read_text(encoding="utf-8")) for n in names]
kinds = [item for plan in plans for item in plan["items"]]
raw = plans[0]
raw["items"] = [{**kinds[i % len(kinds)], "name": f"item {i}"} for i in range(2000)]
done = []
start = time.perf_counter()
result = check_plan(read_plan(raw), samples=512, progress=lambda now, of: done.append(now))
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
print(json.dumps([len(result.items), len(done), peak, time.perf_counter() - start]))
"""
    found = subprocess.run([sys.executable, "-c", code, str(demo)], check=True,
                           capture_output=True, text=True)  # fmt: skip
    items, told, peak_gb, seconds = json.loads(found.stdout)
    print(f"\n2,000 items, 512 samples: {seconds:.0f} s, {peak_gb:.2f} GB")
    assert items == 2000
    assert told >= 2000
    assert peak_gb < 2.0
