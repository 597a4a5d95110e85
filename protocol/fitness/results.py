"""What a qualification answers: its items with value, bounds and unit; the body of evaluations of the kind."""

from pydantic import Field

from luggin.protocol.program import Frozen


class Item(Frozen):
    """One requirement.  `name` is that of the quantity; `value` None means that it could not be determined.

    `low` and `high` are the bounds, None where there is none on that side; `u` is the standard uncertainty of the value
    as far as the points tell; `note` says why there is no value, or what makes it doubtful.
    """

    name: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    passed: bool
    u: float | None = None
    run: str = Field(description="run that it was determined from, the last one of several")
    note: str = ""


class QualificationBody(Frozen):
    """`against` names the dummy cell or redox probe; `left_out` says what could not be looked at, and why.

    `passed` when every item has; `quantities` and `units` are those of the items, by name.
    """

    against: str
    items: tuple[Item, ...]
    passed: bool
    left_out: tuple[str, ...] = ()
    quantities: dict[str, float] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)


def item(
    name: str,
    value: float | None,
    low: float | None,
    high: float | None,
    unit: str,
    run: str,
    *,
    u: float | None = None,
    note: str = "",
) -> Item:
    """An item, judged: without a value it has not passed."""
    within = value is not None and (low is None or value >= low) and (high is None or value <= high)
    return Item(name=name, value=value, low=low, high=high, unit=unit, passed=within, u=u, run=run, note=note)


def body(against: str, items: list[Item], left_out: tuple[str, ...]) -> QualificationBody:
    known = {each.name: each for each in items if each.value is not None}
    return QualificationBody(
        against=against,
        items=tuple(items),
        passed=bool(items) and all(each.passed for each in items),
        left_out=left_out,
        quantities={name: each.value for name, each in known.items() if each.value is not None},
        units={name: each.unit for name, each in known.items()},
    )
