"""The bookkeeping of points against an instrument, a line and a store that misbehave at random."""

from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.tally import Tally


def test_overlaps_are_trimmed() -> None:
    tally, span = Tally(received=5, durable=2).arrived(3, 8)
    assert (span, tally.received) == ((5, 8), 8)
    assert tally.arrived(4, 8) == (tally, None)


def test_a_batch_behind_a_hole_is_left_until_the_hole_is_known_to_be_lost() -> None:
    tally, span = Tally(received=5).arrived(8, 10)
    assert (span, tally.beyond, tally.waiting) == (None, 8, True)
    tally, span = Tally(received=5, oldest=7).arrived(7, 10)
    assert (span, tally.lost, tally.received) == ((7, 10), ((5, 7),), 10)


def test_points_that_come_late_for_a_lost_span_are_kept() -> None:
    tally, span = Tally(received=10, durable=10, lost=((5, 7),)).arrived(4, 6)
    assert (span, tally.lost) == ((5, 6), ((6, 7),))


def test_what_is_lost_counts_as_passed() -> None:
    assert Tally(received=10, durable=2, lost=((5, 7),)).stored(2, 5).durable == 7
    assert Tally(received=10, durable=2, lost=((5, 7),)).stored(7, 10).durable == 2


def test_the_end_completes_a_run() -> None:
    assert not Tally(received=3, durable=3).complete
    assert Tally(received=3, durable=3).ended(3).complete
    assert Tally(received=3, durable=3).ended(5).give_up().complete


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_nothing_is_forgotten_that_is_neither_stored_nor_lost(data: st.DataObject) -> None:
    """A ring buffer that overwrites, a line that replays from anywhere, a store that commits late or fails."""
    tally, stored, given_up = Tally(), set[int](), set[int]()
    made = acknowledged = oldest = cursor = 0
    pending: list[tuple[int, int]] = []
    for _ in range(data.draw(st.integers(1, 40))):
        match data.draw(st.sampled_from(["make", "send", "send", "send", "status", "replay", "commit", "fail"])):
            case "make":
                made += data.draw(st.integers(1, 6))
                oldest = max(oldest, acknowledged, made - 12)
            case "send":
                first = max(cursor, oldest)
                after = min(made, first + data.draw(st.integers(1, 5)))
                if first < after:
                    before = tally.received
                    tally, span = tally.arrived(first, after)
                    gone = set(range(before, tally.received if span is None else span[0]))
                    assert not [index for index in gone if index >= oldest], "lost is what is gone"
                    given_up |= gone
                    pending += [span] if span else []
                    cursor = after
            case "status":
                tally = Tally(**{**vars(tally), "oldest": max(tally.oldest, oldest)})
            case "replay":
                cursor = tally.received
            case "commit" if pending:
                span = pending.pop(0)
                stored |= set(range(*span))
                tally = tally.stored(*span)
            case "fail" if pending:
                pending.pop(0)
                tally = tally.rewound()
        acknowledged = max(acknowledged, tally.durable)
        assert tally.durable <= tally.received <= made
        assert set(range(tally.durable)) <= stored | given_up
