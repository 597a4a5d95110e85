"""The example of a standard addition on the simulated cell that goes with it, in memory; its truth is known."""

from functools import cache

import numpy as np

from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol import document, method
from luggin.protocol.evaluation.addition_settings import label_of
from luggin.protocol.points import Array
from luggin.protocol.sequence.addition import EXAMPLE, EXAMPLE_METHOD, AdditionPlan, read_plan
from support.bench import Bench
from support.stored_runs import header

CELL = "paracetamol-addition"
TRUTH = 15e-3
"""mol/m3 in the sample: twice the 7.5 umol/L with which the cell begins, half of which is electrolyte."""
Curve = dict[str, Array]


@cache
def example() -> AdditionPlan:
    return read_plan({**document.read(EXAMPLE), "method": document.read(EXAMPLE_METHOD)})


@cache
def exact_curves() -> tuple[Curve, ...]:
    """One curve of each solution without any noise."""
    plan = example()
    program = method.compile_method(method.parse(plan.method))
    bench = Bench(CELL, ideal=True, speed=1e5)
    curves = []
    for number in range(plan.replicates * (len(plan.additions) + 1)):
        points = bench.run(program, f"run-{number}")
        bench.device.acknowledge(f"run-{number}", len(points["current"]))
        if number % plan.replicates == 0:
            curves.append({"index": np.arange(len(points["current"])), **points})
    return tuple(curves)


def redrawn(rng: np.random.Generator, spread: float) -> list[RunData]:
    """All runs of the plan, each with noise of its own on its net currents: standard deviation `spread`, A."""
    plan, runs = example(), []
    stored = method.parse(plan.method).document()
    for level, curve in enumerate(exact_curves()):
        for replicate in range(plan.replicates):
            name = f"run-{level}-{replicate}"
            setup = {**stored["setup"], "tags": [label_of(level)], "sample": plan.sample}
            noisy = curve["current"] + rng.normal(0, spread, len(curve["current"]))
            told = header(name).model_copy(update={"method": {**stored, "setup": setup}})
            runs.append(RunData(told, {**curve, "current": noisy}))
    return runs
