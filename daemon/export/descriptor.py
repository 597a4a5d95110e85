"""The descriptor of a data package: what the tables mean and where they come from.

It follows Data Package, Tabular Data Resource and Table Schema 1 (specs.frictionlessdata.io); `unit`, `dtype` and
`column` of a field, `run` and `meaning` of a resource are additions, which that specification allows.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from luggin.daemon.export.clock import iso, utc_of
from luggin.daemon.export.table import heading, unusual_nans
from luggin.daemon.store import Archive, RunTexts, codec, verify
from luggin.protocol.points import COLUMNS, Array, Column

_INDEX = Column("index", "1", "<i8", "number of the point within its run, counted from 0; what is missing was lost")


def package(runs: list[dict[str, Any]], others: list[dict[str, Any]], utc: float) -> dict[str, Any]:
    return {
        "profile": "data-package" if others else "tabular-data-package",
        "name": "electrochemical-runs",
        "title": "Electrochemical runs: " + ", ".join(each["name"] for each in runs),
        "description": "All values are in SI units. Currents are positive when anodic (IUPAC). Times called utc are "
        "seconds since 1970 by the clock of the measuring computer; they and all dates are for information only, the "
        "points carry the instrument's own time.",
        "created": iso(utc),
        "resources": [*runs, *others],
    }


def schema(columns: Mapping[str, Array]) -> dict[str, Any]:
    """The Table Schema of columns that begin with `index`."""
    return {
        "fields": [_field(_column(name), values) for name, values in columns.items()],
        "primaryKey": ["index"],
        "missingValues": [""],
    }


def _column(name: str) -> Column:
    return _INDEX if name == "index" else COLUMNS[name]


def _field(column: Column, values: Array) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": heading(column.name, column.unit),
        "type": "number" if values.dtype.kind == "f" else "integer",
        "description": column.meaning,
        "unit": column.unit,
        "column": column.name,
        "dtype": values.dtype.str,
    }
    if column.name == "index":
        field["constraints"] = {"required": True, "unique": True, "minimum": 0}
    return field


def run(archive: Archive, name: str, columns: Mapping[str, Array]) -> dict[str, Any]:
    """Everything that is stored of a run beside its points."""
    texts, anchors = archive.texts(name), archive.anchors(name)
    header = json.loads(texts.header)
    ends = [float(columns["time"][index]) for index in (0, -1) if len(columns.get("time", ()))]
    dates = [iso(utc_of(time, anchors, header["utc"])) for time in ends]
    return {
        "header": header,
        "result": None if texts.result is None else json.loads(texts.result),
        "events": [json.loads(text) | {"date": iso(json.loads(text)["utc"])} for _, text, _ in texts.events],
        "anchors": [asdict(anchor) for anchor in anchors],
        "gaps": archive.gaps(name),
        "boots": [{"boot": boot, "first": first, "after": after} for boot, first, after in archive.boots(name)],
        "layouts": [
            {"first": first, "after": after, "columns": {n: form.str for n, form in codec.forms(layout).items()}}
            for layout, first, after in archive.layouts(name)
        ],
        "dates": {
            "begun": iso(header["utc"]),
            "first_point": dates[0] if dates else None,
            "last_point": dates[-1] if dates else None,
            "synchronised": any(anchor.synchronised for anchor in anchors),
        },
        "unusual_nans": unusual_nans(columns),
        "chain": _chain(texts),
        "findings": verify(archive, name),
    }


def _chain(texts: RunTexts) -> dict[str, Any]:
    """SHA-256, hexadecimal: each of the one before followed by the next text, see the table `about` of a store."""
    return {
        "header": texts.header_hash.hex(),
        "events": [digest.hex() for _, _, digest in texts.events],
        "head": texts.head.hex(),
        "result": None if texts.result_hash is None else texts.result_hash.hex(),
        "result_covers_events": texts.sealed_events,
        "seal": None if texts.seal is None else json.loads(texts.seal),
    }
