"""Runs from one machine's store through a zip file into another's, with nothing lost and nothing believed."""

import json
import shutil
import stat
import struct
import zipfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from luggin.daemon.export import (
    PackageError,
    export_file,
    export_runs,
    package_folder,
    read_package,
    restore,
    restoring,
)
from luggin.daemon.housekeeping import keep_house
from luggin.daemon.store import Store, StoreConflict, chain, open_store, verify, verify_log
from luggin.daemon.store.takeover import POINTS_AT_ONCE, UNDER_WAY
from luggin.protocol.payloads import ImportRuns
from luggin.protocol.points import batch
from support.evaluated import evaluation, unpack_old_store
from support.stored_runs import SWEEP, header, result, sweep

HOSTILE = {"notes": "</script><script>alert(1)</script>\x00\x1b[31m\u202e" + "very long " * 150}


async def fill(path: Path) -> None:
    """Everything that a run can have: holes, late points, boots, changing columns, odd numbers, evaluations."""
    async with Store.open(path, interval=0.01, slow_interval=0.01, utc=lambda: 1_790_000_100.5) as store:
        hostile = header("run-1")
        await store.begin_run(hostile.model_copy(update={"method": {**hostile.method, **HOSTILE}}))
        store.anchor("bench-1", "run-1", "boot-1", 10.0, 1_790_000_001.0, True, 500.0, 0.0)
        store.put(sweep("run-1", 0, 300))
        store.put(sweep("run-1", 500, 200, columns=[*SWEEP[:5], "flags"]))
        await store.put(sweep("run-1", 350, 50, boot="boot-2"))
        odd = np.array([0x7FC00001, 0xFFC00000, 0xFFC00000, 0x7F800000, 0x80000000], "<u4").view("<f4")
        await store.put(batch("run-1", "boot-2", 700, {"time": np.arange(5.0), "current": odd}))
        await store.event("run-1", None, "remark", "the µ-cell; „watch“ \u202e\x1b[31m it", {"deep": [{"a": 1e-7}]})
        await store.finish_run(result("run-1", 555, [(300, 350), (400, 500)]))
        await store.put(sweep("run-1", 320, 10))
        await store.begin_run(header("run-2"))
        await store.put(sweep("run-2", 0, 20_000))
        await store.finish_run(result("run-2", 20_000))
        await store.begin_run(header("empty"))
        await store.finish_run(result("empty", 0))
        await store.add_evaluation(evaluation("first"))
        await store.add_evaluation(evaluation("both", ("run-2", "run-1"), kind="calibration", body=None))
        await store.begin_run(header("under-way"))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    import asyncio

    path = tmp_path_factory.mktemp("home") / "runs.sqlite"
    asyncio.run(fill(path))
    return path


@pytest.fixture(scope="module")
def package(home: Path) -> Path:
    with open_store(home) as archive:
        return export_file(archive, ["run-1", "run-2", "empty"], home.parent / "runs.zip", utc=lambda: 1.79e9)


async def take_in(package: Path, target: Path, folder: Path) -> str:
    copy = folder / "copy.sqlite"
    copy.unlink(missing_ok=True)
    with package_folder(package) as unpacked:
        restore(unpacked, copy)
    async with Store.open(target, interval=0.01, slow_interval=0.01) as store:
        return await keep_house(store, ImportRuns(request="r", path=str(copy)), "anna")


def told(path: Path, run: str) -> dict[str, Any]:
    with open_store(path) as archive:
        columns = {name: values.tobytes() for name, values in archive.columns(run).items()}
        made = [archive.evaluation_text(each.name) for _, each in archive.evaluations_of(run)]
        return {
            "verify": verify(archive, run),
            "texts": archive.texts(run),
            "columns": columns,
            "stretches": (archive.boots(run), archive.layouts(run), archive.gaps(run), archive.anchors(run)),
            "result": archive.result(run),
            "made": made,
        }


async def test_nothing_is_lost_and_a_second_time_changes_nothing(home: Path, package: Path, tmp_path: Path) -> None:
    away = tmp_path / "away.sqlite"
    assert await take_in(package, away, tmp_path) == "3 runs were imported."
    for run in ("run-1", "run-2", "empty"):
        assert told(away, run) == told(home, run)
        assert told(away, run)["verify"] == []
    before = {run: told(away, run) for run in ("run-1", "run-2")}
    assert await take_in(package, away, tmp_path) == "0 runs were imported, 3 runs were here already."
    assert before == {run: told(away, run) for run in ("run-1", "run-2")}
    with open_store(away) as archive:
        assert [entry.kind for entry in archive.log(None)] == ["imported"] * 3
        assert verify_log(archive, None) == []
        assert archive.unevaluated() == archive.unfinished() == []
        assert [each.run for each in archive.runs()] == ["empty", "run-2", "run-1"]
    async with Store.open(away, interval=0.01) as store:
        assert await store.unpublished() == []  # the daemon that measured them did
        await store.add_evaluation(evaluation("here", ("run-1",)))
        (left,) = await store.unpublished()
        assert (left.run, left.header, left.points, left.result, left.evaluations) == ("run-1", False, None, False, 2)
    assert told(away, "run-1")["verify"] == []
    assert await take_in(package, away, tmp_path) == "0 runs were imported, 3 runs were here already."


async def test_what_was_added_at_home_is_added_away_and_another_course_is_refused(home: Path, tmp_path: Path) -> None:
    again, away = tmp_path / "again.sqlite", tmp_path / "away.sqlite"
    shutil.copy(home, again)
    with open_store(again) as archive:
        first = export_file(archive, ["run-2"], tmp_path / "first.zip")
    await take_in(first, away, tmp_path)
    async with Store.open(again, interval=0.01, slow_interval=0.01) as store:
        await store.add_evaluation(evaluation("later", ("run-2",)))
        await store.put(sweep("run-2", 20_000, 7))
    with open_store(again) as archive:
        second = export_file(archive, ["run-2"], tmp_path / "second.zip")
    assert await take_in(second, away, tmp_path) == "1 run was imported."
    assert told(away, "run-2") == told(again, "run-2")
    await take_in(first, away, tmp_path)  # knows less, changes nothing
    assert told(away, "run-2") == told(again, "run-2")
    other = tmp_path / "other.sqlite"
    await take_in(first, other, tmp_path)
    async with Store.open(other, interval=0.01, slow_interval=0.01) as store:
        await store.event("run-2", None, "remark", "said here only")
    with pytest.raises(StoreConflict, match="went another way; what is stored is not changed"):
        await take_in(second, other, tmp_path)
    strange = tmp_path / "strange.sqlite"
    async with Store.open(strange, interval=0.01, slow_interval=0.01) as store:
        await store.begin_run(header("run-2", points=5))
    with pytest.raises(StoreConflict, match="another run run-2 is stored here"):
        await take_in(second, strange, tmp_path)
    async with Store.open(other, interval=0.01) as store:
        await store.delete_run("run-2", "anna", "no use")
    with pytest.raises(StoreConflict, match="deleted here; restore or purge it first"):
        await take_in(first, other, tmp_path)


async def test_an_interrupted_import_hides_the_run_and_is_gone_on_with(
    home: Path, package: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    away = tmp_path / "away.sqlite"
    real = Store._submit
    writes: list[object] = []

    def dying(self: Store, work: Any, **how: Any) -> Any:
        writes.append(work)
        if len(writes) == 3:
            raise KeyboardInterrupt
        return real(self, work, **how)

    with package_folder(package) as unpacked:
        restore(unpacked, tmp_path / "copy.sqlite")
    monkeypatch.setattr(Store, "_submit", dying)
    with pytest.raises(KeyboardInterrupt):
        async with Store.open(away, interval=0.01) as store:
            await store.take_over(tmp_path / "copy.sqlite", "run-2", "anna")
    monkeypatch.setattr(Store, "_submit", real)
    with open_store(away) as archive:
        assert archive.runs() == []
        assert archive.deletion("run-2").reason == UNDER_WAY  # type: ignore[union-attr]
        assert archive.end("run-2") == POINTS_AT_ONCE
        assert archive.unfinished() == []
    assert await take_in(package, away, tmp_path) == "3 runs were imported."
    assert told(away, "run-2") == told(home, "run-2")


async def test_runs_of_an_old_store_and_what_has_not_ended(home: Path, tmp_path: Path) -> None:
    unpack_old_store(tmp_path / "old.sqlite")
    with open_store(tmp_path / "old.sqlite") as archive:
        export_file(archive, ["run-1"], tmp_path / "old.zip")
    assert await take_in(tmp_path / "old.zip", tmp_path / "away.sqlite", tmp_path) == "1 run was imported."
    assert told(tmp_path / "away.sqlite", "run-1") == told(tmp_path / "old.sqlite", "run-1")
    with open_store(home) as archive:
        export_file(archive, ["under-way"], tmp_path / "under-way.zip")
        with pytest.raises(PackageError, match="is there already; choose another name"):
            export_file(archive, ["run-1"], tmp_path / "under-way.zip")
    with pytest.raises(PackageError, match="had not ended when it was exported"):
        await take_in(tmp_path / "under-way.zip", tmp_path / "away.sqlite", tmp_path)
    assert files(tmp_path, "*zip*") == ["old.zip", "under-way.zip"]


def files(folder: Path, pattern: str) -> list[str]:
    return sorted(each.name for each in folder.glob(pattern))


def entry(name: str, mode: int = 0) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.external_attr = mode << 16
    return info


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize(
    ("entries", "said"),
    [
        ([("../../run-1.csv", b"")], "is no part of a package"),
        ([("/etc/passwd", b"")], "is no part of a package"),
        ([("folder/run-1.csv", b"")], "is no part of a package"),
        ([("..\\run-1.csv", b"")], "is no part of a package"),
        ([("con\x00.csv", b"")], "is no part of a package"),
        ([("datapackage.json\n", b"")], "is no part of a package"),
        ([("run-1.csv", b""), ("run-1.csv", b"")], "twice"),
        ([(entry("run-1.csv", stat.S_IFLNK | 0o777), b"/etc/passwd")], "no plain file"),
        ([("run-1.csv", bytes(8 * 1024 * 1024))], "which no measurement does"),
        ([("run-1.csv", b"")], "holds no datapackage.json"),
        ([], "holds no datapackage.json"),
        ([(f"run-{n}.csv", b"") for n in range(20_003)], "holds 20003 files"),
        ([("datapackage.json", b"{}")], "no descriptor of a data package"),
        ([("datapackage.json", b"[" * 100_000)], "no descriptor"),
        ([("datapackage.json", b'{"resources": ' + b"[" * 200 + b"]" * 200 + b"}")], "no descriptor"),
        ([("datapackage.json", b'{"resources": NaN}')], "no descriptor"),
        ([("datapackage.json", b'{"resources": [1e999, -1]}')], "no descriptor"),
        ([("datapackage.json", b'{"resources": ' + b"9" * 5000 + b"}")], "no descriptor"),
    ],
)
def test_hostile_archives_are_refused_with_a_sentence(entries: list[Any], said: str, tmp_path: Path) -> None:
    path = tmp_path / "hostile.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries:
            archive.writestr(name, content, zipfile.ZIP_DEFLATED)
    with pytest.raises(PackageError, match=said) as caught, package_folder(path) as folder:
        restore(folder, tmp_path / "copy.sqlite")
    assert len(str(caught.value)) < 500
    assert not (tmp_path.parent / "run-1.csv").exists()


def test_a_size_that_lies_is_found_while_unpacking(package: Path, tmp_path: Path) -> None:
    raw = bytearray(package.read_bytes())
    for signature, offset in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):
        place = raw.index(signature)
        raw[place + offset : place + offset + 4] = struct.pack("<I", 100)
    (tmp_path / "lies.zip").write_bytes(raw)
    with pytest.raises(PackageError, match=r"larger than it says|no sound zip"), package_folder(tmp_path / "lies.zip"):
        pass


Change = Callable[[dict[str, Any]], object]


def set_at(*path: Any) -> Change:
    """Set the value at a path in what is told of run-2, the last item."""

    def change(run: dict[str, Any]) -> None:
        *way, last, value = path
        for each in way:
            run = run[each]
        run[last] = value

    return change


def rehashed(run: dict[str, Any]) -> None:
    """What somebody does who knows how: hashes that fit the altered texts."""
    head = chain.start(chain.canonical(run["header"]))
    run["chain"]["header"] = head.hex()
    for place, event in enumerate(run["events"]):
        head = chain.link(head, chain.canonical({k: v for k, v in event.items() if k != "date"}))
        run["chain"]["events"][place] = head.hex()
    sealed = run["chain"]["result_covers_events"]
    head = bytes.fromhex(run["chain"]["events"][sealed - 1] if sealed else run["chain"]["header"])
    seal = json.dumps(run["chain"]["seal"], separators=(",", ":"))
    run["chain"]["result"] = chain.link(head, chain.canonical(run["result"]) + seal).hex()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (set_at("header", "asked_by", "somebody else"), "header or its hash was altered"),
        (set_at("result", "sentence", "all is well"), "result, its seal or its hash was altered"),
        (set_at("events", 0, "sentence", "all is well"), "event 0 or its hash was altered"),
        (set_at("chain", "seal", "columns", {}), "result, its seal or its hash was altered"),
        (set_at("boots", []), "not told where all of its points come from"),
        (set_at("boots", 0, "first", -1), "damaged"),
        (set_at("layouts", 0, "columns", {"time": "<f8"}), "is not what was stored"),
        (set_at("layouts", 0, "columns", {"colour": "<f8"}), "columns that this program doesn't know"),
        (set_at("layouts", 0, "columns", "current", "<u1"), "is not what was stored"),
        (set_at("unusual_nans", {"current": [[0, 5, 0x7FC00001]]}), "there is no NaN in rows 0 to 5"),
        (set_at("unusual_nans", {"nothing": [[0, 5, 1]]}), "damaged"),
        (set_at("anchors", [{"instrument": 1}]), "damaged"),
        (set_at("chain", "header", "no hash"), "damaged"),
        (set_at("events", 7), "damaged"),
    ],
)
async def test_altered_packages_are_refused(change: Change, said: str, home: Path, tmp_path: Path) -> None:
    with open_store(home) as archive:
        folder = export_runs(archive, ["run-2"], tmp_path / "data").parent
    document = json.loads((folder / "datapackage.json").read_bytes())
    change(document["resources"][0]["run"])
    (folder / "datapackage.json").write_text(json.dumps(document))
    with pytest.raises(PackageError, match=said):
        restore(folder, tmp_path / "copy.sqlite")


@pytest.mark.parametrize(
    "change",
    [
        set_at("header", "method", "setup", {}),
        set_at("header", "method", "technique", ["x"]),
        set_at("header", "method", "phases", "measure"),
        set_at("header", "run", "../../etc"),
        set_at("header", "utc", 1e300),
        set_at("header", "node", "x/#"),
        set_at("result", "state", "Perfect"),
        set_at("result", "utc", -1.0),
        set_at("events", 0, "utc", 1e18),
        set_at("events", 0, "scope", "run/other"),
        set_at("events", 0, "data", "text"),
        set_at("chain", "seal", "spans", [["a", "b"]]),
        set_at("chain", "seal", "spans", [[0, 5]]),
    ],
)
async def test_forms_that_the_program_could_not_show_are_refused_with_hashes_that_fit(
    change: Change, home: Path, tmp_path: Path
) -> None:
    with open_store(home) as archive:
        folder = export_runs(archive, ["run-2"], tmp_path / "data").parent
    document = json.loads((folder / "datapackage.json").read_bytes())
    run = document["resources"][0]["run"]
    rehashed(run)  # the method is right: this alone changes nothing
    (folder / "datapackage.json").write_text(json.dumps(document))
    assert restore(folder, tmp_path / "sound.sqlite") == ["run-2"]
    change(run)
    rehashed(run)
    (folder / "datapackage.json").write_text(json.dumps(document))
    with pytest.raises(PackageError, match=r"is damaged|is not what was stored"):
        restore(folder, tmp_path / "copy.sqlite")


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    edits=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=4),
    cut=st.floats(0, 1),
)
def test_mutated_archives_are_refused_or_are_the_same_runs(
    edits: list[tuple[float, int]], cut: float, small: tuple[Path, Any], tmp_path: Path
) -> None:
    original, expected = small
    raw = bytearray(original.read_bytes())
    for place, value in edits:
        raw[int(place * len(raw))] = value
    raw = raw[: max(int(len(raw) * min(1.0, cut * 4)), 1)]
    path, copy = tmp_path / "mutated.zip", tmp_path / "copy.sqlite"
    path.write_bytes(raw)
    for each in tmp_path.glob("copy.sqlite*"):
        each.unlink()
    try:
        with package_folder(path) as folder:
            restore(folder, copy)
    except PackageError as error:
        assert len(str(error)) < 1000
        return
    assert told(copy, "run-1") == expected


@pytest.fixture(scope="module")
def small(home: Path) -> tuple[Path, Any]:
    with open_store(home) as archive:
        return export_file(archive, ["run-1"], home.parent / "small.zip"), told(home, "run-1")


_JSON: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)


def places(value: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [way, *(each for key, part in inner for each in places(part, (*way, key)))]


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_other_description_is_refused_with_a_sentence_or_shows_the_same_points(
    data: st.DataObject, small: tuple[Path, Any], tmp_path: Path
) -> None:
    with package_folder(small[0]) as folder:
        document = json.loads((folder / "datapackage.json").read_bytes())
        way = data.draw(st.sampled_from([each for each in places(document) if each]))
        value: Any = document
        for key in way[:-1]:
            value = value[key]
        value[way[-1]] = data.draw(_JSON)
        with suppress(TypeError, KeyError, ValueError, AttributeError, IndexError):
            rehashed(document["resources"][0]["run"])
        (folder / "datapackage.json").write_text(json.dumps(document))
        for each in tmp_path.glob("copy.sqlite*"):
            each.unlink()
        try:
            (name,) = restore(folder, tmp_path / "copy.sqlite")
        except PackageError:
            return
        copied = told(tmp_path / "copy.sqlite", name)
        assert copied["verify"] == []
        assert copied["columns"].keys() <= small[1]["columns"].keys()


def test_a_package_reads_the_same_from_a_file_and_from_a_folder(package: Path, home: Path) -> None:
    with package_folder(package) as folder:
        back = read_package(folder)
    with open_store(home) as archive:
        for run, (_, columns) in back.items():
            assert {n: v.tobytes() for n, v in columns.items()} == {
                n: v.tobytes() for n, v in archive.columns(run).items()
            }


def test_however_long_its_lists_are_the_work_grows_no_faster() -> None:
    """A package may come from anybody: a thousand stretches of each kind are not a million pairs."""
    boots = [restoring._Boot(boot="b", first=0, after=0)] * 1000
    layouts = [restoring._Layout(columns={}, first=0, after=0)] * 1000
    assert len(list(restoring._side_by_side(boots, layouts))) <= 2000
    stretches = [restoring._Layout(columns={}, first=n, after=n + 2) for n in range(0, 8, 2)]
    whole = [restoring._Boot(boot=name, first=first, after=after) for name, first, after in (("b", 0, 5), ("c", 5, 8))]
    pairs = [(boot.boot, each.first) for boot, each in restoring._side_by_side(whole, stretches)]
    assert pairs == [("b", 0), ("b", 2), ("b", 4), ("c", 4), ("c", 6)]
