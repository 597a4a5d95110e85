"""luggin demo: the whole road on a simulated instrument, with nothing installed but luggin."""

import argparse
import asyncio
import os
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.demo_addition import concentration
from luggin.daemon.cli.demo_bench import INSTRUMENT, PATIENCE, carried_out, connected, daemon, instrument, measure
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.evaluation.peak_results import PeaksBody
    from luggin.protocol.payloads import Evaluation

HELP = "the whole road on a simulated instrument: qualification, electrode check, standard addition, report"
_DUMMY = "dummy-r-rc"
_SPEED, _QUICK = 5.0, 100.0

# What the simulated redox probe holds (sim/cell/cells/): the values that a good electrode must give.
_FORMAL_POTENTIAL = 0.230  # V
_AREA, _CONCENTRATION, _DIFFUSION = 7.0686e-6, 1.0, 7.17e-10  # m2, mol/m3, m2/s


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "-o", "--output", default="luggin-demo", metavar="DIR", help="folder for what the demo writes (luggin-demo)"
    )


def run(args: argparse.Namespace) -> int:
    output = Path(args.output).resolve()
    with tempfile.TemporaryDirectory(prefix="luggin-") as scratch:
        return asyncio.run(_demo(Path(scratch), output))


async def _demo(scratch: Path, output: Path) -> int:
    from luggin.protocol import document, techniques

    print("Everything here is simulated and invented; no instrument is touched.")
    async with daemon(scratch):
        _say("The daemon runs; now the instrument is qualified on a dummy cell, as one does before any sample.")
        async with instrument(scratch, _DUMMY, _QUICK), connected(scratch) as remote:
            dummy = await _qualified(remote)
        _say("The dummy cell is taken off, the redox probe connected: 1 mM hexacyanoferrate(III), a 3 mm disk.")
        async with instrument(scratch, "redox-probe", _SPEED), connected(scratch) as remote:
            probe = await measure(remote, document.read(techniques.TECHNIQUES["cyclic-voltammetry"].example))
            good = _check_electrode(await _peaks(remote, probe.run))
        _say("Both are fit. Now the job: paracetamol in the outlet of a treatment column, by standard addition.")
        made, right = await concentration(scratch)
        _write(scratch, output, dummy, probe.run, made)
    print(
        "\nWhat to try next:\n"
        "  luggin explain                    every technique, with a drawing and an example to edit\n"
        "  luggin simulate --help            an instrument of your own to play with, on a serial port\n"
        "  luggin serve --config FILE        the daemon itself; the README shows a configuration\n"
        "Before a real cell: read the README's cautions; your local rules and a qualified person come first."
    )
    return exits.OK if (dummy.body or {}).get("passed") and good and right else exits.FAILED


def _say(sentence: str) -> None:
    print(f"\n== {sentence}", flush=True)


async def _peaks(remote: "Remote", run: str) -> "PeaksBody":
    """What the daemon found of a run that has ended; it does so by itself, a moment later."""
    from luggin.daemon.cli.evaluations import fetch_evaluation
    from luggin.protocol import topics
    from luggin.protocol.evaluation.peak_results import PeaksBody

    deadline = time.monotonic() + PATIENCE
    while True:
        reply = await remote.ask(topics.STORE, "evaluations", kind="peaks", run=run, limit=1)
        if reply.data.get("evaluations"):
            found = await fetch_evaluation(remote, reply.data["evaluations"][0]["name"])
            return PeaksBody.model_validate(found.body)
        if time.monotonic() > deadline:
            raise CliError(f"the peaks of {run} were not evaluated within {PATIENCE:g} s")
        await asyncio.sleep(0.2)  # asked again; a message that came before the question would be missed


async def _qualified(remote: "Remote") -> "Evaluation":
    """The qualification of the instrument: range by range, against the parts of the dummy cell."""
    from luggin.daemon.cli.qualify import page
    from luggin.protocol.capability import Capability
    from luggin.protocol.fitness.dummy import DUMMY_CELLS
    from luggin.protocol.fitness.dummy_routine import Place, dummy_routine
    from luggin.protocol.sequence import parse

    described = (await remote.ask(INSTRUMENT, "describe")).data
    capability = Capability.model_validate(described["capability"])
    routine = dummy_routine(capability, DUMMY_CELLS[_DUMMY], Place(described["reference"]))
    made = await carried_out(remote, parse(routine.document))
    print("\n".join(page(made)))
    return made


def _check_electrode(found: "PeaksBody") -> bool:
    if not found.couples:
        print("no pair of peaks was found: this electrode is not fit for use")
        return False
    couple = found.couples[0]
    anodic, cathodic = found.at(couple.anodic), found.at(couple.cathodic)
    # Randles-Sevcik for the reversible limit at 25 degC, n = 1 (coefficient 2.69e5 in A, cm2, mol/cm3, V/s; here SI).
    height = 2.69e5 * _AREA * 1e4 * (_DIFFUSION * 1e4 * 0.1) ** 0.5 * _CONCENTRATION * 1e-6
    print(f"  peaks at {cathodic.potential:.3f} V and {anodic.potential:.3f} V, cycle {couple.cycle}")
    checks = [
        _compare("half-wave potential / V", couple.half_wave_potential, _FORMAL_POTENTIAL, 0.005),
        # 71 mV by Nicholson's curve at psi = 2.1 (k0 = 0.02 cm/s), 4 mV more by the drop over 120 ohm.
        _compare("peak separation / mV", couple.separation * 1e3, 75.0, 5.0),
        _compare("cathodic peak height / uA", cathodic.height * 1e6, -height * 1e6, 0.08 * height * 1e6),
    ]
    return all(checks)


def _compare(name: str, found: float, expected: float, tolerance: float) -> bool:
    good = abs(found - expected) <= tolerance
    verdict = "good" if good else "NOT GOOD"
    print(f"  {name:27} found {found:9.4g}   expected {expected:9.4g} +- {tolerance:.2g}   {verdict}")
    return good


def _write(scratch: Path, output: Path, dummy: "Evaluation", probe: str, made: "Evaluation") -> None:
    from importlib.metadata import version

    from luggin.daemon.export import export_runs
    from luggin.daemon.figures.curve import curve
    from luggin.daemon.figures.draw import draw, save
    from luggin.daemon.figures.marks import marks_of
    from luggin.daemon.figures.quantification import line_figure
    from luggin.daemon.report import evaluation_part, render, run_part
    from luggin.daemon.store import open_store
    from luggin.protocol.evaluation.peak_results import PeaksBody

    output.mkdir(parents=True, exist_ok=True)
    package, picture = output / f"data-{made.name}", output / f"{probe}.png"
    line, report = output / f"{made.name}.png", output / f"{made.name}.html"
    with open_store(scratch / "runs.sqlite") as archive:
        export_runs(archive, [*dummy.runs, probe, *made.runs], package)
        drawn = curve(f"{probe}  redox probe (simulated)", archive.header(probe).method, archive.columns(probe))
        peaks = archive.newest_evaluation("peaks", run=probe)
        assert peaks is not None
        save(draw([drawn], marks=[marks_of(PeaksBody.model_validate(peaks.body))]), picture)
        parts = [evaluation_part(archive, made.name), evaluation_part(archive, dummy.name), run_part(archive, probe)]
        title = "Paracetamol in the outlet of a treatment column (all of it invented and simulated)"
        report.write_text(render(title, parts, f"luggin {version('luggin')}"), encoding="utf-8")
    save(line_figure(made), line)
    _say("What remains:")
    for path in (report, package, picture, line):
        print(f"  {os.path.relpath(path)}")
