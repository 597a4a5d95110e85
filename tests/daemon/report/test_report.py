"""luggin report: everything is told, nothing is loaded or run, and whatever people wrote is only text."""

import asyncio
import re
import shutil
import sqlite3
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.daemon.evaluation.functions import evaluate
from luggin.daemon.evaluation.run_data import RunData
from luggin.daemon.legible import legible
from luggin.daemon.report import render, run_part
from luggin.daemon.report.parts import Part
from luggin.daemon.store import Store, open_store
from luggin.protocol.evaluation import settings_of
from luggin.protocol.payloads import Evaluation
from luggin.protocol.points import Flag
from support.evaluated import evaluation, unpack_old_store
from support.stored_runs import result
from support.voltammograms import cyclic_columns, header_of, pulse_columns, run_of, store_voltammogram

HOSTILE = (
    '</td><script>alert("x")</script>\'&amp; {{ 7*7 }} \x1b[31m\u202etxet\u202c \u05e9\u05dc\u05d5\u05dd ' + "W" * 300
)
SETUP = {"reference": "Ag/AgCl (3 M KCl)", "electrode": "gc-3"}
DPV = "differential-pulse-voltammetry"
DAY = "20261125-100000-day"
ANALYTE = {"analytes": [{"name": "paracetamol", "window": [0.25, 0.45]}]}


class Page(HTMLParser):
    """Tags with their attributes, the words outside of style, and whether every tag is closed."""

    _EMPTY = frozenset({"meta", "img", "br"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words, self._open = "", list[str]()
        self.feed(text)
        assert self._open == []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attributes)))
        if tag not in self._EMPTY:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += "" if self._open and self._open[-1] == "style" else data


@pytest.fixture(autouse=True)
def _nobody_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "home"))
    monkeypatch.delenv("LUGGIN_BROKER", raising=False)


def stored(kind: str, name: str, runs: list[RunData], settings: dict[str, Any]) -> Evaluation:
    complete = settings_of(kind, settings, DPV)
    found = evaluate(kind, runs, complete)
    told = {"kind": kind, "subject": found.subject, "body": dict(found.body), "warnings": found.warnings}
    made = complete.model_dump(mode="json", serialize_as_any=True)
    return evaluation(name, tuple(run.run for run in runs), settings=made, **told)


async def fill(path: Path) -> None:
    async with Store.open(path, interval=0.01, slow_interval=0.01, utc=lambda: 1_790_000_300.0) as store:
        document = {"name": "outlet-day", "notes": "invented <i>week</i>"}
        begun = {"sequence": DAY, "document": document}
        await store.event(None, "bench-1", "sequence-begun", f"analyst began the sequence {DAY}", begun)
        await store.event(None, "bench-1", "alarm", "the lid was open")
        levels = {"0.005 mol/m3": 1e-6, "0.010 mol/m3": 2e-6, "0.020 mol/m3": 4e-6}
        runs: list[RunData] = []
        for number, (level, height) in enumerate(levels.items()):
            name, tags = f"std-{number}", [f"{DAY}/{number + 1}"]
            more: dict[str, Any] = {"setup": {**SETUP, "sample": f"standard {level}", "tags": tags}}
            columns = pulse_columns(seed=number, height=height)
            await store_voltammogram(store, name, DPV, columns, **more)
            data = run_of(DPV, columns, **more)
            data.header = data.header.model_copy(update={"run": name})
            peaks = stored("peaks", f"peaks-{number}", [data], ANALYTE)
            await store.add_evaluation(peaks)
            runs.append(RunData(data.header, data.columns, None, lambda _, made=peaks: made))  # type: ignore[misc]
        pairs = [{"concentration": level, "runs": [run.run]} for level, run in zip(levels, runs, strict=True)]
        line = {"name": "outlet", "analyte": "paracetamol", "levels": pairs}
        await store.add_evaluation(stored("calibration", "line", runs, line))
        flagged = cyclic_columns(2, 100)
        flagged["flags"][50:60] = int(Flag.CURRENT_OVERLOAD)
        setup = {**SETUP, "sample": "$\\frac{1}{$ <img src=x onerror=alert(1)>", "cell": HOSTILE[:250]}
        more = {"notes": HOSTILE, "setup": setup}
        await store_voltammogram(store, "hostile", "cyclic-voltammetry", flagged, **more)
        await store.event("hostile", None, "alarm", HOSTILE * 20)
        await store.add_evaluation(evaluation("odd", ("hostile",), kind="of-tomorrow", body={"text": HOSTILE}))
        await store.add_evaluation(evaluation("broken", ("hostile",), kind="peaks", body={"height": 1.0}))
        await store.begin_run(header_of("empty", "cyclic-voltammetry"))
        await store.finish_run(result("empty", 0))
        one = {name: values[:1] for name, values in pulse_columns().items()}
        await store_voltammogram(store, "one", "square-wave-voltammetry", one)
        over = pulse_columns()
        over["flags"][:] = int(Flag.CONTROL_OVERLOAD)
        await store_voltammogram(store, "over", "square-wave-voltammetry", over)
        await store.begin_run(header_of("under-way", "cyclic-voltammetry"))
        body = {"against": "10 kohm", "passed": True, "items": []}
        told = {"kind": "qualification", "subject": "instrument/bench-1", "body": body, "expires": 1.795e9}
        await store.add_evaluation(evaluation("fit", (), **{**told, "utc": 1.7899e9}))


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "runs.sqlite"
    asyncio.run(fill(path))
    return path


def report(store: Path, folder: Path, *names: str) -> tuple[Page, str]:
    target = folder / "report.html"
    assert main(["report", *names, "-o", str(target), "--store", str(store)]) == exits.OK
    text = target.read_text(encoding="utf-8")
    return Page(text), text


def test_a_page_loads_and_runs_nothing_and_people_s_words_are_only_words(store: Path, tmp_path: Path) -> None:
    page, text = report(store, tmp_path, "hostile", "line", "20261125-100000-day")
    assert {tag for tag, _ in page.tags}.isdisjoint({"script", "link", "iframe", "object", "form", "base"})
    addresses = [value for _, given in page.tags for name, value in given.items() if name in ("src", "href")]
    assert addresses
    assert all(re.match(r"data:image/(svg\+xml|png);base64,|#part-\d$", str(each)) for each in addresses)
    assert not any(name.startswith("on") for _, given in page.tags for name in given)
    assert "url(" not in text
    assert "@import" not in text
    shown = legible(HOSTILE)
    assert "\\u202e" in shown
    assert page.words.count(shown) >= 2  # notes and the evaluation of tomorrow
    assert "$\\frac{1}{$ <img src=x onerror=alert(1)>" in page.words
    assert "more characters)" in page.words
    assert not set("\x1b\x00\u202e\u202c") & set(text)


def test_a_run_is_told_from_who_asked_to_the_hashes(store: Path, tmp_path: Path) -> None:
    page, _ = report(store, tmp_path, "std-1")
    with open_store(store) as archive:
        texts = archive.texts("std-1")
        assert texts.result_hash is not None
    for words in (
        "asked for byanalyst",
        "Complete: the program came to its end",
        "standard 0.010 mol/m3",
        "Ag/AgCl (3 M KCl)",
        "i_p / µA",
        " ± ",
        "paracetamol1found0.25 to 0.45",
        "pulse amplitude 50 mV",
        "the lid was open",
        "passed 2026-09-20 10:26:40 UTC (fit), held until",
        "none from before the run is stored here",  # of the electrode
        "peaks, stored as peaks-1",
        "everything is as it was stored",
        texts.head.hex(),
        texts.result_hash.hex(),
        "luggin 0.1.0",
        "Whether the computer's clock was right is not told here",
    ):
        assert words in page.words, words
    assert sum(tag == "img" for tag, _ in page.tags) == 2  # its curve, and the line that it is a point of


def test_a_calibration_and_a_sequence_are_told_with_their_runs(store: Path, tmp_path: Path) -> None:
    page, _ = report(store, tmp_path, "line")
    for words in ("Calibration outlet: paracetamol", "slope (", "ISO 11843", "std-0", "standard 0.020 mol/m3"):
        assert words in page.words, words
    assert sum(tag == "img" for tag, _ in page.tags) == 2
    page, _ = report(store, tmp_path, DAY)
    assert "paracetamol.height" in page.words
    assert "analyst began the sequence" in page.words
    assert "invented <i>week</i>" in page.words
    assert page.words.index("std-0") < page.words.index("std-2")
    assert "Calibration outlet: paracetamol" in page.words


@pytest.mark.parametrize(
    ("run", "said"),
    [
        ("empty", "There is no picture: there is no point to draw"),
        ("one", "One point of the measuring phase."),
        ("over", "225 of 225 points are flagged as settling or overloaded."),
        ("under-way", "The run has not ended, or nobody has recorded how."),
        ("hostile", "396 points of the measuring phase, 10 of them flagged as unfit and left out."),
    ],
)
def test_curves_with_little_or_nothing_in_them(run: str, said: str, store: Path, tmp_path: Path) -> None:
    page, _ = report(store, tmp_path, run)
    assert said in page.words


def test_a_run_of_an_old_store(tmp_path: Path) -> None:
    unpack_old_store(tmp_path / "old.sqlite")
    page, _ = report(tmp_path / "old.sqlite", tmp_path, "run-1", "run-2")
    assert "Run run-1" in page.words
    assert "everything is as it was stored" in page.words


def test_what_was_altered_stands_on_top(store: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    shutil.copy(store, copy)
    with closing(sqlite3.connect(copy)) as connection, connection:
        connection.execute("UPDATE runs SET header = replace(header, 'analyst', 'nobody') WHERE run = 'std-1'")
    with open_store(copy) as archive:
        part = run_part(archive, "std-1")
    assert part.cautions[0] == "What is stored is not what was measured: the header or its hash was altered"


def test_an_unknown_name_is_said(store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "nothing", "-o", str(tmp_path / "x.html"), "--store", str(store)]) == exits.FAILED
    assert "there is no run, evaluation or sequence nothing" in capsys.readouterr().err


def test_a_title_is_no_markup_either() -> None:
    text = render("<b>&", [Part("x", document="</pre>{% raw %}")], "luggin", utc=0.0)
    assert "&lt;b&gt;&amp;" in text
    assert "&lt;/pre&gt;{% raw %}" in text
    assert "1970-01-01 00:00:00 UTC" in text
