from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.store.coverage import Coverage, Span

spans = st.tuples(st.integers(0, 60), st.integers(0, 20)).map(lambda pair: (pair[0], pair[0] + pair[1]))


def covered(added: list[Span]) -> Coverage:
    coverage = Coverage()
    for first, after in added:
        coverage = coverage.add(first, after)
    return coverage


def indices(parts: list[Span]) -> set[int]:
    return {index for first, after in parts for index in range(first, after)}


@given(st.lists(spans), spans)
def test_agrees_with_a_plain_set(added: list[Span], asked: Span) -> None:
    coverage, model = covered(added), indices(added)
    assert indices(list(coverage.spans())) == model
    assert coverage.count == len(model)
    assert coverage.end == max(model, default=-1) + 1
    assert coverage.contiguous == next(index for index in range(100) if index not in model)
    assert indices(coverage.missing(*asked)) == set(range(*asked)) - model


@given(st.lists(spans))
def test_holes_are_ascending_apart_and_below_the_end(added: list[Span]) -> None:
    coverage = covered(added)
    edges = [edge for hole in coverage.holes for edge in hole]
    assert edges == sorted(set(edges))
    assert all(after < coverage.end for _, after in coverage.holes)


@given(st.lists(spans), st.lists(spans))
def test_union(left: list[Span], right: list[Span]) -> None:
    assert covered(left).union(covered(right)) == covered(left + right)
