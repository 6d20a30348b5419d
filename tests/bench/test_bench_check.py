"""Time and memory of a whole check, beside solving the same parts sample by sample.

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
from eo_risk.plan.load_plan import read_plan

pytestmark = pytest.mark.bench


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


def one_sample_by_ode(cells=60):
    """One wall, one sample, one exposure and one aeration by BDF on finite volumes. [s]"""
    d, ratio, width = 2e-11, 18.0, 0.6e-3 / cells

    def slope(t, c):
        gas = 0.6 if t < 10800 else 0.0
        flux = np.concatenate([[2 * d * (ratio * gas - c[0]) / width], -d * np.diff(c) / width,
                               [0.0]])  # fmt: skip
        return (flux[:-1] - flux[1:]) / width

    start = time.perf_counter()
    first = solve_ivp(slope, (0, 10800), np.zeros(cells), method="BDF", rtol=1e-6)
    solve_ivp(slope, (10800, 61200), first.y[:, -1], method="BDF", rtol=1e-6)
    return time.perf_counter() - start


def test_check_of_twenty_wet_items(demo):
    plan = wet_load(demo, 20)
    check_plan(plan, samples=64, advise=False)
    start = time.perf_counter()
    result = check_plan(plan, advise=False)
    seconds = time.perf_counter() - start
    exps = exponentials_s()
    rival = np.median([one_sample_by_ode() for _ in range(5)]) * 40 * 2048
    print(f"\n20 items, 40 parts, 20 lumens, 2048 samples: {seconds:.2f} s, {seconds / exps:.1f} "
          f"times 1e8 exponentials ({exps:.2f} s); the 40 walls alone by BDF, extrapolated from 5 "
          f"samples: {rival:.0f} s, {rival / seconds:.0f} times as long")  # fmt: skip
    assert len(result.items) == 20
    assert seconds < rival / 50
    assert seconds <= 3.0 * exps


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
