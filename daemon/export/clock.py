"""Wall-clock times of a run's points, for people: nothing is computed from them."""

from collections.abc import Sequence
from datetime import UTC, datetime

from luggin.daemon.store import Anchor


def iso(utc: float) -> str | None:
    """Seconds since 1970 as ISO 8601 in UTC, to the millisecond; None for what is no date."""
    try:
        moment = datetime.fromtimestamp(utc, UTC)
    except (ValueError, OverflowError, OSError):
        return None
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def utc_of(run_time: float, anchors: Sequence[Anchor], start: float) -> float:
    """Seconds since 1970 of a moment given in instrument time since the start of the run.

    The last anchor before the moment decides, one of a synchronised clock when there is any; without anchors, `start`,
    the wall-clock time at which the run was begun.
    """
    usable = [(each.run_time, each.utc) for each in anchors if each.run_time is not None and each.synchronised]
    usable = usable or [(each.run_time, each.utc) for each in anchors if each.run_time is not None]
    usable = sorted(usable) or [(0.0, start)]
    anchor_time, anchor_utc = next((each for each in reversed(usable) if each[0] <= run_time), usable[0])
    return anchor_utc + run_time - anchor_time
