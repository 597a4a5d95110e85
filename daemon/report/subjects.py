"""What a report tells of a run, an evaluation over several runs, or a sequence: read from a store, nothing computed."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from pydantic import ValidationError

from luggin.daemon.figures.curve import UNFIT, CannotDraw, Curve, curve
from luggin.daemon.figures.draw import draw
from luggin.daemon.figures.marks import MOST, Mark, marks_of
from luggin.daemon.report.evaluations import evaluation_part as told
from luggin.daemon.report.method_words import method_part
from luggin.daemon.report.parts import Fact, Part, Picture, Table, cut, moment
from luggin.daemon.report.pictures import picture
from luggin.daemon.run_quantities import newest_of_run, quantities_of_run
from luggin.daemon.store import Archive, StoreError, verify
from luggin.protocol.evaluation.peak_results import PeaksBody
from luggin.protocol.payloads import Evaluation, RunHeader, RunResult
from luggin.protocol.points import Array
from luggin.protocol.quantity import show

MOST_EVENTS = 200
BEGUN = "sequence-begun"
_MOST_OVERLAID = 12
_LOOKED_BACK = 100


def run_part(archive: Archive, run: str) -> Part:
    """Everything that is told of one run.  Raises NoSuchRun, StoreFault."""
    header, result, made = archive.header(run), archive.result(run), newest_of_run(archive, run)
    findings = verify(archive, run)  # reads all points, some at a time: before they are all held
    columns = archive.columns(run)
    setup = header.method.get("setup", {})
    cell = [("reference electrode", setup.get("reference")), ("working electrode", setup.get("electrode"))]
    area = setup.get("area")
    cell += [("geometric area", show(float(area), "m2") if area else None), ("counter electrode", setup.get("counter"))]
    cell += [("cell", setup.get("cell")), ("tags", ", ".join(map(str, setup.get("tags", ()))))]
    technique = str(header.method.get("technique", ""))
    pictures, remarks = _curves([header], [columns], {run: made.get("peaks")})
    return Part(
        title=f"Run {run}",
        lead=f"{technique}, method {header.method.get('name', '')}",
        cautions=_cautions(archive, header, result, columns, findings),
        result=_ended(result),
        pictures=pictures,
        facts=[
            ("sample", str(setup.get("sample") or "not named")),
            ("notes", str(header.method.get("notes") or "none")),
            ("measured", f"{moment(header.utc)} on {header.node}/{header.instrument}"),
            ("asked for by", f"{header.asked_by}{'' if header.verified else ' (not verified)'}"),
            *((name, str(value)) for name, value in cell if value),
        ],
        notes=remarks,
        parts=[
            *(told(each) for each in made.values()),
            method_part(header.method),
            _instrument(archive, header),
            _events(archive, header, result),
            _provenance(archive, header, findings),
        ],
    )


def evaluation_part(archive: Archive, name: str) -> Part:
    """An evaluation with the curves that it came from.  Raises NoSuchEvaluation, StoreFault."""
    made = archive.evaluation(name)
    there = [run for run in made.runs if _stored(archive, run)]
    headers = [archive.header(run) for run in there]
    part = told(made)
    lacking = [f"run {run} is not in this store" for run in made.runs if run not in there]
    pictures, remarks = _curves(headers[:_MOST_OVERLAID], [archive.columns(run) for run in there[:_MOST_OVERLAID]], {})
    if len(there) > _MOST_OVERLAID:
        remarks.append(f"of {len(there)} runs the first {_MOST_OVERLAID} are drawn")
    runs = Part(title="Runs", tables=[_runs(archive, there)], pictures=pictures, notes=remarks)
    return replace(part, cautions=(*part.cautions, *lacking), parts=[*part.parts, runs, *_hashes(archive, there)])


def sequence_part(archive: Archive, name: str, runs: Sequence[str]) -> Part:
    """A sequence: how it went on, its runs and what became of each quantity.  Raises StoreFault."""
    headers = [archive.header(run) for run in runs]
    instrument, since = headers[0].instrument, headers[0].utc
    last = archive.result(runs[-1])
    until = headers[-1].utc if last is None else last.utc
    log = [
        each
        for each in archive.log_between(instrument, since - 3600, until + 3600, 20 * MOST_EVENTS)
        if each.data.get("sequence") == name
    ]
    beginning = next((each for each in log if each.kind == BEGUN), None)
    document: Mapping[str, Any] = {} if beginning is None else beginning.data.get("document", {})
    rows = [(moment(each.utc), each.kind, each.sentence) for each in log]
    shown, left_out = cut(rows, MOST_EVENTS)
    pictures, remarks = _curves(headers[:_MOST_OVERLAID], [archive.columns(run) for run in runs[:_MOST_OVERLAID]], {})
    if len(runs) > _MOST_OVERLAID:
        remarks.append(f"of {len(runs)} runs the first {_MOST_OVERLAID} are drawn")
    begun = "who began it is not stored here" if beginning is None else beginning.sentence
    return Part(
        title=f"Sequence {name}",
        lead=str(document.get("notes", "")),
        facts=[
            ("document", str(document.get("name") or "not stored here")),
            ("begun", begun),
            ("instrument", f"{headers[0].node}/{instrument}"),
            ("runs", f"{len(runs)}, from {moment(since)} to {moment(until)}"),
        ],
        pictures=pictures,
        notes=remarks,
        parts=[
            Part(title="Runs", tables=[_runs(archive, runs), *_quantities(archive, runs)]),
            *(told(each) for each in _of_all(archive, runs)),
            *([Part(title="Course", tables=[Table(("time", "", ""), shown, left_out=left_out)])] if rows else []),
            *_hashes(archive, runs),
        ],
    )


def _stored(archive: Archive, run: str) -> bool:
    try:
        archive.number(run)
    except StoreError:
        return False
    return True


def _curves(
    headers: Sequence[RunHeader], columns: Sequence[Mapping[str, Array]], peaks: Mapping[str, Evaluation | None]
) -> tuple[list[Picture], list[str]]:
    """The curves in one picture, or a sentence where there is none to draw."""
    try:
        curves = [
            curve(header.run if len(headers) > 1 else "", header.method, each)
            for header, each in zip(headers, columns, strict=True)
        ]
        if not curves:
            return [], []
        marks = [_marks(made) for made in peaks.values() if made is not None]
        drawn = [picture(draw(curves, marks=marks), _caption(curves, marks))]
    except CannotDraw as error:
        return [], [f"There is no picture: {error}."]
    return drawn, []


def _marks(made: Evaluation) -> tuple[Mark, ...]:
    try:
        return marks_of(PeaksBody.model_validate(made.body))
    except ValidationError:
        return ()  # of another version of this program


def _caption(curves: Sequence[Curve], marks: Sequence[tuple[Mark, ...]]) -> str:
    points = sum(len(each.x) for each in curves)
    unfit = sum(int(np.isnan(each.y).sum()) for each in curves)
    words = f"{points} points of the measuring phase" if points != 1 else "One point of the measuring phase"
    words += f", {unfit} of them flagged as unfit and left out" if unfit else ""
    drawn = sum(map(len, marks))
    words += f"; the peaks that were found{f' (the last {MOST})' if drawn >= MOST else ''} with their baselines"
    return f"{words if drawn else words.partition(';')[0]}."


def _ended(result: RunResult | None) -> list[str]:
    if result is None:
        return ["The run has not ended, or nobody has recorded how."]
    lost = sum(after - first for first, after in result.gaps)
    words = f"{result.points} points stored{f', {lost} lost for good' if lost else ''}. Cell {result.cell}."
    return [f"{result.state}: {result.sentence}", f"Ended {moment(result.utc)}. {words}"]


def _cautions(
    archive: Archive, header: RunHeader, result: RunResult | None, columns: Mapping[str, Array], findings: Sequence[str]
) -> list[str]:
    said = [f"What is stored is not what was measured: {each}" for each in findings]
    deletion = archive.deletion(header.run)
    if deletion is not None:
        said.append(f"Deleted {moment(deletion.utc)} by {deletion.asked_by}: {deletion.reason}")
    if result is not None and result.state != "Complete":
        said.append(f"The run did not come to its end ({result.state}).")
    if result is not None and result.cell != "off":
        said.append(f"The cell was {result.cell} at the end.")
    if result is not None and result.flagged:
        said.append("The run is flagged; its events say why.")
    said += [f"Points {first} to {after - 1} are missing." for first, after in archive.gaps(header.run)[:10]]
    flags = columns.get("flags")
    if flags is not None and len(flags) and (unfit := int(((flags & int(UNFIT)) != 0).sum())):
        said.append(f"{unfit} of {len(flags)} points are flagged as settling or overloaded.")
    if not header.verified:
        said.append(f"Nobody vouches that it was {header.asked_by} who asked for it.")
    anchors = archive.anchors(header.run)
    if not anchors:
        said.append("Whether the computer's clock was right is not told here; dates may be wrong.")
    elif not any(anchor.synchronised for anchor in anchors):
        said.append("The computer's clock was not known to be right; dates may be wrong, times within the run are not.")
    return said


def _instrument(archive: Archive, header: RunHeader) -> Part:
    names = ("maker", "model", "serial", "firmware")
    identity: list[Fact] = [(name, str(header.identity[name])) for name in names if header.identity.get(name)]
    others = {name: value for name, value in header.identity.items() if name not in names and value is not None}
    identity += [(name.replace("_", " "), str(value)) for name, value in others.items()]
    settings = "; ".join(f"{name.replace('_', ' ')} {value}" for name, value in header.settings.items())
    electrode = str(header.method.get("setup", {}).get("electrode", ""))
    subjects = [(f"instrument {header.instrument}", f"instrument/{header.instrument}")]
    subjects += [(f"electrode {electrode}", f"electrode/{electrode}")] if electrode else []
    return Part(
        title="Instrument, and what it was qualified for",
        facts=[
            *identity,
            ("boot", header.boot),
            ("configuration", settings or "none"),
            *((f"qualification of {name}", _standing(archive, subject, header.utc)) for name, subject in subjects),
        ],
    )


def _standing(archive: Archive, subject: str, utc: float) -> str:
    """The qualification that held, or would have, when the run began."""
    for each in archive.evaluations(kind="qualification", subject=subject, limit=_LOOKED_BACK):
        if each.utc <= utc:
            made = archive.evaluation(each.name)
            verdict = "passed" if (made.body or {}).get("passed") else "NOT PASSED"
            until = ""
            if each.expires is not None:
                held = "held until" if utc < each.expires else "had run out by then, on"
                until = f", {held} {moment(each.expires)}"
            return f"{verdict} {moment(each.utc)} ({each.name}){until}"
    return "none from before the run is stored here"


def _events(archive: Archive, header: RunHeader, result: RunResult | None) -> Part:
    rows = [(moment(each.utc), each.kind, each.sentence) for each in archive.events(header.run)]
    shown, left_out = cut(rows, MOST_EVENTS)
    until = header.utc if result is None else result.utc
    log = [
        (moment(each.utc), each.kind, each.sentence)
        for each in archive.log_between(header.instrument, header.utc, until, MOST_EVENTS)
        if not each.kind.startswith("sequence")
    ]
    tables = [Table(("time", "", ""), shown, "Of the run", left_out)] if rows else []
    tables += [Table(("time", "", ""), log, "Of the instrument, meanwhile")] if log else []
    return Part(title="Events and alarms", lead="" if tables else "None is stored.", tables=tables)


def _provenance(archive: Archive, header: RunHeader, findings: Sequence[str]) -> Part:
    texts = archive.texts(header.run)
    return Part(
        title="Where it comes from",
        lead="Each event's hash covers the one before it, from the header on; the result's covers the points. Who keeps"
        " one of them elsewhere can tell later whether anything was altered since.",
        facts=[
            ("software", header.software),
            ("checked for this report", "; ".join(findings) or "everything is as it was stored"),
            ("hash of the header", texts.header_hash.hex()),
            ("head of the events", texts.head.hex()),
            ("hash of the result", "none yet" if texts.result_hash is None else texts.result_hash.hex()),
        ],
    )


def _hashes(archive: Archive, runs: Sequence[str]) -> list[Part]:
    rows = [(run, archive.texts(run).head.hex(), "; ".join(verify(archive, run)) or "as it was stored") for run in runs]
    return [Part(title="Where the runs come from", tables=[Table(("run", "head of the events", ""), rows)])]


def _runs(archive: Archive, runs: Sequence[str]) -> Table:
    rows = []
    for run in runs:
        header, result = archive.header(run), archive.result(run)
        sample = str(header.method.get("setup", {}).get("sample", ""))
        ended = "not ended" if result is None else f"{result.state}{', flagged' if result.flagged else ''}"
        rows.append((run, moment(header.utc), sample, str(archive.end(run)), ended))
    return Table(("run", "started", "sample", "points", "ended"), rows, "Runs")


def _quantities(archive: Archive, runs: Sequence[str]) -> list[Table]:
    """What the runs' newest evaluations found, a column each, as far as a page is wide."""
    found = [quantities_of_run(archive, run) for run in runs]
    names = list(dict.fromkeys(name for values in found for name in values))
    tables = []
    for first in range(0, min(len(names), 12), 4):
        chosen = names[first : first + 4]
        rows = [(run, *(_value(values.get(name)) for name in chosen)) for run, values in zip(runs, found, strict=True)]
        tables.append(Table(("run", *chosen), rows, "What was found in each run"))
    return tables


def _value(pair: tuple[float, str] | None) -> str:
    return "-" if pair is None else show(float(f"{pair[0]:.5g}"), pair[1] or "1")


def _of_all(archive: Archive, runs: Sequence[str]) -> list[Evaluation]:
    """The newest evaluations over several of the runs, of each kind and subject."""
    seen: dict[tuple[str, str], Any] = {}
    for each in archive.evaluations(run=runs[-1], limit=_LOOKED_BACK):
        if len(each.runs) > 1:
            seen.setdefault((each.kind, each.subject), each)
    return [archive.evaluation(each.name) for each in seen.values()]
